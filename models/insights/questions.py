"""The questions to ask next: the unknown fields that, once answered, would narrow the range most.

The width of a range is ln(high / low) of its central 80%. The width after an answer is the mean over the
answers that are likely for such an instrument, weighted by their chances. That mean tells of the width alone:
the value that each answer would give is shown beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from models.domain.instrument import Subject, Value
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import BY_PATH
from models.insights.answers import Answer, likely_answers
from models.price.core.basis import Floats
from models.valuation.unsaid import unknown_fields
from models.valuation.valuer import Valuer, money_of

LEVEL = 0.8
_SHOWN = 3  # answers shown with the value that each would give
_CONTENDERS = 8  # fields that are looked at again once the first is chosen
ASKED = frozenset(BY_PATH) - {"maker", "model", "serial", "edition", "build"}  # what a price depends on


@dataclass(frozen=True)
class Outcome:
    """One likely answer and the value that it would give."""

    answer: Value
    chance: float
    value: Decimal


@dataclass(frozen=True)
class Question:
    """One field to ask for. `narrowing`: expected share of the 80% range's width that an answer takes away.

    `after`: the same share when it and all questions before it in the list are answered. `outcomes`: the
    likeliest answers first, or the ends and the middle of what a number may be.
    """

    field: str
    label: str
    how: str
    narrowing: float
    after: float
    outcomes: tuple[Outcome, ...]


def questions(
    valuer: Valuer,
    subject: Subject,
    currency: str = BASE_CURRENCY,
    count: int = 3,
    among: Sequence[str] | None = None,
) -> tuple[Question, ...]:
    """The `count` fields to ask for, in order: each the best beside those before it (answered as likely).

    `among`: paths of fields that can be asked for (default: all that are not known). Fewer where nothing more
    narrows. Raises UnknownNameError, or InputError for a currency without a rate.
    """
    rate = valuer.rate(currency, subject.day)
    base = valuer.canonical(subject)
    open_fields = _open(valuer, base, among)
    asked: list[Question] = []
    start = width = float(_widths(valuer, [base])[0])
    known = base
    while open_fields and len(asked) < count:
        looked = _look(valuer, known, open_fields)
        if not asked:
            first = looked
        looked.sort(key=lambda look: (look.expected, look.path))
        best = looked[0]
        if best.expected >= width - 1e-6:
            break
        alone = next(look for look in first if look.path == best.path)
        asked.append(_question(alone, start, best.expected, rate, currency))
        width = best.expected
        known = known.but(**{BY_PATH[best.path].flat: best.answers[0].value})
        open_fields = {look.path: look.answers for look in looked[1 : 1 + _CONTENDERS]}
    return tuple(asked)


def widening(valuer: Valuer, subject: Subject) -> dict[str, float]:
    """Path of each unknown field → how much wider the 80% range is for it: 0.09 is 9% wider."""
    base = valuer.canonical(subject)
    width = float(_widths(valuer, [base])[0])
    looked = _look(valuer, base, _open(valuer, base, None))
    return {look.path: max(width / look.expected - 1, 0.0) for look in looked}


@dataclass(frozen=True)
class _Look:
    """One field, its likely answers, the log value each gives and the width expected once it is answered."""

    path: str
    answers: tuple[Answer, ...]
    centers: Floats
    expected: float


def _open(valuer: Valuer, base: Subject, among: Sequence[str] | None) -> dict[str, tuple[Answer, ...]]:
    """Fields that can be asked for, with their likely answers."""
    model = valuer.catalogue.find(base.instrument.maker, base.instrument.model)
    paths = [path for path in unknown_fields(base.instrument, model) if path in ASKED]
    if among is not None:
        paths = [path for path in paths if path in among]
    found = {p: likely_answers(valuer.snapshot, model, base.instrument, BY_PATH[p]) for p in paths}
    return {path: answers for path, answers in found.items() if answers}


def _look(valuer: Valuer, base: Subject, open_fields: dict[str, tuple[Answer, ...]]) -> list[_Look]:
    """Look at every field at once: the price model values all answers of all fields in one call."""
    subjects = [
        base.but(**{BY_PATH[path].flat: a.value}) for path, answers in open_fields.items() for a in answers
    ]
    if not subjects:
        return []
    found = valuer.model.estimate(subjects, [LEVEL])
    widths = found.high[:, 0] - found.low[:, 0]
    out, at = [], 0
    for path, answers in open_fields.items():
        rows = slice(at, at + len(answers))
        expected = math.fsum(a.chance * w for a, w in zip(answers, widths[rows].tolist(), strict=True))
        out.append(_Look(path, answers, found.center[rows], expected))
        at += len(answers)
    return out


def _widths(valuer: Valuer, subjects: Sequence[Subject]) -> Floats:
    found = valuer.model.estimate(subjects, [LEVEL])
    return np.asarray(found.high[:, 0] - found.low[:, 0], np.float64)


def _question(look: _Look, start: float, after: float, rate: float, currency: str) -> Question:
    field = BY_PATH[look.path]
    outcomes = [
        Outcome(a.value, a.chance, money_of(c, rate, currency))
        for a, c in zip(look.answers, look.centers.tolist(), strict=True)
    ]
    if field.terms or look.path in ("finish", "provenance.paperwork"):
        shown = outcomes[:_SHOWN]
    else:  # parts of a number are equally likely: its ends and its middle say more
        ordered = sorted(outcomes, key=lambda o: float(o.answer or 0))
        shown = [ordered[k] for k in sorted({0, len(ordered) // 2, len(ordered) - 1})]
    return Question(
        field=look.path,
        label=field.label,
        how=HOW.get(look.path, f"say {field.meaning}"),
        narrowing=1 - look.expected / start,
        after=1 - after / start,
        outcomes=tuple(shown),
    )


_LEAVE_IT = "do not unscrew or unsolder anything: ask a repairer, or leave it blank"
# Field → the best way for an owner without a workbench to find out its value.
HOW = {
    "condition.top": "a photograph of the whole top, straight on, in daylight",
    "condition.back": "a photograph of the whole back, with light falling from the side",
    "condition.neck": "a photograph of the back of the neck, with light falling along it",
    "condition.headstock": "photographs of the headstock's face, back and edges",
    "condition.frets": "a photograph along the fingerboard, close to the first five frets",
    "condition.hardware": "close photographs of bridge, tuners and metal parts",
    "condition.electronics": (
        "what does not work when every pickup, switch and control is played through a sound, earthed "
        "amplifier; never open the amplifier, and leave it to a qualified technician if unsure"
    ),
    "condition.structure": "photographs of the neck's joint, the back of the headstock and the sides, close",
    "originality.finish": (
        "photographs of worn and chipped spots, close, where lower layers show; " + _LEAVE_IT
    ),
    "originality.pickups": "photographs of the pickups as they are, close; " + _LEAVE_IT,
    "originality.wiring": "receipts of any repair that name the wiring; " + _LEAVE_IT,
    "originality.tuners": "photographs of the tuners' backs and of the screw holes around them",
    "originality.frets": "a photograph of the fret ends and the edge of the binding",
    "originality.routing": "photographs of the whole front and back, close; " + _LEAVE_IT,
    "figure": "a photograph of the top in daylight, tilted so that the figure moves",
    "year": "the serial number and any date that shows on labels or papers; " + _LEAVE_IT,
    "weight_kg": "weigh it without its case",
    "edition_number": "a photograph of the number on its label, headstock or certificate",
    "finish": "a photograph of the front and back in daylight",
    "provenance.history": "what documents say who owned it",
    "provenance.paperwork": "photographs of receipts, tags and certificates",
    "provenance.case": "a photograph of the case, open and closed",
}
