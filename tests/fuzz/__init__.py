"""Damaged files given to every command that reads one: `python -m tests.fuzz --help`."""
