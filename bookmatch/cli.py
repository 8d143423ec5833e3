"""`bookmatch`: the commands of `python -m training`, `models` and `service` under one name.

A command's module is imported when the command is called. The list of commands and the shell's completion
need only the table below.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import NamedTuple

import click
from click.shell_completion import CompletionItem

from models.commands.console import OneLineErrors, on_one_thread

on_one_thread()


class CommandEntry(NamedTuple):
    """One command: the room that has it, its name there, and its line in the list of commands."""

    room: str
    name: str
    line: str


SECTIONS: Mapping[str, Mapping[str, CommandEntry]] = {
    "Price models": {
        "fit": CommandEntry("training", "fit", "Fit a price model to your evidence."),
        "evaluate": CommandEntry("training", "evaluate", "Judge a price model by later sales."),
        "backtest": CommandEntry("training", "backtest", "Show how good it would have been in past years."),
        "practice": CommandEntry("training", "practice", "Check and show the rules of common practice."),
        "demo": CommandEntry("training", "demo", "Write the files of the invented demo market."),
        "list": CommandEntry("models", "list", "List the price models of a store."),
        "show": CommandEntry("models", "show", "Show one price model and its history."),
        "promote": CommandEntry("models", "promote", "Make a price model the current one."),
        "rollback": CommandEntry("models", "rollback", "Go back to the price model before."),
    },
    "Values": {
        "value": CommandEntry("models", "value", "Value a stock list by a store of price models."),
        "value-over-http": CommandEntry("service", "value", "Value a stock list by a running service."),
    },
    "Service": {
        "serve": CommandEntry("service", "serve", "Serve values over HTTP."),
        "check": CommandEntry("service", "check", "Say what is wrong with an installation."),
        "settings": CommandEntry("service", "settings", "List every setting."),
        "migrate": CommandEntry("service", "migrate", "Bring the database to the newest revision."),
        "prune": CommandEntry("service", "prune", "Delete from the database what has outlived its time."),
        "keys": CommandEntry("service", "keys", "Create, list, rotate and revoke keys."),
        "mail": CommandEntry("service", "mail", "Send e-mails that are due, and list them."),
        "desk": CommandEntry("service", "desk", "Say who may sign in at the specialist's desk."),
        "audit": CommandEntry("service", "audit", "List who did what to keys and price models."),
        "backup": CommandEntry("service", "backup", "Write the database and its price models to a file."),
        "restore": CommandEntry("service", "restore", "Bring back what such a file holds."),
    },
}
ENTRIES = {name: entry for section in SECTIONS.values() for name, entry in section.items()}


class _Rooms(OneLineErrors):
    """The commands of the table, each imported when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(ENTRIES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in ENTRIES:
            return None
        entry = ENTRIES[cmd_name]
        group: click.Group = importlib.import_module(f"{entry.room}.cli").main
        return group.get_command(ctx, entry.name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, section in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(name, entry.line) for name, entry in section.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        names = [name for name in ENTRIES if name.startswith(incomplete)]
        items = [CompletionItem(name, help=ENTRIES[name].line) for name in names]
        return [*items, *click.Command.shell_complete(self, ctx, incomplete)]


@click.group(cls=_Rooms, epilog="`bookmatch COMMAND --help` explains a command and shows an example.")
@click.version_option(package_name="bookmatch", message="%(version)s")
def main() -> None:
    """Values of collectible electric guitars: fit price models, value instruments, serve over HTTP."""
