"""Rows one by one: taken or refused with their lines, whichever form they come in."""

from __future__ import annotations

import json
from typing import Any

from fakes import CATALOGUE, RATES
from one_record import DAL, TODAY

from models.domain.evidence import EVIDENCE_COLUMNS, REQUIRED_COLUMNS
from models.tables.intake import AcceptedRow, Intake, Refusal
from models.tables.table import read_table


def lines(*rows: Any) -> list[AcceptedRow | Refusal]:
    texts = [row if isinstance(row, bytes) else json.dumps(row).encode() for row in rows]
    return list(Intake(CATALOGUE, RATES, TODAY).lines(text + b"\n" for text in texts))


def test_each_line_is_taken_or_refused_and_blank_ones_are_passed_over() -> None:
    first, second, third = lines(DAL, b"  ", {**DAL, "id": "S-2", "kind": "x"}, {**DAL, "id": "S-3"})
    assert isinstance(first, AcceptedRow) and isinstance(third, AcceptedRow)
    assert (first.line, first.evidence.id, third.line) == (1, "S-1", 4)
    assert isinstance(second, Refusal)
    assert (second.line, second.id, second.again) == (3, "S-2", False)
    assert [fault.field for fault in second.faults] == ["kind"]


def test_a_second_row_with_an_id_is_refused_even_if_the_first_was() -> None:
    bad, again, both = lines({**DAL, "price": 0}, DAL, {**DAL, "kind": "x"})
    assert isinstance(bad, Refusal) and not bad.again
    assert isinstance(again, Refusal) and again.again
    assert again.faults[0].problem == "stands already on line 1"
    assert isinstance(both, Refusal) and not both.again
    assert [fault.field for fault in both.faults] == ["id", "kind"]


def test_what_is_not_json_is_refused_and_the_next_line_is_read() -> None:
    bad, twice, array, invalid, good = lines(b"{", b'{"id": "a", "id": "b"}', b"[1]", b"\xff", DAL)
    for refusal, problem in ((bad, "is not JSON"), (twice, "'id' stands twice"), (invalid, "is not JSON")):
        assert isinstance(refusal, Refusal)
        assert problem in refusal.faults[0].problem and refusal.faults[0].field == "row"
    assert isinstance(array, Refusal) and array.faults[0].problem == "is not an object"
    assert isinstance(good, AcceptedRow)


def test_csv_and_json_of_the_same_records_give_the_same() -> None:
    nested = [{**DAL, "id": f"S-{n}", "price": f"{n}00"} for n in range(4)]
    taken = [one.evidence for one in lines(*nested) if isinstance(one, AcceptedRow)]
    text = [",".join(EVIDENCE_COLUMNS), *(",".join(e.to_flat().values()) for e in taken)]
    table = read_table((f"{line}\n".encode() for line in text), EVIDENCE_COLUMNS, REQUIRED_COLUMNS)
    found = list(Intake(CATALOGUE, RATES, TODAY).rows(table.rows))
    assert [one.evidence for one in found if isinstance(one, AcceptedRow)] == taken
    assert [one.line for one in found] == [2, 3, 4]
    assert len(taken) == 3  # of a price of 0 there is none
