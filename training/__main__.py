"""`python -m training`."""

from training.cli import main

main(prog_name="python -m training")
