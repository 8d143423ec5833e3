"""The questions to ask next: the unknown fields whose answers would narrow the range most.

The width of a range is ln(high / low) of the central 80%. The width expected after a question is the mean
over the likely answers, weighted by their chances. The value that each answer would give is shown too.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from models.domain.instrument import Subject, Value
from models.domain.money import BASE_CURRENCY
from models.domain.vocabulary import BY_PATH
from models.insights.answers import Answer, likely_answers
from models.price.core.basis import Floats
from models.valuation.unsaid import unknown_fields
from models.valuation.valuer import Valuer, money_of

LEVEL = 0.8
_SHOWN = 3  # Number of answers that are shown for a question.
# Digits of a share of the width: later ones hang on the order in which a machine sums.
_DIGITS = 6
_CONTENDERS = 8  # Most fields that are compared again after each choice of a question.
# Paths of the fields that can be asked for.
ASKED = frozenset(BY_PATH) - {"maker", "model", "serial", "edition", "build"}


@dataclass(frozen=True)
class Outcome:
    """One likely answer to a question, its chance, and the value (in money) that it would give."""

    answer: Value
    chance: float
    value: Decimal


@dataclass(frozen=True)
class Question:
    """One field to ask for. `how`: advice on finding the answer.

    `narrowing`: the share of the 80% range's width that an answer is expected to remove. `after`: that share
    once this question and all before it in the list are answered. `outcomes`: the likeliest answers first;
    for a number, its likely lowest, middle and highest values.
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
    """Return at most `count` questions, in the order of asking.

    Each is the field that narrows the range most if the questions before it get their likeliest answers. The
    list ends where no field narrows the range. `among`: paths of the fields that may be asked for (default:
    all that are not known). Raises UnknownNameError, or InputError for a currency without a rate.
    """
    rate = valuer.rate(currency, subject.day)
    base = valuer.canonical(subject)
    open_fields = _open(valuer, base, among)
    asked: list[Question] = []
    start = width = _width(valuer, base)
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
    """Return path of each unknown field → how much wider it makes the 80% range: 0.09 is 9% wider."""
    base = valuer.canonical(subject)
    width = _width(valuer, base)
    looked = _look(valuer, base, _open(valuer, base, None))
    return {look.path: max(width / look.expected - 1, 0.0) for look in looked}


@dataclass(frozen=True)
class _Look:
    """One field to ask for, the log value by each of its answers, and the width expected after an answer."""

    path: str
    answers: tuple[Answer, ...]
    centers: Floats
    expected: float


def _open(valuer: Valuer, base: Subject, among: Sequence[str] | None) -> dict[str, tuple[Answer, ...]]:
    """Return path of each field that can be asked for → its likely answers."""
    model = valuer.catalogue.find(base.instrument.maker, base.instrument.model)
    paths = [path for path in unknown_fields(base.instrument, model) if path in ASKED]
    if among is not None:
        paths = [path for path in paths if path in among]
    found = {p: likely_answers(valuer.snapshot, model, base.instrument, BY_PATH[p]) for p in paths}
    return {path: answers for path, answers in found.items() if answers}


def _look(valuer: Valuer, base: Subject, open_fields: dict[str, tuple[Answer, ...]]) -> list[_Look]:
    """Value the likely answers of all fields in one call of the price model, and compute expected widths."""
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


def _width(valuer: Valuer, subject: Subject) -> float:
    found = valuer.model.estimate([subject], [LEVEL])
    return float(found.high[0, 0] - found.low[0, 0])


def how_to_tell(path: str) -> str:
    """Return how an owner can best find out a field, without taking anything apart."""
    return HOW.get(path, f"say {BY_PATH[path].meaning}")


def _question(look: _Look, start: float, after: float, rate: float, currency: str) -> Question:
    field = BY_PATH[look.path]
    outcomes = [
        Outcome(a.value, a.chance, money_of(c, rate, currency))
        for a, c in zip(look.answers, look.centers.tolist(), strict=True)
    ]
    if field.terms or look.path in ("finish", "provenance.paperwork"):
        shown = outcomes[:_SHOWN]
    else:  # The likely values of a number have about equal chances, so show the lowest, middle and highest.
        ordered = sorted(outcomes, key=lambda o: float(o.answer or 0))
        shown = [ordered[k] for k in sorted({0, len(ordered) // 2, len(ordered) - 1})]
    return Question(
        field=look.path,
        label=field.label,
        how=how_to_tell(look.path),
        narrowing=round(1 - look.expected / start, _DIGITS),
        after=round(1 - after / start, _DIGITS),
        outcomes=tuple(shown),
    )


_LEAVE_IT = "do not unscrew or unsolder anything: ask a repairer, or leave it blank"
# Path of a field → how an owner can best find out its value without tools.
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
