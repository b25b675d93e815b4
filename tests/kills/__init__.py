"""Kills at any moment of anything that writes, by a command: `python -m tests.kills`."""
