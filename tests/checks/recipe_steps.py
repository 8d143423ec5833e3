"""A step of the recipe for a new field: texts that are put into one file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple


class Step(NamedTuple):
    """One step in one file: each text is put in behind the only place where `after` stands."""

    number: int
    file: str
    edits: tuple[tuple[str, str], ...]

    def done_in(self, folder: Path) -> None:
        path = folder / self.file
        text = path.read_text(encoding="utf-8")
        for after, more in self.edits:
            assert text.count(after) == 1, f"step {self.number}: {after!r} stands not once in {self.file}"
            text = text.replace(after, after + more)
        path.write_text(text, encoding="utf-8")


class NewField(NamedTuple):
    """An invented field. `effects`: answer → log effect that the market of the test pays for it.

    `typical`: the answer that the reference instrument has. `words`: what explanations say of the answers;
    `how`: how an owner finds the answer out.
    """

    path: str
    family: str
    effects: Mapping[str | float, float]
    typical: str | float
    words: Sequence[str]
    how: str
    steps: Sequence[Step]


def step(number: int, file: str, *texts: str) -> Step:
    """`texts`: where the first edit goes, and its text; where the second goes, and so on."""
    return Step(number, file, tuple(zip(texts[::2], texts[1::2], strict=True)))


# The rule of practice that the new ones stand behind.
LIGHT = """against = { weight_kg = 3.8 }
low = 1.0
high = 1.07
as_if_sales = 3
source = "common practice"
"""


def rules(flat: str, usual: str | int, *others: tuple[str | int, float]) -> str:
    """A rule for each other answer, with the low end of its share of the price with the usual one."""
    return "".join(
        f"""
[[rule]]
name = "{flat}_{answer}"
says = "A rule of the test."
of = {{ {flat} = {json.dumps(answer)} }}
against = {{ {flat} = {json.dumps(usual)} }}
low = {low}
high = {low + 0.01:.2f}
as_if_sales = 4
source = "common practice"
"""
        for answer, low in others
    )
