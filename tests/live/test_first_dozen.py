"""The beginner's walk in `docs/first-dozen.md` goes as it is written there, from an empty folder on.

Every file and every command is taken from the document, in its order. The output of a command is compared
with what the document shows below it; EXAMPLES=write in the environment (`make examples`) writes that anew.

Comments in the document say what a block is: `file: NAME` is saved under that name; `row of NAME` takes the
place of the row with the same id, and `rule of NAME` that of the rule with the same name, as a person would
edit them; `lines that begin with: …` leaves out the other lines of an output.
"""

from __future__ import annotations

import math
import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from models.domain.evidence import EVIDENCE_COLUMNS
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, KIND_NAMES, Kind

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "docs" / "first-dozen.md"
BLOCK = re.compile(r"(?:<!-- (?P<note>.+?) -->\n)?```(?P<kind>\w+)\n(?P<text>.*?)```\n", re.DOTALL)
VERSION = re.compile(r"\d{8}T\d{9}Z-[0-9a-f]{8}")
ANY_VERSION = "20240415T090000000Z-1a2b3c4d"  # stands in the document for every one
FIGURE = re.compile(r"\d[\d,]*(?:\.\d+)?")
GAPS = re.compile(r" {2,}|-{3,}")  # the columns of a table are as wide as its figures
CLOSE = 0.01


class Block(NamedTuple):
    note: str
    kind: str
    text: str
    start: int
    end: int


class Step(NamedTuple):
    """A command with its output as the document shows it and as it was."""

    command: str
    shown: str
    said: str


def blocks(text: str) -> list[Block]:
    found = [Block(m["note"] or "", m["kind"], m["text"], *m.span("text")) for m in BLOCK.finditer(text)]
    assert text.count("```") == 2 * len(found), "a block of the document was not understood"
    return found


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> list[Step]:
    text = DOCUMENT.read_text(encoding="utf-8")
    walked = list(walk(blocks(text), tmp_path_factory.mktemp("home")))
    if os.environ.get("EXAMPLES") == "write":
        for block, step in reversed(walked):
            if block is not None:
                text = text[: block.start] + step.said + text[block.end :]
        DOCUMENT.write_text(text, encoding="utf-8")
    return [step for _, step in walked]


def walk(found: list[Block], home: Path) -> Iterator[tuple[Block | None, Step]]:
    """Each command with the block of its output, None where the document shows none."""
    env, beginning, *rest = found
    assert (env.text, beginning.kind) == ("make env\n", "sh")  # the environment of these very tests
    run(beginning.text, home)
    (folder,) = home.iterdir()
    assert list(folder.iterdir()) == []
    for block, after in zip(rest, [*rest[1:], None], strict=True):
        if block.note:
            edit(folder, block)
        elif block.kind == "sh":
            output = after if after is not None and after.kind == "text" else None
            said = VERSION.sub(ANY_VERSION, run(beginning.text + block.text, home))
            if output is not None:
                said = chosen(said, output.note)
            yield output, Step(block.text, output.text if output else "", said)


def run(commands: str, home: Path) -> str:
    """Run the commands in the folder of Bookmatch, as in a terminal; give all that they print."""
    env = {"HOME": str(home), "PATH": os.environ["PATH"], "LANG": "C.UTF-8", "COLUMNS": "300"}
    done = subprocess.run(
        ["bash", "-c", commands],
        cwd=ROOT,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=300,
        check=False,
    )
    return done.stdout


def edit(folder: Path, block: Block) -> None:
    what, _, name = block.note.rpartition(" ")
    if what == "file:":
        (folder / name).write_text(block.text, encoding="utf-8")
    elif what in ("row of", "rule of"):
        file = folder / name
        file.write_text(replaced(file.read_text(encoding="utf-8"), block.text, what), encoding="utf-8")


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


def chosen(output: str, note: str) -> str:
    """The lines of an output that the document shows, of those that begin as the note says."""
    head, _, starts = note.partition(": ")
    if head != "lines that begin with":
        return output
    wanted = tuple(starts.split(", "))
    return "".join(line for line in output.splitlines(keepends=True) if line.strip().startswith(wanted))


