"""True of every instrument on the fitted model: losses never pay, amounts add up, ranges nest.

The model is the one that is fitted on the demo market; the specimens are drawn at random over the whole
vocabulary, unknown fields among the known ones.
"""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from specimens import LOSSES, drawn, one_step_worse

from models.bundles.bundle import read_bundle, write_bundle
from models.bundles.registry import Registry
from models.domain.instrument import Subject
from models.domain.vocabulary import DEFAULT_LEVELS, FIELDS, Family
from models.price.interface import Assessment
from models.valuation.valuer import Valuer, money_of

SPECIMENS = 2_000
FAMILY = {field.path: field.family for field in FIELDS} | {"day": Family.MARKET, "channel": Family.MARKET}


@pytest.fixture(scope="session")
def valuer(demo_store: Path) -> Valuer:
    return Registry(demo_store).load().valuer


@pytest.fixture(scope="session")
def subjects(valuer: Valuer) -> list[Subject]:
    return drawn(valuer.catalogue, SPECIMENS, seed=1)


def test_no_loss_of_condition_or_originality_ever_raises_a_value(
    valuer: Valuer, subjects: list[Subject]
) -> None:
    pairs = [(n, field, worse) for n, s in enumerate(subjects) for field, worse in one_step_worse(s)]
    tried = Counter(field.path for _, field, _ in pairs)
    assert set(tried) == {field.path for field in LOSSES} and min(tried.values()) > 300
    before = valuer.model.center(subjects)
    after = valuer.model.center([worse for _, _, worse in pairs])
    fall = [float(before[n] - c) for (n, _, _), c in zip(pairs, after, strict=True)]
    risen = [
        (field.path, subjects[n])
        for (n, field, _), c in zip(pairs, after, strict=True)
        if money_of(c, 1.0, "USD") > money_of(before[n], 1.0, "USD") or c > before[n]
    ]
    print(f"{len(pairs)} steps worse of {SPECIMENS} specimens: {len(risen)} rose; least fall {min(fall):.1e}")
    assert not risen, risen[:3]
    # And through the whole path, in money, as it is answered.
    some = pairs[:: len(pairs) // 300]
    was = valuer.value_all([subjects[n] for n, _, _ in some], levels=(0.8,))
    now = valuer.value_all([worse for _, _, worse in some], levels=(0.8,))
    assert [(a.value, b.value) for a, b in zip(was, now, strict=True) if b.value > a.value] == []


def test_amounts_add_up_to_the_cent_in_fields_and_families(valuer: Valuer, subjects: list[Subject]) -> None:
    for currency in ("USD", "EUR", "JPY"):
        for found in valuer.value_all(subjects[:400], currency, levels=(0.8,)):
            assert [f.family for f in found.families] == list(Family)
            assert sum(f.amount for f in found.families) == found.value - found.reference_value
            for family in found.families:
                assert sum((f.amount for f in family.factors), Decimal(0)) == family.amount
                assert {FAMILY[f.field] for f in family.factors} <= {family.family}


def test_effects_sum_to_the_log_of_value_over_reference(valuer: Valuer, subjects: list[Subject]) -> None:
    found = valuer.model.assess(subjects, (0.8,))
    gap = abs(found.effects.sum(axis=1) - (found.center - found.reference_center)).max()
    print(f"largest gap between the sum of effects and the log ratio: {gap:.1e}")
    assert gap < 1e-9


def test_ranges_nest_and_hold_the_value(valuer: Valuer, subjects: list[Subject]) -> None:
    levels = (0.95, 0.01, 0.5, 0.8, 0.9, 0.99)  # in no order, as asked
    for currency in ("USD", "JPY"):
        for found in valuer.value_all(subjects[400:800], currency, levels):
            assert [i.level for i in found.intervals] == list(levels)
            ranges = sorted(found.intervals, key=lambda i: i.level)
            lows, highs = [i.low for i in ranges], [i.high for i in ranges]
            assert lows == sorted(lows, reverse=True) and highs == sorted(highs)
            assert lows[0] <= found.value <= highs[0]
            assert lows[-1] < found.value < highs[-1]


def test_a_batch_equals_its_rows_in_any_order_to_the_bit(valuer: Valuer, subjects: list[Subject]) -> None:
    some = subjects[:150]
    batch = valuer.model.assess(some, DEFAULT_LEVELS)
    back = valuer.model.assess(some[::-1], DEFAULT_LEVELS)
    for name in ("center", "low", "high", "reference_center", "effects"):
        assert (getattr(back, name)[::-1] == getattr(batch, name)).all(), name
    for row, subject in enumerate(some[:40]):
        alone = valuer.model.assess([subject], DEFAULT_LEVELS)
        for name in ("center", "low", "high", "reference_center", "effects"):
            assert (getattr(alone, name)[0] == getattr(batch, name)[row]).all(), (name, row)
    assert valuer.value_all(some[::-1]) == valuer.value_all(some)[::-1]


def test_a_round_trip_through_disk_changes_nothing(
    valuer: Valuer, subjects: list[Subject], tmp_path: Path
) -> None:
    version = write_bundle(tmp_path, valuer.model, valuer.catalogue, valuer.rates, {})
    again = read_bundle(tmp_path / "bundles" / version).valuer
    assert again.model.to_files() == valuer.model.to_files()
    one, other = (v.model.assess(subjects[:200], DEFAULT_LEVELS) for v in (valuer, again))
    for name in ("center", "low", "high", "reference_center", "effects"):
        assert (getattr(one, name) == getattr(other, name)).all(), name
    assert one.references == other.references and one.weights == other.weights
    pairs = zip(valuer.value_all(subjects[:50], "EUR"), again.value_all(subjects[:50], "EUR"), strict=True)
    for before, after in pairs:
        assert (before.value, before.intervals, before.families) == (
            after.value,
            after.intervals,
            after.families,
        )


def test_the_market_goes_on_for_a_year_is_held_then_and_grows_less_sure(
    valuer: Valuer, subjects: list[Subject]
) -> None:
    last = valuer.model.last_evidence
    assert last is not None

    def on(day: date) -> Assessment:
        return valuer.model.assess([s._replace(day=day) for s in subjects[:200]], (0.8,))

    then, after = on(last), [on(last + timedelta(days=round(365.25 * years))) for years in (1, 3, 75)]
    for found in after[1:]:
        assert np.abs(found.center - after[0].center).max() < 2e-4  # a day's worth: a year has no whole days
    half = on(last + timedelta(days=183)).center - then.center
    assert np.abs(half - (after[0].center - then.center) / 2).max() < 1e-3
    widths = [(found.high - found.low)[:, 0] for found in (then, *after)]
    for sooner, later in pairwise(widths):
        assert (later > sooner).all()
    print(
        "80% range 1, 3 and 75 years after the last evidence: "
        + ", ".join(f"{float((w / widths[0]).mean()):.2f}" for w in widths[1:])
        + " times as wide"
    )
    # Before it there is an index to go by: the market moved.
    assert np.abs(on(last.replace(year=last.year - 6)).center - then.center).mean() > 0.02


def test_names_match_without_case_accents_and_spaces(valuer: Valuer, subjects: list[Subject]) -> None:
    some = subjects[800:1000]
    said = [_said_otherwise(s) for s in some]
    assert sum(a.instrument != b.instrument for a, b in zip(some, said, strict=True)) == len(some)
    assert valuer.value_all(said) == valuer.value_all(some)


ACCENTED = str.maketrans("aeiounc", "àéîöùñç")


def _said_otherwise(subject: Subject) -> Subject:
    """Each name in capitals, with doubled spaces and an accent on every letter that can bear one."""
    names = {name: getattr(subject.instrument, name) for name in ("maker", "model", "edition", "finish")}
    spelled = {
        name: f"  {text.lower().translate(ACCENTED).upper().replace(' ', '   ')} "
        for name, text in names.items()
        if text
    }
    return subject.but(**spelled)


def test_another_currency_is_the_value_at_the_rate_to_the_cent(
    valuer: Valuer, subjects: list[Subject]
) -> None:
    some = subjects[:400]
    log_usd = valuer.model.center(some)
    for log, subject, found in zip(log_usd, some, valuer.value_all(some, "EUR", (0.8,)), strict=True):
        assert found.rate == valuer.rates.usd_per("EUR", subject.day)
        exact = Decimal(float(log)).exp() / Decimal(found.rate)
        assert abs(found.value - exact) <= Decimal("0.005000001")
    pairs = zip(valuer.value_all(some, levels=(0.8,)), valuer.value_all(some, "EUR", (0.8,)), strict=True)
    for dollars, euros in pairs:
        # Each is rounded once: half a cent of the one, and half a cent of the other in the first's money.
        slack = Decimal("0.005") * (1 + 1 / Decimal(euros.rate)) + Decimal("1e-6")
        assert abs(euros.value - dollars.value / Decimal(euros.rate)) <= slack
