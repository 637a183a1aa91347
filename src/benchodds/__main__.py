"""Run the command line with ``python -m benchodds``."""

from benchodds.cli import main

main(prog_name="benchodds")
