"""Run the commands of `python -m models`."""

from models.commands.console import on_one_thread

on_one_thread()  # This must run before numpy is loaded, which reads the number of threads once.

from models.cli import main  # noqa: E402

main(prog_name="python -m models")
