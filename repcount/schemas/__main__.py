"""Write the published schemas anew: `python -m repcount.schemas`."""

from __future__ import annotations

from repcount.schemas import NAMES, published, schema_of


def main() -> None:
    """Write every schema from its model."""
    for name in NAMES:
        published(name).write_text(schema_of(name), encoding="utf-8")


if __name__ == "__main__":
    main()
