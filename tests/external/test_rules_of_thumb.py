"""The rules of thumb of the trade, read back from a model fitted on a small invented market.

Common practice, no source: nobody has published these figures. They are the truth behind this market's
prices, so the question is how well 150 sales of six models, three prototypes among them, and 300 asking
prices give them back. Each ratio must lie in its rule's span, widened on both sides by 1.645 standard
deviations of what the model itself does not know about the difference (`difference_sd`): 90% of a normal
distribution. So that a model cannot pass by knowing nothing, a widened span must still leave "makes no
difference" outside.

The seed was set before the first run. Of the numbers 1 to 8 tried afterwards in its place, two miss the
choice specimen (1.25 and 1.27) and four find nothing for modern parts: the spread of such losses is then
learnt as 0, and with it all uncertainty about them.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

import numpy as np
import pytest

from models.domain.catalogue import read_catalogue
from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Subject
from models.domain.money import Rates
from models.domain.vocabulary import FIELDS, Family, Kind
from models.practice import NO_PRACTICE, shipped
from models.price.interface import PriceModel
from training.fit import fit_model

SEED, SALES, ASKINGS = 20, 150, 300
FIRST, DAYS = date(2017, 1, 1), 3000
BAND = 1.645

CATALOGUE = read_catalogue("""
[[model]]
maker = "Tjernvik"
name = "Alke"
first_year = 1958
last_year = 1969
body = "solid"
figured_top = true
[[model.edition]]
name = "Midsummer"
first_year = 1964
last_year = 1966
production_total = 3400
numbered = true
[[model]]
maker = "Tjernvik"
name = "Lunde"
first_year = 1960
last_year = 1971
body = "solid"
figured_top = false
[[model]]
maker = "Tjernvik"
name = "Teist"
first_year = 1963
last_year = 1975
body = "semi"
figured_top = true
[[model]]
maker = "Bramsund"
name = "Skarv"
first_year = 1955
last_year = 1966
body = "hollow"
figured_top = true
[[model]]
maker = "Bramsund"
name = "Terne"
first_year = 1961
last_year = 1972
body = "solid"
figured_top = false
[[model]]
maker = "Bramsund"
name = "Rype"
first_year = 1966
last_year = 1979
body = "semi"
figured_top = false
""")
RATES = Rates(np.array([FIRST.toordinal(), (FIRST + timedelta(DAYS)).toordinal()]), {}, "none is needed")

# In logs, each at the middle of its rule.
LEVEL = {"Alke": 8.3, "Lunde": 7.6, "Teist": 8.0, "Skarv": 8.6, "Terne": 7.3, "Rype": 7.1}
SPECIAL = 0.2  # the edition, beside its model
FIGURE = (-0.12, -0.06, 0.0, 0.06, 0.15, 0.30)  # by its grade
LOW_NUMBER = 0.28  # of the first; falls with the logarithm to nothing at the last
PROTOTYPE = math.log(3.2)
# Of each of six parts worn heavily (grade 4), beside traces (grade 1): .575 in all.
WORN = {"top": 0.13, "back": 0.06, "neck": 0.17, "headstock": 0.06, "frets": 0.07, "hardware": 0.063}
REFINISHED, OVERSPRAYED, HEADSTOCK, CRACK = math.log(0.55), -0.2, math.log(0.57), -0.12
MODERN = {"pickups": -0.11, "wiring": -0.03, "tuners": -0.04, "bridge": -0.045, "tailpiece": -0.04}
MODERN |= {"nut": -0.015, "pickguard": -0.03}
A_YEAR, NOISE = 0.04, 0.12

CLEAN: dict[str, Any] = {
    f.flat: 1.0 if f.kind is Kind.GRADE else f.names[0]
    for f in FIELDS
    if f.family in (Family.CONDITION, Family.ORIGINALITY)
}
PLAYED = {f"condition_{part}": 4.0 for part in WORN}


def true_log(it: Instrument, day: date) -> float:
    """The price behind the noise, in log."""
    total = LEVEL[it.model] + (SPECIAL if it.edition else 0) + A_YEAR * (day - FIRST).days / 365.25
    total += FIGURE[int(it.figure or 0)] if it.model in ("Alke", "Teist", "Skarv") else 0
    total += LOW_NUMBER * (1 - math.log(it.edition_number) / math.log(3400)) if it.edition_number else 0
    total += PROTOTYPE if it.build == "prototype" else 0
    for part, cost in WORN.items():
        total -= cost * (getattr(it, f"condition_{part}") - 1) / 3
    for part, change in MODERN.items():
        total += change if getattr(it, f"originality_{part}") == "modern" else 0
    total += {"original": 0, "oversprayed": OVERSPRAYED, "refinished": REFINISHED}[str(it.originality_finish)]
    structure = {"sound": 0, "repaired_crack": CRACK, "repaired_headstock": HEADSTOCK}
    return total + structure[str(it.condition_structure)]


def specimen(draw: random.Random, at: int) -> Instrument:
    """The first three of the sales are prototypes: clean, clean and played."""
    model = CATALOGUE.models[0 if at < 3 or draw.random() < 0.35 else draw.randrange(1, 6)]
    wear = max(0.0, min(5.0, draw.gauss(2.0, 1.1)))
    parts: dict[str, Any] = {
        f"condition_{part}": float(max(0, min(5, round(draw.gauss(wear, 0.8))))) for part in WORN
    }
    parts |= {f"originality_{part}": "modern" for part in MODERN if draw.random() < 0.12}
    parts["originality_finish"] = draw.choices(("original", "oversprayed", "refinished"), (82, 6, 12))[0]
    structures = ("sound", "repaired_crack", "repaired_headstock")
    parts["condition_structure"] = draw.choices(structures, (87, 6, 7))[0]
    edition = model.editions[0].name if model.editions and (at < 3 or draw.random() < 0.7) else None
    it = Instrument(
        model.maker,
        model.name,
        edition,
        draw.randint(1964, 1966) if edition else draw.randint(model.first_year, model.last_year),
        build="production",
        figure=float(draw.choices(range(6), (15, 22, 25, 18, 13, 7))[0]) if model.figured_top else 0.0,
        weight_kg=round(draw.gauss(3.6, 0.25), 2),
        provenance_history="none",
        provenance_paperwork=False,
        provenance_case="original",
    ).but(**{**CLEAN, **parts})
    if at < 3:
        worn: dict[str, Any] = PLAYED if at == 2 else {}
        return it.but(**{**CLEAN, **worn}, build="prototype", figure=2.0)
    # Few of an edition are low: one in ten of those that come up for sale, here.
    number = draw.randint(1, 60) if draw.random() < 0.1 else draw.randint(61, 3400)
    return it.but(edition_number=number) if edition else it


def half_described(it: Instrument, draw: random.Random) -> Instrument:
    """Leave out each part with a chance of one in eight, as records do."""
    blank = dict.fromkeys(name for name in CLEAN if draw.random() < 0.12)
    return it.but(**blank)


def market(seed: int) -> Iterator[Evidence]:
    """Closed sales; then askings, of which one in eight is two to three times the value."""
    draw = random.Random(seed)
    for at in range(SALES + ASKINGS):
        it = specimen(draw, at)
        day = FIRST + timedelta(draw.randrange(DAYS))
        log, kind = true_log(it, day), "sale"
        if at < SALES:
            log += draw.gauss(0, NOISE)
        else:
            kind = "asking"
            far = draw.random() < 0.125
            log += draw.uniform(math.log(2), math.log(3)) if far else draw.gauss(0.18, 0.2)
        price = Decimal(round(math.exp(log)))
        yield Evidence(f"R{at}", kind, day, price, "USD", "private", "", half_described(it, draw))


class Rule(NamedTuple):
    """A rule of the trade: the ratio of the value of `one` to that of `other` lies in `low` to `high`.

    `one` and `other`: the fields in which each differs from the ordinary specimen.
    """

    name: str
    one: dict[str, Any]
    other: dict[str, Any]
    low: float
    high: float


PROTO: dict[str, Any] = {"build": "prototype", "edition_number": None}
RULES = (
    Rule("a choice specimen: number 7, figure 5", {"edition_number": 7, "figure": 5.0}, {}, 1.5, 2.0),
    Rule("a clean prototype", PROTO, {}, 2.5, 4.0),
    Rule("a prototype heavily played and worn", PROTO | PLAYED, PROTO, 0.5, 0.65),
    Rule("refinished", {"originality_finish": "refinished"}, {}, 0.5, 0.6),
    Rule("a repaired headstock", {"condition_structure": "repaired_headstock"}, {}, 0.5, 0.65),
)
# A few per cent is read as two to six here.
PARTS = tuple(
    Rule(f"modern {part}", {f"originality_{part}": "modern"}, {}, 0.94, 0.98)
    for part in ("tuners", "bridge", "tailpiece")
)
ORDINARY = Subject(
    Instrument("Tjernvik", "Alke", "Midsummer", 1965, edition_number=1700, build="production").but(
        **CLEAN,
        figure=2.0,
        weight_kg=3.6,
        provenance_history="none",
        provenance_paperwork=False,
        provenance_case="original",
    ),
    FIRST + timedelta(DAYS),
    "private",
)


@dataclass(frozen=True)
class Found:
    """A ratio of two values, with the widened span."""

    ratio: float
    low: float
    high: float


@pytest.fixture(scope="module", params=[NO_PRACTICE, shipped()], ids=["evidence alone", "with practice"])
def model(request: pytest.FixtureRequest) -> PriceModel:
    rows = tuple(market(SEED))
    return fit_model(rows, CATALOGUE, RATES, progress=False, practice=request.param).model


def found(model: PriceModel, rule: Rule) -> Found:
    pair = [ORDINARY.but(**rule.one), ORDINARY.but(**rule.other)]
    one, other = model.center(pair)
    sd = float(model.difference_sd(pair[:1], pair[1:])[0])
    ratio, reach = math.exp(one - other), math.exp(BAND * sd)
    own = f"{ratio / reach:.3f} to {ratio * reach:.3f}"
    print(f"{rule.name:<40}{ratio:7.3f}, by its own evidence {own}; the trade: {rule.low:g} to {rule.high:g}")
    return Found(ratio, rule.low / reach, rule.high * reach)


def test_the_market_is_what_it_says_it_is() -> None:
    rows = tuple(market(SEED))
    sales = [row for row in rows if row.kind == "sale"]
    assert (len(sales), len(rows)) == (150, 450)
    assert len({row.instrument.model for row in sales}) == 6
    assert sum(row.instrument.build == "prototype" for row in sales) == 3
    for rule in (*RULES, *PARTS):
        one, other = (ORDINARY.but(**side).instrument for side in (rule.one, rule.other))
        truth = math.exp(true_log(one, FIRST) - true_log(other, FIRST))
        assert rule.low < truth < rule.high


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_rule_of_the_trade(model: PriceModel, rule: Rule) -> None:
    value = found(model, rule)
    assert value.low < value.ratio < value.high
    # Its own evidence says that it makes a difference.
    assert not value.low <= 1 <= value.high


def test_the_premium_of_prototypes_without_a_number_is_found_whole(model: PriceModel) -> None:
    """By its own evidence: within 1.645 standard deviations of the truth, which is known here."""
    pair = [ORDINARY.but(**PROTO), ORDINARY]
    one, other = model.center(pair)
    truth = true_log(pair[0].instrument, FIRST) - true_log(ORDINARY.instrument, FIRST)
    assert abs(one - other - truth) < BAND * float(model.difference_sd(pair[:1], pair[1:])[0])


@pytest.mark.parametrize("rule", PARTS, ids=lambda rule: rule.name)
def test_a_modern_part_takes_a_few_per_cent(model: PriceModel, rule: Rule) -> None:
    value = found(model, rule)
    assert value.low < value.ratio < 1


def test_modern_pickups_take_more_than_another_modern_part(model: PriceModel) -> None:
    pickups = found(model, Rule("modern pickups", {"originality_pickups": "modern"}, {}, 0.85, 0.93))
    others = [found(model, rule).ratio for rule in PARTS]
    assert pickups.low < pickups.ratio < min(others)
