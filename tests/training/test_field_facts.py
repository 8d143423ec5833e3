"""Every field of the vocabulary has its entry in each table that tells fields apart."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest

from models.domain.instrument import Instrument
from models.domain.vocabulary import BY_FLAT, BY_PATH, FIELDS, PARTS, Family, Field, Kind
from models.insights.questions import ASKED, HOW
from models.insights.restoration import FINISH_WEAR, LASTING, MENDABLE
from models.insights.sentences import TERM_WORDS
from models.price.core.basis import Linear
from models.price.instruments.encoding import InstrumentEncoding
from models.price.instruments.features import BLANKS, NUMBER_COLUMNS, PLAYERS, columns
from models.price.instruments.reference import CLEAN
from models.valuation.unsaid import AS_NONE, TYPICAL
from training.demo.market import Market
from training.demo.trade.records import LEFT_OUT
from training.demo.world.natures import CONDITION_COST, ORIGINALITY_COST, PROVENANCE_GAIN, WEAR_COST
from training.demo.world.specimens import draw_specimens
from training.demo.world.workshops import make_world
from training.fit.design.recipes import linear
from training.fit.design.terms import instrument_terms
from training.fit.design.typical import typical_of

_NAMES = ("maker", "model", "edition", "serial")
# A blank number of an edition has the mark `number_unknown`, and a blank build counts as production.
_NO_MARK = (*_NAMES, "edition_number", "build")
# Their meaning, as the vocabulary has it, says what to look at.
_ASKED_BY_MEANING = (
    "originality.bridge",
    "originality.tailpiece",
    "originality.nut",
    "originality.pickguard",
)
# New frets and new metal parts end this wear, and are fields of their own.
_ENDED_BY_PARTS = ("condition.frets", "condition.hardware")
# Its words are those of the vocabulary.
_PLAIN_WORDS = ("originality.finish",)
_COSTS = {**CONDITION_COST, **ORIGINALITY_COST, **PROVENANCE_GAIN}


class Entry(NamedTuple):
    """An entry that a field needs in the table `where`, if `needed` of it."""

    where: str
    needed: Callable[[Field], bool]
    there: Callable[[Field], bool]


def _players(field: Field) -> set[str]:
    return {name for name, players in PLAYERS.items() if field.path in players}


ENTRIES = (
    Entry("models/domain/instrument.py: Instrument", lambda f: True, lambda f: f.flat in Instrument._fields),
    Entry(
        "models/price/instruments/features.py: a column",
        lambda f: f.kind is not Kind.TEXT,
        lambda f: bool(_players(f)),
    ),
    Entry(
        "models/price/instruments/features.py: BLANKS",
        lambda f: not f.loss_ordered and f.path not in _NO_MARK,
        lambda f: f.flat in BLANKS.values(),
    ),
    Entry(
        "models/price/instruments/encoding.py: curved",
        lambda f: f.kind is Kind.NUMBER,
        lambda f: bool(_players(f) & InstrumentEncoding.curved),
    ),
    Entry(
        "models/price/instruments/reference.py: CLEAN",
        lambda f: f.kind in (Kind.TERM, Kind.FLAG),
        lambda f: f.flat in CLEAN,
    ),
    Entry(
        "models/valuation/unsaid.py: TYPICAL or AS_NONE",
        lambda f: f.flat in BLANKS.values() and f.path != "provenance.case",
        lambda f: f.path in TYPICAL or f.path in AS_NONE,
    ),
    Entry(
        "models/insights/questions.py: HOW",
        lambda f: f.path in ASKED and f.path not in _ASKED_BY_MEANING,
        lambda f: f.path in HOW,
    ),
    Entry(
        "models/insights/sentences.py: TERM_WORDS",
        lambda f: f.kind is Kind.TERM and f not in PARTS and f.path not in _PLAIN_WORDS,
        lambda f: set(TERM_WORDS.get(f.path, ())) == set(f.names),
    ),
    Entry(
        "models/insights/restoration.py: MENDABLE, LASTING or FINISH_WEAR",
        lambda f: f.loss_ordered and f.path not in _ENDED_BY_PARTS,
        lambda f: f.path in (*MENDABLE, *LASTING, *FINISH_WEAR),
    ),
    Entry(
        "training/demo/world/natures.py: WEAR_COST",
        lambda f: f.loss_ordered and f.kind is Kind.GRADE,
        lambda f: f.flat in WEAR_COST,
    ),
    Entry(
        "training/demo/world/natures.py: a cost or gain of each term",
        lambda f: (
            f.kind is Kind.TERM and f.family in (Family.CONDITION, Family.ORIGINALITY, Family.PROVENANCE)
        ),
        lambda f: len(_COSTS.get(f.flat, ())) == len(f.terms),
    ),
    Entry(
        "training/demo/trade/records.py: LEFT_OUT",
        lambda f: f.path not in ("maker", "model", "edition", "build"),
        lambda f: f.flat in LEFT_OUT,
    ),
    Entry(
        "training/demo/world/specimens.py: draw_specimens",
        lambda f: True,
        lambda f: f.flat in draw_specimens(make_world(1), np.random.default_rng(1), 2),
    ),
)


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.path)
def test_a_field_has_an_entry_in_every_table_that_needs_one(field: Field) -> None:
    assert [entry.where for entry in ENTRIES if entry.needed(field) and not entry.there(field)] == []


@pytest.fixture(scope="module")
def used(small_market: Market) -> set[str]:
    """The columns that some term of the backbone uses on a market that has all of them."""
    catalogue, subjects = small_market.catalogue, [e.subject for e in small_market.evidence]
    table = columns(subjects, catalogue, typical_of(small_market.evidence, catalogue))
    blocks = [term.fitted(table) for term in instrument_terms()]
    return {column for block in blocks if block is not None for column in block.columns}


@pytest.mark.parametrize(
    "field", [f for f in FIELDS if f.kind is not Kind.TEXT], ids=lambda field: field.path
)
def test_a_field_has_a_term_of_the_backbone(field: Field, used: set[str]) -> None:
    assert _players(field) - set(BLANKS) & used, "training/fit/design/terms.py has no term of its columns"


_MARK_OF = {
    column: mark
    for column in NUMBER_COLUMNS
    for mark, flat in BLANKS.items()
    if column not in BLANKS and BY_FLAT[flat].path in PLAYERS[column]
}


@pytest.mark.parametrize("column", _MARK_OF)
def test_a_stand_in_for_a_blank_number_is_not_taken_for_what_was_said(column: str) -> None:
    """training/fit/design/recipes.py: the column beside its blank. Of 1 to 6, the mean is 3.5."""
    said, blank = np.arange(1.0, 7.0), np.full(6, 90.0)
    table = {column: np.append(said, blank), _MARK_OF[column]: np.repeat([0.0, 1.0], 6)}
    basis = linear(column)(table)
    assert isinstance(basis, Linear) and basis.center == 3.5


def test_no_table_has_an_entry_of_a_field_that_is_not_there() -> None:
    paths = {*HOW, *TERM_WORDS, *MENDABLE, *LASTING, *FINISH_WEAR, *TYPICAL, *AS_NONE}
    flats = {*WEAR_COST, *_COSTS, *LEFT_OUT, *BLANKS.values(), *CLEAN}
    assert paths - set(BY_PATH) == set()
    assert flats - {field.flat for field in FIELDS} == set()
