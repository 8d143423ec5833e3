"""`bookmatch` has every command of the rooms, each with an example that can be typed, and helps at once."""

from __future__ import annotations

import importlib
import json
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from bookmatch.cli import ENTRIES, main

ROOT = Path(__file__).parents[2]
ROOMS = ("models", "service", "training")
FILES = ("catalogue.toml", "evidence.csv", "key.txt", "later-sales.csv", "my-practice.toml", "stock.csv")
_HELP_LOADS = """
import json, sys
before = set(sys.modules)
from bookmatch.cli import main
try:
    main(["--help"])
except SystemExit:
    pass
new = {name.split(".")[0] for name in set(sys.modules) - before}
print(json.dumps(sorted(new - set(sys.stdlib_module_names))))
"""


def commands() -> Iterator[tuple[str, click.Command]]:
    """Every command of `bookmatch` with the words that call it."""
    context = click.Context(main)
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from ((f"{name} {below}", one) for below, one in command.commands.items())
        else:
            yield name, command


def shown_examples() -> list[tuple[str, click.Command, str]]:
    return [
        (name, command, line.strip())
        for name, command in commands()
        for line in (command.epilog or "").splitlines()[2:]
    ]


def test_no_command_of_a_room_is_missing() -> None:
    own = {
        (room, name)
        for room in ROOMS
        for name in importlib.import_module(f"{room}.cli").main.list_commands(click.Context(main))
    }
    assert own == {(entry.room, entry.name) for entry in ENTRIES.values()}


def test_every_command_shows_an_example() -> None:
    named = {name for name, _, _ in shown_examples()}
    assert named == {name for name, _ in commands()} and len(named) > 20


@pytest.mark.parametrize(("name", "command", "line"), shown_examples())
def test_every_example_can_be_typed(
    name: str, command: click.Command, line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its options exist and its values are taken; what it would do is not done."""
    monkeypatch.chdir(tmp_path)
    Path("store").mkdir()
    for file in FILES:
        Path(file).write_text("text")
    words = shlex.split(line)
    while "=" in words[0]:
        monkeypatch.setenv(*words.pop(0).split("=", 1))
    path = ["bookmatch", *name.split()]
    assert words[: len(path)] == path
    with command.make_context(name, words[len(path) :]) as context:
        assert context.params is not None


def test_an_example_with_an_option_that_is_gone_is_seen() -> None:
    context = click.Context(main)
    command = main.get_command(context, "list")
    assert command is not None
    with pytest.raises(click.UsageError):
        command.make_context("list", ["--shop", "store"])


def named_in_prose() -> list[tuple[str, str]]:
    """The commands that documents name inside a sentence, where placeholders stand for files and versions."""
    pages = [*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")]
    named = r"`((?:python -m (?:models|training|service)|bookmatch) [^`]+)`"
    return [
        (page.name, text) for page in sorted(pages) for text in re.findall(named, page.read_text("utf-8"))
    ]


def not_there(text: str) -> set[str]:
    """The words of a command line that are no command and no option."""
    words = shlex.split(text.replace("…", "x"))
    command: click.Command = main
    if words[0] == "python":
        command = importlib.import_module(f"{words[2]}.cli").main
        words = words[2:]
    while isinstance(command, click.Group) and words[1] != "COMMAND" and not words[1].startswith("--"):
        words = words[1:]
        below = command.get_command(click.Context(command), words[0])
        if below is None:
            return {words[0]}
        command = below
    known = {option for parameter in command.get_params(click.Context(command)) for option in parameter.opts}
    return {word for word in words if word.startswith("--")} - known


@pytest.mark.parametrize(("page", "text"), named_in_prose())
def test_every_command_that_is_named_in_prose_exists_with_its_options(page: str, text: str) -> None:
    assert not_there(text) == set(), page


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("bookmatch fitt EVIDENCE", "fitt"),
        ("bookmatch keys rotat KEY_ID", "rotat"),
        ("python -m models list --shop STORE", "--shop"),
    ],
)
def test_a_command_or_an_option_that_is_gone_is_seen(text: str, missing: str) -> None:
    assert not_there(text) == {missing}


def test_the_list_of_commands_loads_only_click() -> None:
    done = subprocess.run(
        [sys.executable, "-c", _HELP_LOADS], cwd=ROOT, capture_output=True, text=True, check=True
    )
    *lines, loaded = done.stdout.splitlines()
    assert set(json.loads(loaded)) == {"bookmatch", "click", "models"}
    assert {line.split()[0] for line in lines if line.startswith("  ")} >= set(ENTRIES)


def test_help_shows_options_and_example() -> None:
    said = CliRunner().invoke(main, ["fit", "--help"], prog_name="bookmatch")
    assert said.exit_code == 0
    assert "Usage: bookmatch fit [OPTIONS] EVIDENCE" in said.stdout and "--catalogue FILE" in said.stdout
    assert "  bookmatch fit evidence.csv --catalogue catalogue.toml --store store --promote\n" in said.stdout


def test_both_commands_that_value_are_called_by_their_own_names() -> None:
    for name, option in (("value", "--store"), ("value-over-http", "--url")):
        said = CliRunner().invoke(main, [name, "--help"], prog_name="bookmatch")
        assert f"Usage: bookmatch {name} " in said.stdout and option in said.stdout


@pytest.mark.parametrize("words", [["fitt"], ["fit"], ["keys", "creat"], ["list", "--store", "nowhere"]])
def test_wrong_use_is_told_in_one_line(words: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "bookmatch", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("Error: ") and done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("typed", "completed"),
    [
        ("bookmatch back", {"backtest", "backup"}),
        ("bookmatch keys re", {"revoke"}),
        ("bookmatch list --st", {"--store"}),
    ],
)
def test_the_shell_completes_what_is_typed(typed: str, completed: set[str]) -> None:
    words = typed.split()
    env = {**os.environ, "_BOOKMATCH_COMPLETE": "bash_complete", "COMP_WORDS": typed}
    done = subprocess.run(
        [sys.executable, "-c", "from bookmatch.cli import main; main(prog_name='bookmatch')"],
        cwd=ROOT,
        env={**env, "COMP_CWORD": str(len(words) - 1)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert {line.partition(",")[2] for line in done.stdout.split()} == completed, done.stderr