def differences(shown: str, said: str) -> list[str]:
    """List lines that differ, but for figures within a hundredth or within one of their last decimal."""
    one, other = ([normal(line) for line in text.splitlines()] for text in (shown, said))
    if len(one) != len(other):
        return [f"{len(one)} lines are shown, {len(other)} are said:\n{said}"]
    return [f"{a!r} is shown, {b!r} is said" for a, b in zip(one, other, strict=True) if not alike(a, b)]


def normal(line: str) -> str:
    return GAPS.sub("  ", VERSION.sub("VERSION", line)).rstrip()


def alike(one: str, other: str) -> bool:
    if FIGURE.sub("#", one) != FIGURE.sub("#", other):
        return False
    return all(near(a, b) for a, b in zip(FIGURE.findall(one), FIGURE.findall(other), strict=True))


def near(one: str, other: str) -> bool:
    last_digit = 10.0 ** -len(one.partition(".")[2])
    numbers = (float(text.replace(",", "")) for text in (one, other))
    return math.isclose(*numbers, rel_tol=CLOSE, abs_tol=1.001 * last_digit if "." in one else 0.5)


def test_the_walk_goes_as_the_document_says(steps: list[Step]) -> None:
    found = {step.command: differences(step.shown, step.said) for step in steps}
    assert {command: lines for command, lines in found.items() if lines} == {}


def test_the_walk_meets_what_the_document_promises(steps: list[Step]) -> None:
    """Whatever the figures are: one row is refused, and two models go live without force."""
    said = "".join(step.command + step.said for step in steps)
    assert "line 8 (id L07): date: '14.06.2023' is not an ISO 8601 day" in said
    assert said.count("The price model is provisional") == 2
    assert said.count("It is the current price model of store now.") == 2
    assert "common practice" in said and "the sales are too few to say" in said
    assert said.count("Error:") == 1  # that of the row
    assert "--force" not in said and "Traceback" not in said


def test_a_rule_that_is_changed_changes_the_value(steps: list[Step]) -> None:
    """A refinish that costs less leaves more: 0.65 to 0.75 of the price in place of 0.5 to 0.6."""
    values = [re.search(r"Value: \$([\d,]+)", step.said) for step in steps if "--words" in step.command]
    first, second = (int(value[1].replace(",", "")) for value in values if value is not None)
    assert second > 1.02 * first


def test_the_document_lists_every_column_with_its_words() -> None:
    """And no other: the table of columns is typed by hand."""
    table = DOCUMENT.read_text(encoding="utf-8").partition("## 10. All columns")[2]
    listed: dict[str, set[str]] = {}
    for names, words in re.findall(r"^\| (`.+?) \| .+? \| (.+?) \|$", table, re.MULTILINE):
        listed |= {name: set(re.findall(r"`(\w+)`", words)) for name in re.findall(r"`(\w+)`", names)}
    terms = {f.flat: set(f.names) if f.kind is Kind.TERM else set() for f in FIELDS}
    terms |= {"kind": set(KIND_NAMES), "channel": set(CHANNEL_NAMES)}
    assert listed == {**{name: set() for name in EVIDENCE_COLUMNS}, **terms}


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        ("Value: $1,200", "Value: $1,230"),
        ("a 0.50", "a 0.52"),
        ("−5.3%", "+5.3%"),
        ("2 of 7 sales", "3 of 7 sales"),
        ("one\ntwo", "one"),
        ("provisional", "earned"),
        ("L07", "L08"),
    ],
)
def test_an_output_that_differs_is_seen(shown: str, said: str) -> None:
    assert differences(shown, said)
    assert not differences(shown, shown)


def test_rounding_and_versions_are_no_difference() -> None:
    other = "20231231T235959999Z-ffffffff"
    assert not differences(f"{ANY_VERSION} 0.50  $1,200\n", f"{other} 0.51     $1,201\n")
