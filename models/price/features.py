"""The one place that makes feature columns from subjects, in one order, hashed into every bundle.

Numbers are float64 with NaN for *not known*; levels are object arrays of text with "" for *not known*.
`PLAYERS` says which factors of an attribution each column depends on.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.catalogue import Catalogue, Edition, Model
from models.instrument import Subject
from models.names import normal
from models.vocabulary import FIELDS, Family, Kind

STANDARD = "standard"  # the level of a specimen that belongs to no edition
_DAYS_A_YEAR = 365.25

# Ordinal columns: grades as they are, ordered terms by their place, best = 0.
LOSSES: tuple[str, ...] = tuple(f.flat for f in FIELDS if f.loss_ordered)
STEPS_OF: Mapping[str, int] = {f.flat: len(f.terms) - 1 for f in FIELDS if f.loss_ordered}
CONDITION_LOSSES = tuple(f.flat for f in FIELDS if f.loss_ordered and f.family is Family.CONDITION)
ORIGINALITY_LOSSES = tuple(f.flat for f in FIELDS if f.loss_ordered and f.family is Family.ORIGINALITY)
_PLACE = {f.flat: {t: float(i) for i, t in enumerate(f.names)} for f in FIELDS if f.kind is Kind.TERM}
_PATH = {f.flat: f.path for f in FIELDS}

_Facts = tuple[Model, Edition | None]


def years_of(day: date) -> float:
    """A day as the column "time" has it."""
    return day.toordinal() / _DAYS_A_YEAR


def _finish_rarity(s: Subject, facts: _Facts) -> float:
    finish = facts[0].finish(s.instrument.finish)
    share = finish.share if finish else None
    return -math.log(max(share, 1e-4)) if share is not None else math.nan


def _log_total(s: Subject, facts: _Facts) -> float:
    edition = facts[1]
    return math.log(edition.production_total) if edition and edition.production_total else math.nan


def _log_number(s: Subject, facts: _Facts) -> float:
    number = s.instrument.edition_number
    return math.log(number) if number and facts[1] else math.nan


def _place(s: Subject, facts: _Facts) -> float:
    number, edition = s.instrument.edition_number, facts[1]
    if not number or not edition or not edition.production_total:
        return math.nan
    return min(number / edition.production_total, 1.2)


def _number_unknown(s: Subject, facts: _Facts) -> float:
    edition = facts[1]
    return float(bool(edition and edition.numbered and s.instrument.edition_number is None))


def _figure(s: Subject, facts: _Facts) -> float:
    figure = s.instrument.figure
    # On a model without figured tops "not known" means plain.
    return figure if figure is not None else (0.0 if facts[0].figured_top is False else math.nan)


def _year_in_run(s: Subject, facts: _Facts) -> float:
    year, model = s.instrument.year, facts[0]
    if year is None:
        return math.nan
    run = (year - model.first_year) / max(model.last_year - model.first_year, 1)
    return min(max(run, -0.1), 1.1)


def _level(flat: str) -> Callable[[Subject, _Facts], str]:
    return lambda s, facts: str(getattr(s.instrument, flat) or "")


def model_key(s: Subject) -> str:
    """The level of a subject's model."""
    return f"{normal(s.instrument.maker)}|{normal(s.instrument.model)}"


def edition_key(s: Subject) -> str:
    """The level of a subject's edition within its model."""
    return normal(s.instrument.edition) if s.instrument.edition else STANDARD


def _flag(value: bool | None) -> str:
    return "" if value is None else "yes" if value else "no"


def _finish_key(s: Subject) -> str:
    return normal(s.instrument.finish) if s.instrument.finish else ""


def _finish_of(head: Callable[[Subject], str]) -> Callable[[Subject, _Facts], str]:
    return lambda s, facts: f"{head(s)}|{_finish_key(s)}" if _finish_key(s) else ""


_MODEL = ("maker", "model")

