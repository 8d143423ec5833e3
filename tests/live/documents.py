"""The commands that a document shows, run in their order, and their outputs beside what it shows.

Each command runs in a shell that has done no more than the lines above it. A block that ends with a server's
command keeps its shell, and the lines below it run in a new one, as in a second terminal.

An HTML comment above a block says what it is. `file: NAME` is saved under that name; `row of NAME` takes the
place of the row with the same id, and `rule of NAME` that of the rule with the same name. Of an output that
is shortened, `lines that begin with: …`, `the first N lines` or `members: …` says what is kept: members are
named by their path, and `name[:2]` keeps the first two of a list.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import sys
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from typing import Any, NamedTuple

import httpx
from likeness import differences
from terminals import Ready, Shell, stop

ROOT = Path(__file__).parents[2]
LINKED = ("Makefile", "bookmatch", "examples", "models", "service", "training")
LOCKS = ("requirements.lock", "requirements-dev.lock", "pyproject.toml")
BLOCK = re.compile(r"(?:<!-- (?P<note>[^>]+?) -->\n)?```(?P<kind>\w+)\n(?P<text>.*?)```\n", re.DOTALL)
FILES = ("file: ", "row of ", "rule of ")
OUTPUTS = ("text", "json", "csv", "xml")
SERVERS = ("make serve", "bookmatch serve")
ANY_VERSION = "20260630T120000000Z-1a2b3c4d"  # stands in a document for every price model
VERSION = re.compile(r"\d{8}T\d{9}Z-[0-9a-f]{8}")
# What differs from one run to the next, and what stands for it in a document.
VOLATILE = (
    (VERSION, ANY_VERSION),
    (re.compile(r"\b([a-z]{2,4})_[0-9a-v]{26}\b"), r"\1_0123456789abcdefghijklmnop"),
    (re.compile(r"\b(bm[a-z]*)_[\w-]{40,}"), r"\1_…"),
    (re.compile(r"(?<![\w.])[0-9a-f]{12}(?![\w.])"), "0123456789ab"),  # the id of a key
    (re.compile(r"(?<![\w.])[0-9a-f]{16}(?![\w.])"), "0123456789abcdef"),  # the id of a request
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)"), "2026-06-30T12:00:00Z"),
)


class Block(NamedTuple):
    note: str
    kind: str
    text: str
    start: int
    end: int

    @property
    def is_file(self) -> bool:
        return self.note.startswith(FILES)

    @property
    def is_output(self) -> bool:
        return self.kind in OUTPUTS and not self.is_file


class Step(NamedTuple):
    """A block of commands; the block of its output, if the document shows one; and what it printed of it."""

    command: str
    output: Block | None
    said: str


def blocks(text: str) -> list[Block]:
    found = [Block(m["note"] or "", m["kind"], m["text"], *m.span("text")) for m in BLOCK.finditer(text)]
    assert text.count("```") == 2 * len(found), "a block of the document was not understood"
    return found


class Project:
    """A copy of the project in which a document is walked: its own `var`, and a port that is free."""

    def __init__(self, around: Path) -> None:
        self.folder, self.home = around / "bookmatch", around / "home"
        self.folder.mkdir()
        self.home.mkdir()
        for name in LINKED:
            (self.folder / name).symlink_to(ROOT / name)
        (self.folder / ".venv").symlink_to(sys.prefix)
        assert Path(sys.prefix, "bin", "bookmatch").exists(), "the project is not installed: run `make env`"
        for name in LOCKS:  # older than the environment, so that make has nothing to install
            shutil.copy(ROOT / name, self.folder)
            os.utime(self.folder / name, (0, 0))
        shutil.copytree(ROOT / "tools", self.folder / "tools")
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._bind = f"127.0.0.1:{probe.getsockname()[1]}"

    def walked(self, document: Path) -> list[Step]:
        """Run the document; write it anew with the outputs where EXAMPLES=write says so."""
        env = {
            "PATH": os.environ["PATH"],
            "HOME": str(self.home),
            "LANG": "C.UTF-8",
            "COLUMNS": "300",
            "PYTHONPATH": str(ROOT),  # the code of this folder, wherever the environment was installed from
            "BOOKMATCH_BIND": self._bind,
        }
        return walked(document, self.folder, env, self._ready)

    def _ready(self) -> bool:
        try:
            return httpx.get(f"http://{self._bind}/readyz", timeout=5).status_code == 200
        except httpx.TransportError:
            return False


def walked(document: Path, folder: Path, env: dict[str, str], ready: Ready) -> list[Step]:
    """Run the document from this folder; write it anew with the outputs where EXAMPLES=write says so."""
    text = document.read_text(encoding="utf-8")
    steps = list(walk(blocks(text), folder, env, ready))
    if os.environ.get("EXAMPLES") == "write":
        for _, output, said in reversed(steps):
            if output is not None:
                text = text[: output.start] + said + text[output.end :]
        document.write_text(text, encoding="utf-8")
    return steps


def differing(steps: list[Step]) -> dict[str, list[str]]:
    """The commands that print something else than their document shows, with what differs."""
    found = {
        s.command: differences(s.output.kind, s.output.text, s.said) for s in steps if s.output is not None
    }
    return {command: lines for command, lines in found.items() if lines}


def walk(found: list[Block], folder: Path, env: dict[str, str], ready: Ready) -> Iterator[Step]:
    """Run the blocks. `ready`: whether the server answers that a block has started."""
    shells = [Shell(folder, env)]
    try:
        for block, after in zip_longest(found, found[1:]):
            if block.is_file:
                edit(shells[-1].folder, block)
            elif block.kind == "sh" and block.text.splitlines()[-1].startswith(SERVERS):
                stop(shells[:-1], ready)
                shells[-1].serve(block.text, ready)
                shells = [shells[-1], Shell(folder, env)]
            elif block.kind == "sh":
                output = after if after is not None and after.is_output else None
                said, code = shells[-1].run(block.text)
                assert code == 0 or (output is not None and "Error:" in output.text), f"{block.text}{said}"
                yield Step(block.text, output, chosen(masked(said, folder), output))
    finally:
        stop(shells, ready)


def edit(folder: Path, block: Block) -> None:
    what, _, name = block.note.rpartition(" ")
    file = folder / name
    old = "" if what == "file:" else file.read_text(encoding="utf-8")
    file.write_text(block.text if what == "file:" else replaced(old, block.text, what), encoding="utf-8")


def replaced(text: str, new: str, what: str) -> str:
    """The text with the new row or rule in place of the one that it corrects."""
    if what == "row of":
        old = re.compile(rf"^{re.escape(new.partition(',')[0])},.*\n", re.MULTILINE)
    else:
        name = re.search(r'^name = ".+"$', new, re.MULTILINE)
        assert name is not None
        old = re.compile(rf"^\[\[rule\]\]\n{re.escape(name[0])}\n(?:.+\n)*", re.MULTILINE)
    assert len(old.findall(text)) == 1
    return old.sub(lambda _: new, text)


# ── what is shown of an output ───────────────────────────────────────────────


def masked(said: str, folder: Path) -> str:
    """The output without what differs from one run to the next."""
    text = re.sub(r"127\.0\.0\.1:\d+", "127.0.0.1:8000", said.replace(str(folder), "~/bookmatch"))
    for pattern, stand_in in VOLATILE:
        text = pattern.sub(stand_in, text)
    return text


def chosen(said: str, output: Block | None) -> str:
    """Pick the part of an output that the document shows, by the comment above it."""
    if output is None:
        return said
    head, _, rest = output.note.partition(": ")
    if output.kind == "json":
        value = json.loads(said)
        return written(picked(value, tree(rest)) if head == "members" else value) + "\n"
    lines = said.splitlines(keepends=True)
    if head == "lines that begin with":
        lines = [line for line in lines if line.strip().startswith(tuple(rest.split(", ")))]
    elif first := re.fullmatch(r"the first (\d+) lines", head):
        lines = lines[: int(first[1])]
    return "".join(lines)


Tree = dict[str, Any]


def tree(paths: str) -> Tree:
    """Paths such as `value, sales[:1].price`, as nested dictionaries."""
    found: Tree = {}
    for path in paths.replace("\n", " ").split(","):
        below = found
        for name in path.strip().split("."):
            below = below.setdefault(name, {})
    return found


def picked(value: Any, names: Tree) -> Any:
    """The members that these paths lead to, in their order; of a list, those of each item."""
    if not names:
        return value
    if isinstance(value, list):
        return [picked(item, names) for item in value]
    found = {}
    for name, below in names.items():
        plain, _, most = name.rstrip("]").partition("[:")
        item = value[plain]
        found[plain] = picked(item[: int(most)] if most else item, below)
    return found


def written(value: Any, indent: str = "") -> str:
    """JSON with what fits on a line on one line."""
    flat = json.dumps(value, ensure_ascii=False)
    if len(indent) + len(flat) <= 110 or not isinstance(value, dict | list):
        return flat
    inner = indent + "  "
    if isinstance(value, dict):
        rows = [f"{inner}{json.dumps(name)}: {written(member, inner)}" for name, member in value.items()]
    else:
        rows = [f"{inner}{written(item, inner)}" for item in value]
    start, end = ("[", "]") if isinstance(value, list) else ("{", "}")
    return f"{start}\n" + ",\n".join(rows) + f"\n{indent}{end}"
