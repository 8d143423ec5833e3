"""Every command that README.md and docs/ show runs as it is written, and prints what is shown below it.

EXAMPLES=write in the environment (`make examples`) writes the outputs anew instead.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from documents import FILES, ROOT, Block, Project, Step, blocks, chosen, differing, masked
from likeness import differences

OWN = ("first-dozen.md",)  # `test_first_dozen.py` walks it, without a service
DOCUMENTS = [
    "README.md",
    *(f"docs/{p.name}" for p in sorted((ROOT / "docs").glob("*.md")) if p.name not in OWN),
]
NOTES = (*FILES, "lines that begin with: ", "the first ", "members: ")


@pytest.fixture(params=DOCUMENTS)
def document(request: pytest.FixtureRequest) -> Path:
    return ROOT / str(request.param)


@pytest.fixture
def steps(document: Path, served_project: Project) -> list[Step]:
    return served_project.walked(document)


def test_a_document_runs_as_it_is_written(document: Path, steps: list[Step]) -> None:
    assert steps, f"{document.name} shows no command"
    assert differing(steps) == {}
    assert not any("Traceback" in step.said for step in steps)


def test_every_output_stands_below_a_command_and_every_comment_is_known(document: Path) -> None:
    """Else an output would be shown that no test compares with anything."""
    before = ""
    for block in blocks(document.read_text(encoding="utf-8")):
        assert not block.note or block.note.startswith(NOTES), block.note
        assert block.is_file or block.kind == "sh" or (block.is_output and before == "sh"), block.text
        before = "" if block.is_file else block.kind


# ── the walk itself ──────────────────────────────────────────────────────────


def output(note: str, kind: str) -> Block:
    return Block(note, kind, "", 0, 0)


def test_members_are_kept_in_the_order_in_which_they_are_named() -> None:
    said = '{"a": {"b": 1, "c": 2}, "d": [{"e": 3, "f": 4}, {"e": 5, "f": 6}, {"e": 7, "f": 8}], "g": 9}'
    shown = chosen(said, output("members: g, d[:2].f,\na.c", "json"))
    assert shown == '{"g": 9, "d": [{"f": 4}, {"f": 6}], "a": {"c": 2}}\n'


def test_a_member_that_is_gone_is_an_error() -> None:
    with pytest.raises(KeyError):
        chosen('{"a": 1}', output("members: b", "json"))


def test_lines_are_kept_by_their_number_or_by_how_they_begin() -> None:
    assert chosen("a\nb\nc\n", output("the first 2 lines", "csv")) == "a\nb\n"
    assert chosen("a\n  b\nc\n", output("lines that begin with: b, c", "text")) == "  b\nc\n"


def test_ids_moments_and_ports_are_masked_and_nothing_else(tmp_path: Path) -> None:
    said = "at 127.0.0.1:43210, 2026-01-02T03:04:05.678Z, 20251231T235959999Z-ffffffff, $1,200"
    shown = "at 127.0.0.1:8000, 2026-06-30T12:00:00Z, 20260630T120000000Z-1a2b3c4d, $1,200"
    assert masked(said, tmp_path) == shown
    said = '"key": "52326a91e3b5", "chance": 0.1299408714171566, "at": 0.129940871417'
    assert masked(said, tmp_path) == said.replace("52326a91e3b5", "0123456789ab")


@pytest.mark.parametrize(
    ("kind", "shown", "said"),
    [
        ("text", "Value: $1,200", "Value: $1,230"),
        ("text", "−5.3%", "+5.3%"),
        ("text", "one\ntwo", "one"),
        ("csv", "a,1.00", "b,1.00"),
        ("json", '{"a": "1000.00"}', '{"a": "1015.00"}'),
        ("json", '{"a": 1}', '{"b": 1}'),
        ("json", '["2025-08-30"]', '["2025-08-29"]'),
        ("json", "[1, 1]", "[1]"),
        ("json", "1", "1.0"),
        ("json", '"+2.7%, +$72."', '"−2.7%, −$72."'),
    ],
)
def test_what_differs_is_seen(kind: str, shown: str, said: str) -> None:
    assert differences(kind, shown, said)
    assert not differences(kind, shown, shown)


@pytest.mark.parametrize(
    ("kind", "shown", "said"),
    [("text", "0.50  $1,200\n", "0.51     $1,201\n"), ("json", '{"a": "100.00"}', '{"a":  "100.50"}')],
)
def test_what_rounding_moves_is_no_difference(kind: str, shown: str, said: str) -> None:
    assert not differences(kind, shown, said)