# name → (players, how it is read)
LEVEL_COLUMNS: Mapping[str, tuple[tuple[str, ...], Callable[[Subject, _Facts], str]]] = {
    "maker": (_MODEL, lambda s, facts: normal(s.instrument.maker)),
    "model": (_MODEL, lambda s, facts: model_key(s)),
    "edition": ((*_MODEL, "edition"), lambda s, facts: f"{model_key(s)}|{edition_key(s)}"),
    "special": (("edition",), lambda s, facts: "yes" if s.instrument.edition else "no"),
    "finish": (("finish",), lambda s, facts: _finish_key(s)),
    "maker_finish": ((*_MODEL, "finish"), _finish_of(lambda s: normal(s.instrument.maker))),
    "model_finish": ((*_MODEL, "finish"), _finish_of(model_key)),
    "build": (("build",), lambda s, facts: s.instrument.build or "production"),
    "channel": (("channel",), lambda s, facts: s.channel),
    "history": (("provenance.history",), _level("provenance_history")),
    "paperwork": (("provenance.paperwork",), lambda s, facts: _flag(s.instrument.provenance_paperwork)),
    "case": (("provenance.case",), _level("provenance_case")),
}

NUMBER_COLUMNS: Mapping[str, tuple[tuple[str, ...], Callable[[Subject, _Facts], float]]] = {
    "time": (("day",), lambda s, facts: years_of(s.day)),
    "year": (("year",), lambda s, facts: float(s.instrument.year or math.nan)),
    "year_in_run": ((*_MODEL, "year"), _year_in_run),
    "weight": (("weight_kg",), lambda s, facts: s.instrument.weight_kg or math.nan),
    "figure": ((*_MODEL, "figure"), _figure),
    "finish_rarity": ((*_MODEL, "finish"), _finish_rarity),
    "log_total": ((*_MODEL, "edition"), _log_total),
    "log_number": ((*_MODEL, "edition", "edition_number"), _log_number),
    "place": ((*_MODEL, "edition", "edition_number"), _place),
    "number_unknown": ((*_MODEL, "edition", "edition_number"), _number_unknown),
}

PLAYERS: Mapping[str, tuple[str, ...]] = {
    **{name: players for name, (players, _) in LEVEL_COLUMNS.items()},
    **{name: players for name, (players, _) in NUMBER_COLUMNS.items()},
    **{flat: (_PATH[flat],) for flat in LOSSES},
}
COLUMNS: tuple[str, ...] = tuple(PLAYERS)


def feature_hash() -> str:
    """The hash of column names, order, players and codings; a bundle of another hash is refused."""
    coding = json.dumps([list(PLAYERS.items()), _PLACE, STEPS_OF], sort_keys=True)
    return hashlib.sha256(coding.encode()).hexdigest()


def ordinal(flat: str, value: Any) -> float:
    """A loss-ordered field as a number: 0 is best; NaN is not known."""
    if value is None:
        return math.nan
    return _PLACE[flat][value] if flat in _PLACE else float(value)


def columns(
    subjects: Sequence[Subject], catalogue: Catalogue, names: Sequence[str] = COLUMNS
) -> dict[str, NDArray[Any]]:
    """The named columns of n canonical subjects, each (n,). Raises UnknownNameError."""
    facts: list[_Facts] = []
    for s in subjects:
        model = catalogue.find(s.instrument.maker, s.instrument.model)
        facts.append((model, model.edition(s.instrument.edition)))
    pairs = list(zip(subjects, facts, strict=True))
    return {name: _column(name, pairs) for name in names}


def _column(name: str, pairs: Sequence[tuple[Subject, _Facts]]) -> NDArray[Any]:
    if name in LEVEL_COLUMNS:
        read_level = LEVEL_COLUMNS[name][1]
        return np.array([read_level(s, facts) for s, facts in pairs], dtype=object)
    if name in NUMBER_COLUMNS:
        read_number = NUMBER_COLUMNS[name][1]
        return np.array([read_number(s, facts) for s, facts in pairs], dtype=np.float64)
    return np.array([ordinal(name, getattr(s.instrument, name)) for s, _ in pairs], dtype=np.float64)
