"""Run the commands of `models.cli` as `python -m models`."""

from models.cli import main

main(prog_name="python -m models")
