"""Each line of an explanation as one plain sentence, in the words of the trade."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from decimal import Decimal

from models.comparables.grid import Line
from models.factors import Factor
from models.instrument import Subject, Value
from models.money import minor_units
from models.unsaid import AS_NONE, TYPICAL, counted_less
from models.valuation import Valuation
from models.vocabulary import BY_PATH, FIELDS, FIGURE, WEAR, Kind

_SYMBOLS = {"USD": "$", "EUR": "€", "GBP": "£", "JPY": "¥"}
_WEAR_WORDS = tuple(term.meaning for term in WEAR)
_FIGURE_WORDS = tuple(term.meaning for term in FIGURE)
_TERM_WORDS: Mapping[str, Mapping[str, str]] = {
    "build": {
        "production": "ordinary production",
        "prototype": "a prototype",
        "custom_order": "a custom order",
    },
    "condition.electronics": {"working": "working", "partial": "working in part", "dead": "dead"},
    "condition.structure": {
        "sound": "sound",
        "repaired_crack": "a repaired crack",
        "open_crack": "an open crack",
        "repaired_headstock": "a repaired headstock",
        "broken_headstock": "a broken headstock",
    },
    "originality.frets": {"original": "original", "refretted": "replaced"},
    "originality.routing": {"none": "none", "filled": "filled", "open": "open"},
    "provenance.history": {
        "none": "undocumented",
        "one_owner": "one owner from new",
        "documented": "documented",
        "notable": "a notable owner or use",
    },
    "provenance.case": {"original": "its own", "period": "of the period", "modern": "modern", "none": "none"},
}
_PART_WORDS = {"original": "original", "period": "of the period", "modern": "modern", "missing": "missing"}
_PLURAL = frozenset(
    {"originality.pickups", "originality.tuners", "originality.frets", "condition.electronics"}
)
_HEADS = {"originality.finish": "Finish", "originality.frets": "Frets", "channel": "Market"}
_HELPS = {
    "provenance.history": " Documents of any would help.",
    "provenance.paperwork": " Photographs of any would help.",
}
# From these shares on, a line says that its effect is mostly, or nearly all, common practice.
_MOST, _NEARLY_ALL = 0.5, 0.95
_USUAL_LOSS = frozenset(f.path for f in FIELDS if f.loss_ordered) | {"provenance.case"}
_WEAR_FIELDS = frozenset(f.path for f in FIELDS if f.terms == WEAR)


def head_of(path: str) -> str:
    """The words that a line about this field begins with."""
    label = _HEADS.get(path) or (BY_PATH[path].label if path in BY_PATH else path)
    return label[0].upper() + label[1:]


def _verb(path: str) -> str:
    return "are" if path in _PLURAL else "is"


def percent(effect: float) -> str:
    """A log effect in per cent of the value, signed: 100(e^b − 1)."""
    share = 100 * math.expm1(effect)
    digits = 0 if abs(share) >= 99.5 else 1
    shown = f"{abs(share):.{digits}f}%"
    return shown if not float(shown[:-1]) else f"{'−' if share < 0 else '+'}{shown}"


def money(amount: Decimal, currency: str, signed: bool = False) -> str:
    """An amount to the whole unit, or to the cent below ten: $1,250, −$212, CHF 90, $0."""
    digits = 0 if abs(amount) >= 10 or not amount else minor_units(currency)
    symbol = _SYMBOLS.get(currency, f"{currency} ")
    sign = "−" if amount < 0 else "+" if signed and amount > 0 else ""
    return f"{sign}{symbol}{abs(amount):,.{digits}f}"


def words_of(path: str, value: Value) -> str:
    """A field's value in words; `not known` for None."""
    field = BY_PATH.get(path)
    if value is None:
        return "standard" if path == "edition" else "not known"
    if isinstance(value, bool):
        return "there" if value else "none"
    if field is not None and field.kind is Kind.GRADE:
        return _grade(float(value), _FIGURE_WORDS if path == "figure" else _WEAR_WORDS)
    if path == "day":
        return f"{date.fromisoformat(str(value)):%-d %B %Y}"
    if path == "weight_kg":
        return f"{float(value):.2f} kg"
    if field is not None and field.kind is Kind.TERM:
        return _TERM_WORDS.get(path, _PART_WORDS).get(str(value), str(value).replace("_", " "))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _grade(grade: float, words: tuple[str, ...]) -> str:
    low = int(grade)
    return words[low] if grade == low else f"between {words[low]} and {words[low + 1]}"


