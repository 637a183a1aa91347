"""Run the command line with ``python -m benchodds``."""

from benchodds.cli.main import main

main(prog_name="benchodds")
