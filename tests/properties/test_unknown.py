"""Unknown is honest: a field that is hidden is never an error, never read as good, and never narrows."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from specimens import drawn

from models.bundles.registry import Registry
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import FIELDS, Family, Kind
from models.price.instruments.model import GuitarModel
from models.valuation.valuer import Valuer
from training.reading import read_evidence

SPECIMENS = 500
HIDEABLE = tuple(f for f in FIELDS if f.flat not in ("maker", "model"))
# By the contract these two are said by leaving them empty: no edition, an ordinary build.
SAID_BY_SILENCE = ("edition", "build")


@pytest.fixture(scope="module")
def valuer(demo_store: Path) -> Valuer:
    return Registry(demo_store).load().valuer


@pytest.fixture(scope="module")
def specimens(valuer: Valuer, demo_market: Path) -> list[Subject]:
    """Specimens as the market sold them after the last evidence of the fit."""
    reading = read_evidence(demo_market / "holdout.csv", valuer.catalogue, valuer.rates, progress=False)
    assert len(reading.rows) >= SPECIMENS
    return [row.subject for row in reading.rows[:SPECIMENS]]


def widths(valuer: Valuer, subjects: list[Subject]) -> NDArray[np.float64]:
    """(n,) log of high over low of the 80% range."""
    assert isinstance(valuer.model, GuitarModel)
    # Without the explanation, which takes most of the time.
    found = valuer.model.estimate(subjects, (0.8,))
    return np.asarray((found.high - found.low)[:, 0])


def test_hiding_all_of_condition_and_originality_widens_the_range(
    valuer: Valuer, specimens: list[Subject]
) -> None:
    lost = {f.flat: None for f in FIELDS if f.family in (Family.CONDITION, Family.ORIGINALITY)}
    before, after = widths(valuer, specimens), widths(valuer, [s.but(**lost) for s in specimens])
    factor = after / before
    known = [any(getattr(s.instrument, flat) is not None for flat in lost) for s in specimens]
    print(
        f"hidden condition and originality: the 80% range is {factor.mean():.2f} times as wide (log), "
        f"median {np.median(factor):.2f}, least {factor[known].min():.2f}"
    )
    assert factor.mean() > 1.15
    assert (factor[known] > 1).all()


def test_hiding_any_one_field_does_not_narrow_the_range_on_average(
    valuer: Valuer, specimens: list[Subject]
) -> None:
    before, found = widths(valuer, specimens), {}
    for field in HIDEABLE:
        at = [n for n, s in enumerate(specimens) if s.instrument.get(field) is not None]
        if at:
            hidden = [specimens[n].but(**{field.flat: None}) for n in at]
            found[field.path] = (len(at), float((widths(valuer, hidden) / before[at]).mean()))
    for path, (count, factor) in sorted(found.items(), key=lambda item: item[1][1]):
        print(f"{path:24} hidden in {count:3}: {factor:.4f}")
    assert len(found) == len(HIDEABLE)
    narrowed = {path: f for path, (_, f) in found.items() if f < 1 - 1e-9 and path not in SAID_BY_SILENCE}
    assert narrowed == {}
    # What can be worth most when it is known must cost most when it is not: a notable owner adds half.
    assert found["provenance.history"][1] > 1.05


def test_unknown_is_never_read_as_good(valuer: Valuer, specimens: list[Subject]) -> None:
    """No specimen gains by hiding a field that is at its best."""
    for field in (f for f in FIELDS if f.loss_ordered):
        best = 0.0 if field.kind is Kind.GRADE else field.names[0]
        perfect = [s.but(**{field.flat: best}) for s in specimens]
        hidden = valuer.model.center([s.but(**{field.flat: None}) for s in specimens])
        gain = hidden - valuer.model.center(perfect)
        print(f"{field.path:24} unknown against the best: {gain.mean():+.4f}, at most {gain.max():+.4f}")
        assert gain.max() <= 1e-12, field.path


def test_hiding_any_field_is_never_an_error(valuer: Valuer) -> None:
    for subject in drawn(valuer.catalogue, 30, seed=2, known=1.0):
        hidden = [subject.but(**{f.flat: None}) for f in HIDEABLE]
        assert all(found.value > 0 for found in valuer.value_all(hidden, levels=(0.8,)))


def test_a_name_alone_is_valued_and_told_to_be_unsure(valuer: Valuer) -> None:
    day = date(2025, 1, 1)
    bare = [Subject(Instrument(m.maker, m.name), day, "private") for m in valuer.catalogue.models]
    found = valuer.value_all(bare, levels=(0.8,))
    assert all(f.intervals[0].low < f.value < f.intervals[0].high for f in found)
    described = [valuer.model.reference(s) for s in bare]
    assert (widths(valuer, bare) > widths(valuer, described)).all()
