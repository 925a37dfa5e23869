"""``python -m acquire`` is ``steadydraw``."""

from acquire.cli import main

main()