def sentence(factor: Factor, currency: str, widening: float | None = None, *, unlisted: bool = False) -> str:
    """One line: what was seen, what a typical one has, and what it does. `widening`: see `_wider`.

    `unlisted`: the catalogue does not have what is said for the model, and it was valued as not known.

    "Neck wear is moderate, where a typical one shows traces: −6.1%, −$212."
    "Weight: not given; counted as typical (4.03 kg). No effect."
    "Frets are replaced, where a typical one's are original: −3.0%, −$90; mostly common practice."
    """
    does = f"{percent(factor.effect)}, {money(factor.amount, currency, signed=True)}"
    if not factor.effect and not factor.amount:
        does = "no effect"
    rests = _rests(factor)
    head = f"{head_of(factor.field)} {_verb(factor.field)} {words_of(factor.field, factor.observed)}"
    if unlisted or (factor.observed is None and factor.field != "edition"):
        return _blank(factor, does, widening)
    if factor.observed == factor.reference:
        return f"{head}, as a typical one's, but counts differently here: {does}{rests}."
    if factor.reference is None and factor.field != "edition":
        return f"{head}: {does}{rests}."
    typical = " shows" if factor.field in _WEAR_FIELDS else f"'s {_verb(factor.field)}"
    return f"{head}, where a typical one{typical} {words_of(factor.field, factor.reference)}: {does}{rests}."


def _blank(factor: Factor, does: str, widening: float | None) -> str:
    """The line of a field that was left blank, or of a value that the catalogue does not have."""
    said = "not given"
    if factor.observed is not None:
        said = f"{words_of(factor.field, factor.observed)}, which the catalogue does not have for this model"
    counted = f"{head_of(factor.field)}: {said}{_counted(factor)}"
    helps = _HELPS.get(factor.field, "")
    if not factor.amount:
        return f"{counted}. No effect{_wider(widening)}.{helps}"
    return f"{counted}: {does}{_wider(widening)}{_rests(factor)}.{helps}"


def _rests(factor: Factor) -> str:
    """The words that a factor's line adds where most of its effect rests on common practice."""
    if factor.basis < _MOST or not factor.amount:
        return ""
    if factor.basis < _NEARLY_ALL:
        return "; mostly common practice"
    return "; common practice, hardly seen in sales yet"


def _counted(factor: Factor) -> str:
    typical = words_of(factor.field, factor.reference)
    if factor.field in AS_NONE:
        return "; counted as none"
    if factor.field == "build":
        return f"; counted as {typical}"
    if factor.field in TYPICAL and factor.reference is not None:
        return f"; counted {'below' if counted_less(factor.effect) else 'as'} typical ({typical})"
    if factor.field in _USUAL_LOSS:
        return "; counted with the usual loss of those left blank"
    return ""


def _wider(widening: float | None) -> str:
    """The clause that says how much wider the 80% range is because the field is not known; "" for 0%.

    `widening`: 0.09 is 9% wider; None is not at all.
    """
    share = round(100 * (widening or 0.0))
    return f", and the range is {share}% wider for it" if share >= 1 else ""


def foreword(valuation: Valuation) -> str | None:
    """The line above all others where most of the explanation rests on common practice."""
    if valuation.basis < _MOST:
        return None
    share = round(100 * valuation.basis)
    if share == 100:
        return "The whole difference from a typical one rests on common practice."
    of = "the difference from a typical one"
    return f"{share}% of {of} rests on common practice, the rest on recorded prices."


def sentences(valuation: Valuation, widening: Mapping[str, float]) -> dict[str, str]:
    """Field → sentence, for every factor of a valuation. `widening`: see `models.questions.widening`."""
    return {
        factor.field: sentence(
            factor,
            valuation.currency,
            widening.get(factor.field),
            unlisted=factor.observed is not None and factor.field in valuation.unknown,
        )
        for family in valuation.families
        for factor in family.factors
    }


def adjustment(line: Line, subject: Subject, sold: Subject, currency: str) -> str:
    """One line of a grid: "Neck wear is light here and moderate on the one sold: +3.1%, +$120."."""
    does = f"{100 * line.share:+.1f}%".replace("-", "−") + f", {money(line.amount, currency, signed=True)}."
    if line.field == "day":
        days = (words_of("day", day.isoformat()) for day in (sold.day, subject.day))
        return "Brought from {} to {}: {}".format(*days, does)
    if line.field == "channel":
        return f"Market is {subject.channel} here and was {sold.channel} there: {does}"
    field = BY_PATH[line.field]
    here, there = (words_of(line.field, s.instrument.get(field)) for s in (subject, sold))
    if here == there:
        return f"{head_of(line.field)} {_verb(line.field)} {here} on both, but counts differently: {does}"
    return f"{head_of(line.field)} {_verb(line.field)} {here} here and {there} on the one sold: {does}"
