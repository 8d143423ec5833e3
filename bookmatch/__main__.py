"""`python -m bookmatch`."""

from bookmatch.cli import main

main(prog_name="python -m bookmatch")
