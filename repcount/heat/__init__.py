"""Many attempts ranked together: a list, places, numbers, tables and one page.

`manifest.py` reads the list, `rows.py` makes one row of each attempt, `ranking.py`,
`statistics.py` and `build.py` rank them together, `tables.py`, `race.py` and `page.py` write what
`records.py` describes. `collect.py` goes the whole way from results folders.
"""
