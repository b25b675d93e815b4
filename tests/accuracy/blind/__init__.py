"""Behaviours of barbell cycling that the reading was not developed on; see `behaviours.py`."""
