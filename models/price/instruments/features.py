"""Feature columns of subjects, all made by this module; every bundle carries a hash of their definition.

Number columns are float64 with NaN for *not known*; level columns are object arrays of text. A blank year,
finish, figure, weight, history, paperwork or case is read as in the model's typical instrument, and a column
of its own marks it (`BLANKS`). A blank of a loss-ordered field stays NaN. Values that contradict the
catalogue are moved to the nearest that it allows, or count as not known. `PLAYERS` says on which factors of
an explanation each column depends.
"""

import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.domain.catalogue import BODIES, Catalogue, Edition, Model
from models.domain.instrument import Instrument, Subject, Value
from models.domain.names import normal
from models.domain.vocabulary import FIELDS, Family, Kind
from models.price.instruments.reference import CLEAN, Typical

STANDARD = "standard"  # The edition level of an instrument without an edition.
_DAYS_A_YEAR = 365.25

# Columns of loss-ordered fields: grades are numbers already, terms count from 0, the best.
LOSSES: tuple[str, ...] = tuple(f.flat for f in FIELDS if f.loss_ordered)
STEPS_OF: Mapping[str, int] = {f.flat: len(f.terms) - 1 for f in FIELDS if f.loss_ordered}
CONDITION_LOSSES = tuple(f.flat for f in FIELDS if f.loss_ordered and f.family is Family.CONDITION)
ORIGINALITY_LOSSES = tuple(f.flat for f in FIELDS if f.loss_ordered and f.family is Family.ORIGINALITY)
_POSITION = {f.flat: {t: float(i) for i, t in enumerate(f.names)} for f in FIELDS if f.kind is Kind.TERM}
_PATH = {f.flat: f.path for f in FIELDS}


class _Facts(NamedTuple):
    """A subject's catalogue entries (model and edition), and the typical values of its model."""

    model: Model
    edition: Edition | None
    typical: Typical


def years_of(day: date) -> float:
    """Return a day in years, as in the column "time"."""
    return day.toordinal() / _DAYS_A_YEAR


def counted(it: Instrument, model: Model) -> Instrument:
    """Return the instrument as it is valued, without what contradicts the catalogue entry of its model.

    A finish that is not recorded for the model becomes None. A year outside production becomes the nearest
    year of production. The figure becomes 0 if the model has no figured tops.
    """
    changes: dict[str, Value] = {}
    if it.finish is not None and model.finishes and model.finish(it.finish) is None:
        changes["finish"] = None
    if it.year is not None and not model.first_year <= it.year <= model.last_year:
        changes["year"] = min(max(it.year, model.first_year), model.last_year)
    if model.figured_top is False and it.figure != 0.0:
        changes["figure"] = 0.0
    return it.but(**changes) if changes else it


def _finish(s: Subject, facts: _Facts) -> str | None:
    return s.instrument.finish or facts.typical.finish


def _finish_rarity(s: Subject, facts: _Facts) -> float:
    finish = facts.model.finish(_finish(s, facts))
    share = finish.share if finish else None
    return -math.log(max(share, 1e-4)) if share is not None else math.nan


def _log_total(s: Subject, facts: _Facts) -> float:
    edition = facts.edition
    return math.log(edition.production_total) if edition and edition.production_total else math.nan


def _log_number(s: Subject, facts: _Facts) -> float:
    number = s.instrument.edition_number
    return math.log(number) if number and facts.edition else math.nan


def _number_share(s: Subject, facts: _Facts) -> float:
    number, edition = s.instrument.edition_number, facts.edition
    if not number or not edition or not edition.production_total:
        return math.nan
    return min(number / edition.production_total, 1.2)


def _number_unknown(s: Subject, facts: _Facts) -> float:
    edition = facts.edition
    return float(bool(edition and edition.numbered and s.instrument.edition_number is None))


def _number(s: Subject, facts: _Facts, flat: str) -> float:
    """Return the field's number, or the model's typical one if the field is blank."""
    own = getattr(s.instrument, flat)
    found = getattr(facts.typical, flat) if own is None else own
    return math.nan if found is None else float(found)


def _year_in_run(s: Subject, facts: _Facts) -> float:
    model = facts.model
    return (_number(s, facts, "year") - model.first_year) / max(model.last_year - model.first_year, 1)


def _body(s: Subject, facts: _Facts) -> float:
    body = facts.model.body
    return float(BODIES.index(body)) if body in BODIES else -1.0


def _blank(s: Subject, facts: _Facts, flat: str) -> float:
    return float(getattr(s.instrument, flat) is None)


def _level(s: Subject, facts: _Facts, flat: str) -> str:
    return str(getattr(s.instrument, flat) or CLEAN[flat])


def model_key(s: Subject) -> str:
    """Return "maker|model" in normalised form, the level of a subject in the column "model"."""
    return f"{normal(s.instrument.maker)}|{normal(s.instrument.model)}"


def edition_key(s: Subject) -> str:
    """Return the normalised name of a subject's edition, or `STANDARD` without one."""
    return normal(s.instrument.edition) if s.instrument.edition else STANDARD


def _finish_key(s: Subject, facts: _Facts) -> str:
    finish = _finish(s, facts)
    return normal(finish) if finish else ""


def _finish_of(s: Subject, facts: _Facts, head: Callable[[Subject], str]) -> str:
    finish = _finish_key(s, facts)
    return f"{head(s)}|{finish}" if finish else ""


def _maker_key(s: Subject) -> str:
    return normal(s.instrument.maker)


_MODEL = ("maker", "model")

