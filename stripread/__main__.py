"""``python -m stripread``: the same as the command."""

from stripread.cli.main import main

main()
