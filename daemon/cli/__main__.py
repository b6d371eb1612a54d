"""``python -m quietbench.daemon.cli``."""

from quietbench.daemon.cli import main

main()