# Column that marks a blank → its field. A blank counts as typical; its other likely values widen the range.
BLANKS: Mapping[str, str] = {
    "year_blank": "year",
    "finish_blank": "finish",
    "figure_blank": "figure",
    "weight_blank": "weight_kg",
    "history_blank": "provenance_history",
    "paperwork_blank": "provenance_paperwork",
    "case_blank": "provenance_case",
}

# Column → (factors that it depends on, function that reads it).
LEVEL_COLUMNS: Mapping[str, tuple[tuple[str, ...], Callable[[Subject, _Facts], str]]] = {
    "maker": (_MODEL, lambda s, facts: _maker_key(s)),
    "model": (_MODEL, lambda s, facts: model_key(s)),
    "edition": ((*_MODEL, "edition"), lambda s, facts: f"{model_key(s)}|{edition_key(s)}"),
    "special": (("edition",), lambda s, facts: "yes" if s.instrument.edition else "no"),
    "finish": ((*_MODEL, "finish"), _finish_key),
    "maker_finish": ((*_MODEL, "finish"), partial(_finish_of, head=_maker_key)),
    "model_finish": ((*_MODEL, "finish"), partial(_finish_of, head=model_key)),
    "build": (("build",), lambda s, facts: s.instrument.build or "production"),
    "channel": (("channel",), lambda s, facts: s.channel),
    "history": (("provenance.history",), partial(_level, flat="provenance_history")),
    "paperwork": (
        ("provenance.paperwork",),
        lambda s, facts: "yes" if s.instrument.provenance_paperwork else "no",
    ),
    "case": (("provenance.case",), partial(_level, flat="provenance_case")),
}

NUMBER_COLUMNS: Mapping[str, tuple[tuple[str, ...], Callable[[Subject, _Facts], float]]] = {
    "time": (("day",), lambda s, facts: years_of(s.day)),
    "year": ((*_MODEL, "year"), partial(_number, flat="year")),
    "year_in_run": ((*_MODEL, "year"), _year_in_run),
    "weight": ((*_MODEL, "weight_kg"), partial(_number, flat="weight_kg")),
    "figure": ((*_MODEL, "figure"), partial(_number, flat="figure")),
    "finish_rarity": ((*_MODEL, "finish"), _finish_rarity),
    "log_total": ((*_MODEL, "edition"), _log_total),
    "log_number": ((*_MODEL, "edition", "edition_number"), _log_number),
    "number_share": ((*_MODEL, "edition", "edition_number"), _number_share),
    "number_unknown": ((*_MODEL, "edition", "edition_number"), _number_unknown),
    "body": (_MODEL, _body),
    **{name: ((*_MODEL, _PATH[flat]), partial(_blank, flat=flat)) for name, flat in BLANKS.items()},
}

PLAYERS: Mapping[str, tuple[str, ...]] = {
    **{name: players for name, (players, _) in LEVEL_COLUMNS.items()},
    **{name: players for name, (players, _) in NUMBER_COLUMNS.items()},
    **{flat: (_PATH[flat],) for flat in LOSSES},
}
COLUMNS: tuple[str, ...] = tuple(PLAYERS)

# Columns that depend only on maker, model and edition, the first fields, are computed once for each of these.
_HEAD = 3
_OF_HEAD = frozenset({*_MODEL, "edition"})


def feature_hash() -> str:
    """Return a hash of the columns' names, order, factors and codes; a bundle with another one is refused."""
    coding = json.dumps([list(PLAYERS.items()), _POSITION, STEPS_OF], sort_keys=True)
    return hashlib.sha256(coding.encode()).hexdigest()


def ordinal(flat: str, value: Any) -> float:
    """Return the value of a loss-ordered field as a number: 0 is the best, NaN means not known."""
    if value is None:
        return math.nan
    return _POSITION[flat][value] if flat in _POSITION else float(value)


def columns(
    subjects: Sequence[Subject],
    catalogue: Catalogue,
    typical: Mapping[str, Typical],
    names: Sequence[str] = COLUMNS,
) -> dict[str, NDArray[Any]]:
    """Return the named columns of n subjects, each (n,). `typical`: model key → typical values.

    Names must be spelled as in the catalogue. Raises UnknownNameError.
    """
    known: dict[tuple[object, ...], _Facts] = {}
    pairs = []
    for s in subjects:
        head = s.instrument[:_HEAD]
        facts = known.get(head)
        if facts is None:
            model = catalogue.find(s.instrument.maker, s.instrument.model)
            facts = _Facts(model, model.edition(s.instrument.edition), typical[model_key(s)])
            known[head] = facts
        it = counted(s.instrument, facts.model)
        pairs.append((s if it is s.instrument else s._replace(instrument=it), facts))
    return {name: _column(name, pairs) for name in names}


def _column(name: str, pairs: Sequence[tuple[Subject, _Facts]]) -> NDArray[Any]:
    if name in LOSSES:
        return np.array([ordinal(name, getattr(s.instrument, name)) for s, _ in pairs], dtype=np.float64)
    _, read = (LEVEL_COLUMNS if name in LEVEL_COLUMNS else NUMBER_COLUMNS)[name]
    if _OF_HEAD.issuperset(PLAYERS[name]):
        first = {id(facts): (s, facts) for s, facts in pairs}
        once = {own: read(*pair) for own, pair in first.items()}
        found = [once[id(facts)] for _, facts in pairs]
    else:
        found = [read(s, facts) for s, facts in pairs]
    return np.array(found, dtype=object if name in LEVEL_COLUMNS else np.float64)
