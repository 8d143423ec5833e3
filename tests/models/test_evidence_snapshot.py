"""The evidence in a bundle: the same records come back, without what is private."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

from fakes import CATALOGUE, RATES, FakePriceModel

from models.bundles.bundle import read_bundle, write_bundle
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EVIDENCE, NO_EVIDENCE, EvidenceSnapshot
from models.domain.instrument import Instrument


def record(id: str, day: date, **fields: object) -> Evidence:
    it = Instrument("Ostvik", "Fjell 2", **fields)  # type: ignore[arg-type]
    return Evidence(id, "sale", day, Decimal("1200.50"), "EUR", "dealer", "a named buyer", it)


ROWS = (
    record("b", date(2024, 5, 1), serial="A 17", year=1961, condition_neck=2.5, provenance_paperwork=False),
    record("a", date(2024, 5, 1), edition="Solverv", edition_number=7, finish="Tarn"),
    record("c", date(2019, 1, 31), serial="a17", originality_pickups="modern"),
)


def test_what_goes_in_comes_out_in_order_of_day_and_id() -> None:
    kept = EvidenceSnapshot.from_bytes(EvidenceSnapshot.of(ROWS).to_bytes())
    assert [e.id for e in kept.evidence(range(len(kept)))] == ["c", "a", "b"]
    expected = {e.id: replace(e, source="", instrument=e.instrument.but(serial=None)) for e in ROWS}
    assert {e.id: e for e in kept.evidence(range(3))} == expected


def test_neither_source_nor_serial_can_be_read_out_of_it() -> None:
    kept = EvidenceSnapshot.of(ROWS)
    words = [word for column in kept.words.values() for word in column]
    assert "a named buyer" not in words
    assert not any(word in ("A 17", "a17") for word in words)


def test_two_records_of_one_specimen_are_found_whatever_the_case_and_spaces() -> None:
    kept = EvidenceSnapshot.of(ROWS)
    found = kept.of_specimen(Instrument("OSTVIK", "fjell 2", serial=" A17"))
    assert [e.id for e in kept.evidence(found)] == ["c", "b"]
    assert len(kept.of_specimen(Instrument("Ostvik", "Dal", serial="A17"))) == 0
    assert len(kept.of_specimen(Instrument("Ostvik", "Fjell 2"))) == 0  # no serial is not the same serial


def test_a_bundle_without_evidence_has_none_and_one_with_it_has_it(tmp_path) -> None:
    for extra, count in (({}, 0), ({EVIDENCE: EvidenceSnapshot.of(ROWS).to_bytes()}, 3)):
        version = write_bundle(tmp_path, FakePriceModel(), CATALOGUE, RATES, {}, extra)
        bundle = read_bundle(
            tmp_path / "bundles" / version, read_model=lambda files, catalogue: FakePriceModel()
        )
        assert len(bundle.valuer.snapshot) == count


def test_nothing_kept_answers_every_question_with_nothing() -> None:
    assert len(NO_EVIDENCE.of_model("Ostvik", "Dal")) == 0
    assert len(EvidenceSnapshot.from_bytes(NO_EVIDENCE.to_bytes())) == 0
