"""Damaged, lying and absurd input by the thousand: `python -m tests.hostile`."""
