"""Pins: what every command answers, recorded before and after a change of code, and compared.

No test: what is recorded is ivkit's own output and is never committed. It tells a developer which
figures a change moves, by how much, and in units of their own standard uncertainty.
"""
