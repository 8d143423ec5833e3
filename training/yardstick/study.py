"""The command of a study: markets of fresh seeds, fitted side by side, whose figures a file keeps."""

import hashlib
import json
import os
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, ClassVar, Protocol, TypeVar

import click
from joblib import Parallel, cpu_count, delayed
from tqdm import tqdm

from models.commands.console import NEW_FILE, OneLineErrors
from models.errors import BookmatchError


class StudyFigures(Protocol):
    """The figures of one fit or market; `key`: what it was asked for by."""

    __dataclass_fields__: ClassVar[dict[str, Any]]

    @property
    def key(self) -> tuple[Hashable, ...]: ...


F = TypeVar("F", bound=StudyFigures)


_ROOT = Path(__file__).resolve().parents[2]
# The figures come of these; what only prints them is not among them.
_SOURCES = ("models", "training/demo", "training/fit")
_SUFFIXES = (".py", ".toml")
_PRINTING = ("__main__.py", "table.py")


class OtherCodeError(BookmatchError):
    """The file has figures of another state of the code."""


def code_hash(root: Path = _ROOT, *, studies: Sequence[str]) -> str:
    """The hash of the code that figures come of: figures of two states of it belong in no one table.

    `studies`: the folders of the study itself, whose printing does not count.
    """
    own = {root / study for study in studies}
    folders = [root / source for source in (*_SOURCES, *studies)]
    paths = sorted(path for folder in folders for path in folder.rglob("*") if path.suffix in _SUFFIXES)
    found = hashlib.sha256()
    for path in paths:
        if path.parent not in own or path.name not in _PRINTING:
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def read(path: Path, code: str) -> list[dict[str, Any]]:
    """The markets in the file as JSON has them; none where there is no file. Raises OtherCodeError."""
    if not path.exists():
        return []
    kept: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    if kept["code"] != code:
        raise OtherCodeError(
            f"{path} has figures of another state of the code: move it, or name another file"
        )
    return list(kept["markets"])


def write(path: Path, code: str, markets: Sequence[StudyFigures]) -> None:
    """Write the file whole, and put it in the place of the one before at once."""
    text = json.dumps({"code": code, "markets": [asdict(market) for market in markets]}, indent=1)
    beside = path.with_name(path.name + ".part")
    beside.write_text(text + "\n", encoding="utf-8")
    os.replace(beside, path)


def study_command(
    kinds: Mapping[str, Any], seeds: int, first: int
) -> Callable[[Callable[..., None]], click.Group]:
    """Make the command of a study, with the options that every study has and these defaults."""
    decorators = (
        click.group(cls=OneLineErrors, invoke_without_command=True),
        click.option(
            "--kind", "kinds", multiple=True, type=click.Choice(tuple(kinds)), help="May be repeated."
        ),
        click.option(
            "--seeds", type=click.IntRange(1), default=seeds, show_default=True, help="Markets of each kind."
        ),
        click.option("--first", type=click.IntRange(0), default=first, show_default=True, help="First seed."),
        click.option("--jobs", type=click.IntRange(1), default=cpu_count(), show_default=True),
        click.option(
            "--json",
            "out",
            type=NEW_FILE,
            help="Keep each market's figures there, and begin with those that are there.",
        ),
    )

    def decorate(command: Any) -> Any:
        for decorator in reversed(decorators):
            command = decorator(command)
        return command

    return decorate


def run(
    wanted: Sequence[tuple[Any, ...]],
    measure: Callable[..., F],
    from_row: Callable[[Mapping[str, Any]], F],
    line: Callable[[F], str],
    out: Path | None,
    jobs: int,
    studies: Sequence[str],
) -> list[F]:
    """The figures of all that is wanted, in that order: those that the file `out` has, the others measured.

    `measure` takes the members of what is wanted; `line` says one result; `studies`: see `code_hash`.
    """
    code = code_hash(studies=studies)
    rows = read(out, code) if out is not None else []
    done = {found.key: found for found in map(from_row, rows)}
    missing = [one for one in wanted if one not in done]
    fits = Parallel(n_jobs=jobs, return_as="generator_unordered")(delayed(measure)(*one) for one in missing)
    for found in tqdm(fits, total=len(missing), unit="fit", disable=None):
        tqdm.write(line(found))
        done[found.key] = found
        if out is not None:
            write(out, code, list(done.values()))
    return [done[one] for one in wanted]
