"""`python -m training`."""

from models.commands.console import on_one_thread

on_one_thread()  # before numpy is loaded

from training.cli import main  # noqa: E402

main(prog_name="python -m training")
