"""The questions to ask next: which fields they name, how far answers narrow, and which are likely."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import pytest
from fakes import CATALOGUE, RATES, FakePriceModel
from market_of_fakes import sold, subject, valuer

from models.domain.evidence_snapshot import NO_EVIDENCE, EvidenceSnapshot
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import BY_PATH
from models.insights.answers import likely_answers
from models.insights.questions import HOW, questions, widening
from models.price.interface import Estimate
from models.valuation.valuer import Valuer

MODEL = CATALOGUE.find("Ostvik", "Fjell 2")
HALF = {"condition.structure": 1.0, "condition.neck": 0.25, "figure": 0.5}  # what not knowing each adds


@dataclass(frozen=True)
class Widened(FakePriceModel):
    """The range is ± (1 + what each unknown field adds)."""

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        found = super().estimate(subjects, levels)
        half = [
            1 + math.fsum(add for path, add in HALF.items() if s.instrument.get(BY_PATH[path]) is None)
            for s in subjects
        ]
        ends = np.outer(half, np.ones(len(levels)))
        return replace(found, low=found.center[:, None] - ends, high=found.center[:, None] + ends)


ROWS = [
    *(sold(f"a{k}", "2000", condition_structure="sound", condition_neck=float(k % 3)) for k in range(8)),
    *(sold(f"b{k}", "2000", condition_structure="repaired_headstock", figure=2.0) for k in range(2)),
    sold("dal", "500", model="Dal", condition_structure="open_crack"),
]
WIDENED = Valuer(Widened(), CATALOGUE, RATES, "v1", EvidenceSnapshot.of(ROWS))


def test_the_fields_that_narrow_most_are_named_in_order_with_their_share() -> None:
    found = questions(WIDENED, subject(), count=3)
    assert [q.field for q in found] == ["condition.structure", "figure", "condition.neck"]
    # By hand: the half width is 2.75; alone they take off 1, .5 and .25, together 1, 1.5 and 1.75.
    # To six digits: the later ones hang on the order of the sums.
    assert [q.narrowing for q in found] == [0.363636, 0.181818, 0.090909]
    assert [q.after for q in found] == [0.363636, 0.545455, 0.636364]


def test_only_what_narrows_is_asked_for_and_only_among_what_may_be_asked() -> None:
    assert len(questions(WIDENED, subject(), count=30)) == 3
    found = questions(WIDENED, subject(), among=["condition.neck", "originality.nut"])
    assert [q.field for q in found] == ["condition.neck"]
    known = subject(condition_structure="sound", condition_neck=0.0, figure=1.0)
    assert questions(WIDENED, known) == ()


def test_each_question_shows_the_values_of_its_likely_answers() -> None:
    (first, *_) = questions(WIDENED, subject())
    values = {o.answer: o.value for o in first.outcomes}
    assert values["sound"] == Decimal("2980.96")  # e^8
    assert values["repaired_headstock"] == Decimal("2208.35")  # three steps of loss: e^7.7
    assert first.how
    chances = [o.chance for o in first.outcomes]
    assert chances == sorted(chances, reverse=True)
    assert len(chances) <= 3


def test_the_answers_are_those_of_the_model_pulled_towards_all_models() -> None:
    found = likely_answers(WIDENED.snapshot, MODEL, subject().instrument, BY_PATH["condition.structure"])
    chances = {a.value: a.chance for a in found}
    # By hand: 8, 2, 0 of its own and 8 records' worth of 8/11, 2/11, 1/11 of all: over 18.
    assert chances == pytest.approx(
        {"sound": (8 + 64 / 11) / 18, "repaired_headstock": (2 + 16 / 11) / 18, "open_crack": 8 / 11 / 18}
    )


def test_finishes_are_the_models_and_numbers_are_of_the_edition() -> None:
    it = Instrument("Ostvik", "Fjell 2", edition="Solverv")
    finishes = {a.value for a in likely_answers(NO_EVIDENCE, MODEL, it, BY_PATH["finish"])}
    assert finishes == {"Tarn", "Rowan"}
    numbers = [a.value for a in likely_answers(NO_EVIDENCE, MODEL, it, BY_PATH["edition_number"])]
    assert sorted(numbers) == [13, 37, 60, 84, 108]  # tenths of 1 … 120: 12.9, 36.7, 60.5, 84.3, 108.1
    years = [a.value for a in likely_answers(NO_EVIDENCE, MODEL, it, BY_PATH["year"])]
    assert set(years) <= {1964, 1965}
    assert likely_answers(NO_EVIDENCE, MODEL, it, BY_PATH["weight_kg"]) == ()


@pytest.mark.parametrize("path", [p for p in BY_PATH if p not in ("maker", "model", "serial", "edition")])
def test_the_chances_of_every_field_sum_to_one_or_there_are_none(path: str) -> None:
    found = likely_answers(WIDENED.snapshot, MODEL, subject().instrument, BY_PATH[path])
    assert found == () or sum(a.chance for a in found) == pytest.approx(1)
    assert len({a.value for a in found}) == len(found)


def test_how_much_wider_the_range_is_for_each_unknown_field() -> None:
    found = widening(WIDENED, subject(condition_structure="sound"))
    # By hand: 1.75 as it is; 1.5 with the neck known, 1.25 with the figure.
    assert found["condition.neck"] == pytest.approx(1.75 / 1.5 - 1)
    assert found["figure"] == pytest.approx(1.75 / 1.25 - 1)
    assert "condition.structure" not in found


def test_without_evidence_there_is_little_to_ask_and_no_error() -> None:
    assert all(q.outcomes for q in questions(valuer(), subject()))


@pytest.mark.parametrize(
    "path", ["originality.finish", "originality.pickups", "originality.wiring", "originality.routing", "year"]
)
def test_what_lies_under_parts_is_not_to_be_uncovered(path: str) -> None:
    assert "do not unscrew or unsolder anything: ask a repairer, or leave it blank" in HOW[path]
    assert not [word for word in ("underside", "cavit", "rings off", "under hardware") if word in HOW[path]]


def test_whoever_plays_it_is_told_of_the_amplifier() -> None:
    how = HOW["condition.electronics"]
    assert "sound, earthed amplifier" in how
    assert "never open the amplifier" in how and "qualified technician" in how
