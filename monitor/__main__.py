"""``python -m monitor`` is the command line too."""

from monitor.cli import main

main()
