"""``python -m ivkit``: the same as the command ``ivkit``."""

from ivkit.cli import main

main()
