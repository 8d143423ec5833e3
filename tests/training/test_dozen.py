"""The study of few sales: its markets, and what it judges by."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from markets import market

from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import BY_FLAT, Family
from models.price.core.basis import Floats
from models.price.interface import FACTORS, Assessment, EvidenceWeight, PriceModel
from training.demo.market import Market
from training.demo.world.natures import FIGURE_GAIN, PROVENANCE_GAIN
from training.yardstick.dozen import measure as measuring
from training.yardstick.dozen.judged import LATER, TrueEffects, correlation, judged_positions
from training.yardstick.dozen.measure import (
    KINDS,
    WITH,
    WITHOUT,
    contradicted,
    figures_of,
    market_of,
    measure,
)

# ── the markets ──────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def sixty() -> Market:
    return market_of("additive", 60, 690)


def test_a_beginners_market_has_twice_as_many_askings_as_sales_and_no_offers(sixty: Market) -> None:
    assert Counter(row.kind for row in sixty.evidence) == {"sale": 60, "asking": 120}
    assert len(sixty.holdout) == LATER
    dozen = market_of("house", 12, 690)
    assert Counter(row.kind for row in dozen.evidence) == {"sale": 12, "asking": 24}


def test_a_market_of_400_has_the_usual_mix() -> None:
    found = Counter(row.kind for row in market_of("additive", 400, 690).evidence)
    assert found == Counter(row.kind for row in market(690, 400).evidence)


def test_every_size_has_both_natures_and_two_have_contrary_ones() -> None:
    sizes = {12, 25, 60, 120, 400, 3000}
    expected = {(nature, n) for nature in ("additive", "house") for n in sizes}
    assert set(KINDS.values()) == expected | {("contrary", 60), ("contrary", 400)}


# ── what it judges by ────────────────────────────────────────────────────────


@pytest.mark.parametrize("sales", [60, 400])
def test_no_specimen_that_is_judged_is_in_the_evidence(sales: int) -> None:
    m = market_of("house", sales, 690)
    serial, first = m.events.specimens["serial"].tolist(), len(m.evidence)
    seen = set(serial[:first])
    assert seen & set(serial[first : first + LATER]), "some later sales are of specimens seen before"
    places = judged_positions(m)
    assert len(set(places.tolist())) == 300
    assert not seen & {serial[first + place] for place in places}
    # They are spread over all of the later months.
    assert places[0] < 20 and places[-1] > LATER - 20


def test_too_few_fresh_specimens_are_refused_with_their_number(sixty: Market) -> None:
    with pytest.raises(ValueError, match=r"4\d\d later specimens .* 500 are needed"):
        judged_positions(sixty, LATER)


def test_specimens_are_told_whole_and_recorded_with_blanks(sixty: Market) -> None:
    reasons = TrueEffects(sixty, judged_positions(sixty))
    blanks = 0
    for told, recorded in zip(reasons.told, reasons.recorded, strict=True):
        assert (told.day, told.channel) == (recorded.day, recorded.channel)
        for flat in ("build", "finish", "condition_neck", "originality_finish", "provenance_history"):
            whole, known = getattr(told.instrument, flat), getattr(recorded.instrument, flat)
            assert whole is not None and known in (None, whole)
            blanks += known is None
    assert blanks > 100


def _reference(model: Any, **fields: object) -> Subject:
    it = Instrument(model.maker.name, model.named.name, **fields)  # type: ignore[arg-type]
    return Subject(it, *_WHEN)


_WHEN = (market(690, 60).holdout[0].day, "private")


def test_true_effects_are_counted_from_the_reference_of_the_price_model(sixty: Market) -> None:
    """The second finish and the second best figure as reference, by the figures of the additive nature."""
    places = judged_positions(sixty)
    events, at = sixty.events.specimens, places + len(sixty.evidence)
    models = [sixty.truth.world.models[m] for m in events["model"][at]]
    references = [_reference(m, finish=m.maker.finishes[1], figure=4.0) for m in models]
    true = TrueEffects(sixty, places).true(references)
    plain = (events["build"][at] == 0) & (events["edition"][at] == -1) & (events["finish"][at] >= 0)
    assert plain.sum() > 100
    for k in np.flatnonzero(plain):
        m, finish, figure = models[k], events["finish"][at[k]], events["figure"][at[k]]
        expected = m.finish_effects[finish] - m.finish_effects[1]
        if m.named.figured:
            expected += FIGURE_GAIN[figure] - FIGURE_GAIN[4]
        assert true[Family.RARITY][k] == pytest.approx(expected, abs=1e-12)
    gains = sum(np.array(steps)[events[flat][at]] for flat, steps in PROVENANCE_GAIN.items())
    assert true[Family.PROVENANCE] == pytest.approx(gains, abs=1e-12)


def test_a_reference_with_nothing_said_is_the_truths_own(sixty: Market) -> None:
    places = judged_positions(sixty)
    models = [
        sixty.truth.world.models[m] for m in sixty.events.specimens["model"][places + len(sixty.evidence)]
    ]
    true = TrueEffects(sixty, places).true([_reference(m) for m in models])
    own = sum(e for flat, e in sixty.effects.items() if BY_FLAT[flat].family is Family.RARITY)
    assert true[Family.RARITY] == pytest.approx(own[places + len(sixty.evidence)], abs=1e-12)


def test_effects_that_are_the_same_for_all_go_with_nothing() -> None:
    assert correlation(np.full(3, 0.2), np.array([1.0, 2.0, 4.0])) == 0
    assert correlation(np.array([2.0, 4.0, 8.0]), np.array([1.0, 2.0, 4.0])) == pytest.approx(1)
    # Deviations (−1, 0, 1) and (−1, 1, 0): their product sums to 1, their squares to 2 each.
    assert correlation(np.array([0.0, 1.0, 2.0]), np.array([0.0, 2.0, 1.0])) == pytest.approx(0.5)


@dataclass(frozen=True)
class Knowing:
    """Knows the true values and effects of its market; `over`: by how much it values too high, in log.

    Its ranges of 50% end just below the value and above it, the others hold everything.
    """

    market: Market
    over: float = 0.0

    def _at(self, subjects: Sequence[Subject]) -> list[int]:
        """Find fully described subjects by their serial numbers, and recorded ones by the whole record."""
        first, serials = len(self.market.evidence), self.market.events.specimens["serial"].tolist()
        place = {row.subject: first + k for k, row in enumerate(self.market.holdout)}
        place_of = {serial: k for k, serial in enumerate(serials) if first <= k < first + LATER}
        return [
            place[s] if s in place else place_of[int(str(s.instrument.serial).split()[-1])] for s in subjects
        ]

    def assess(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Assessment:
        center = self.market.events.log_value[self._at(subjects)] + self.over
        room = np.array([1e-6, 9.0, 9.0, 9.0])
        none = np.zeros(0)
        low, high = center[:, None] - room, center[:, None] + room
        weights = tuple(EvidenceWeight("several", 3, 3.0) for _ in subjects)
        return Assessment(center, low, high, weights, none, none, ())

    def reference(self, subject: Subject) -> Subject:
        return Subject(Instrument(subject.instrument.maker, subject.instrument.model), *subject[1:])

    def effects(self, subjects: Sequence[Subject], references: Sequence[Subject]) -> Floats:
        at, out = self._at(subjects), np.zeros((len(subjects), len(FACTORS)))
        for flat, effect in self.market.effects.items():
            out[:, FACTORS.index(BY_FLAT[flat].path)] = effect[at]
        return out


def test_a_model_that_knows_the_truth_misses_by_noise_alone(sixty: Market) -> None:
    right = figures_of(cast(PriceModel, Knowing(sixty)), sixty)
    high = figures_of(cast(PriceModel, Knowing(sixty, 0.3)), sixty)
    assert right["rmse_true"] == pytest.approx(0, abs=1e-9)
    # Student's t with 5 degrees of freedom of scale .083, quality of .045, and now and then an odd price.
    assert 0.10 < right["rmse"] < 0.17
    assert right["ratio"] == pytest.approx(1, abs=0.02)
    assert (right["held_50"], right["held_80"], right["held_95"]) == (0, 100, 100)
    assert right["score"] == pytest.approx(18)
    for family in ("rarity", "condition", "originality", "provenance"):
        assert right[f"told {family}"] == pytest.approx(1)
        assert right[f"off {family}"] == pytest.approx(0, abs=1e-9)
    # A value that is too high throughout is no error about the median.
    assert high["rmse"] == pytest.approx(right["rmse"]) and high["rmse_true"] == pytest.approx(0, abs=1e-9)
    assert high["ratio"] == pytest.approx(right["ratio"] * math.exp(0.3))
    assert high["rmse_whole"] > 0.25 and high["error"] > 25


# ── a fit, with practice and without ─────────────────────────────────────────


def _fit(seen: list[dict[str, Any]], report: dict[str, Any]) -> Callable[..., Any]:
    def fitted(evidence: Sequence[Any], *_: object, practice: str, **more: Any) -> Any:
        seen.append({"rows": len(evidence), "practice": practice})
        return SimpleNamespace(model="a model", report=report)

    return fitted


def test_practice_is_given_on_one_side_and_the_evidence_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[dict[str, Any]] = []
    rules = [{"name": "refinished", "contradicted": True}, {"name": "prototype", "contradicted": False}]
    monkeypatch.setattr(measuring, "fit_model", _fit(seen, {"practice": rules}))
    monkeypatch.setattr(measuring, "figures_of", lambda model, market: {"rmse": 0.5})
    monkeypatch.setattr(measuring, "NO_PRACTICE", "none")
    monkeypatch.setattr(measuring, "shipped", lambda: "the trade's")
    without, with_ = (measure("contrary-60", 690, side) for side in (WITHOUT, WITH))
    assert seen == [{"rows": 180, "practice": "none"}, {"rows": 180, "practice": "the trade's"}]
    assert (without.refused, without.figures) == ("", {"rmse": 0.5})
    assert (with_.side, with_.contradicted) == (WITH, ("refinished",))


def test_a_refusal_of_few_sales_is_kept_and_any_other_fault_is_raised(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refusing(*_: object, **__: object) -> None:
        raise ValueError("12 closed sales are too few")

    def faulty(*_: object, **__: object) -> None:
        raise ValueError("a matrix is singular")

    monkeypatch.setattr(measuring, "fit_model", refusing)
    found = measure("additive-12", 690, WITHOUT)
    assert (found.refused, found.figures) == ("12 closed sales are too few", {})
    monkeypatch.setattr(measuring, "fit_model", faulty)
    with pytest.raises(ValueError, match="singular"):
        measure("additive-12", 690, WITHOUT)


def test_a_rule_that_chance_explains_is_not_contradicted() -> None:
    assert contradicted({"practice": [{"name": "refinished", "contradicted": False}]}) == ()
