"""Explanations of a value as plain sentences, in the words of the trade.

The sentence of a field reads: "label: its value (typical: typical value): percent, amount."
"""

import math
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal

from models.domain.instrument import Subject, Value
from models.domain.money import minor_units
from models.domain.vocabulary import BY_PATH, FIELDS, FIGURE, WEAR, Kind
from models.insights.comparables.grid import Adjustment
from models.valuation.factors import Factor, basis_of
from models.valuation.unsaid import AS_NONE, TYPICAL, counted_less
from models.valuation.valuer import Valuation

_SYMBOLS = {"USD": "$", "EUR": "€", "GBP": "£", "JPY": "¥"}
_WEAR_WORDS = tuple(term.meaning for term in WEAR)
_FIGURE_WORDS = tuple(term.meaning for term in FIGURE)
TERM_WORDS: Mapping[str, Mapping[str, str]] = {
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
    "originality.routing": {"none": "none", "filled": "present, filled", "open": "present, unfilled"},
    "provenance.history": {
        "none": "undocumented",
        "one_owner": "one owner from new",
        "documented": "documented",
        "notable": "a notable owner or use",
    },
    "provenance.case": {
        "original": "original",
        "period": "period-correct",
        "modern": "modern",
        "none": "none",
    },
}
_PART_WORDS = {"original": "original", "period": "period-correct", "modern": "modern", "missing": "missing"}
_HEADS = {"originality.finish": "Finish", "originality.frets": "Frets", "channel": "Market"}
_HELPS = {
    "provenance.history": " Documents of its ownership history would help.",
    "provenance.paperwork": " Photographs of any paperwork would help.",
}
# Shares of an effect from which a sentence calls it "mostly common practice", or "hardly seen in sales yet".
_MOST, _NEARLY_ALL = 0.5, 0.95
_UNNUMBERED = "unnumbered"
_SALES = {
    "private": ("a private sale", "privately"),
    "dealer": ("a dealer's sale", "by a dealer"),
    "auction": ("an auction sale", "at auction"),
    "online": ("an online sale", "online"),
}
_HAPPENED = {"sale": "sold", "asking": "listed", "offer": "offered for"}
_USUAL_LOSS = frozenset(f.path for f in FIELDS if f.loss_ordered) | {"provenance.case"}


def head_of(path: str) -> str:
    """Return the words with which a sentence about this field begins."""
    label = _HEADS.get(path) or (BY_PATH[path].label if path in BY_PATH else path)
    return label[0].upper() + label[1:]


def percent(effect: float) -> str:
    """Return a log effect b as a signed percentage of the value: 100(e^b − 1)."""
    share = 100 * math.expm1(effect)
    digits = 0 if abs(share) >= 99.5 else 1
    shown = f"{abs(share):.{digits}f}%"
    return shown if not float(shown[:-1]) else f"{'−' if share < 0 else '+'}{shown}"


def money(amount: Decimal, currency: str, signed: bool = False) -> str:
    """Return an amount as text, in whole units, or with decimals below ten: $1,250, −$212, CHF 90, $0."""
    digits = 0 if abs(amount) >= 10 or not amount else minor_units(currency)
    symbol = _SYMBOLS.get(currency, f"{currency} ")
    sign = "−" if amount < 0 else "+" if signed and amount > 0 else ""
    return f"{sign}{symbol}{abs(amount):,.{digits}f}"


def words_of(path: str, value: Value) -> str:
    """Return a field's value in words. None gives `not known`, or `standard` for the edition."""
    field = BY_PATH.get(path)
    if value is None:
        return "standard" if path == "edition" else "not known"
    if isinstance(value, bool):
        return "included" if value else "none"
    if field is not None and field.kind is Kind.GRADE:
        return _grade(float(value), _FIGURE_WORDS if path == "figure" else _WEAR_WORDS)
    if path == "day":
        return f"{date.fromisoformat(str(value)):%-d %B %Y}"
    if path == "weight_kg":
        return f"{float(value):.2f} kg"
    if field is not None and field.kind is Kind.TERM:
        return TERM_WORDS.get(path, _PART_WORDS).get(str(value), str(value).replace("_", " "))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _grade(grade: float, words: tuple[str, ...]) -> str:
    low = int(grade)
    return words[low] if grade == low else f"between {words[low]} and {words[low + 1]}"


def explanation(valuation: Valuation, widening: Mapping[str, float]) -> list[tuple[str | None, str]]:
    """Return the sentences of an explanation, each with the path of its field, or None if it has several.

    General sentences come first, then one for each known field, then one for all blank fields together.
    `widening`: from `models.insights.questions.widening`.
    """
    currency = valuation.currency
    factors = [factor for family in valuation.families for factor in family.factors]
    blank = [factor for factor in factors if factor.observed is None and factor.field != "edition"]
    lines: list[tuple[str | None, str]] = [(None, text) for text in _foreword(valuation, bool(factors))]
    for factor in factors:
        if factor not in blank:
            unlisted = factor.observed is not None and factor.field in valuation.unknown
            wider = widening.get(factor.field, 0.0)
            lines.append((factor.field, sentence(factor, currency, wider, unlisted=unlisted)))
    return [*lines, (None, not_given(blank, currency, widening))] if blank else lines


def _foreword(valuation: Valuation, reasons: bool) -> list[str]:
    """Return the general sentences: how figures add up, and the share of common practice if it is most."""
    lines = ["Percentages multiply, amounts add up to the difference from the typical instrument."]
    if valuation.basis >= _MOST:
        share = round(100 * valuation.basis)
        difference = "difference from the typical instrument rests on common practice"
        rest = f"{share}% of the {difference}, the rest on recorded prices."
        lines.append(f"The whole {difference}." if share == 100 else rest)
    return lines if reasons else []


def sentence(factor: Factor, currency: str, widening: float = 0.0, *, unlisted: bool = False) -> str:
    """Return the sentence of a known field: its value, the typical value, and the effect of the difference.

    `unlisted`: the catalogue does not have this value for the model, so that it was valued as not known and
    made the 80% range wider by the share `widening`.

    "Neck wear: moderate (typical: traces): −6.1%, −$212."
    "Frets: replaced (typical: original): −3.0%, −$90; mostly common practice."
    """
    seen = words_of(factor.field, factor.observed)
    typical = _UNNUMBERED if factor.field == "edition_number" else words_of(factor.field, factor.reference)
    if unlisted:
        seen += ", which the catalogue does not have for this model"
        seen += f"; {_counted(factor)}" if _counted(factor) else ""
    elif factor.observed == factor.reference:
        seen += ", same as typical; its effect differs because of the other details"
    elif factor.reference is not None or factor.field in ("edition", "edition_number"):
        seen += f" (typical: {typical})"
    does = _does(factor.effect, factor.amount, factor.basis, currency)
    return f"{head_of(factor.field)}: {seen}{does}{_wider(widening) if unlisted else ''}"


def not_given(factors: Sequence[Factor], currency: str, widening: Mapping[str, float]) -> str:
    """Return the one sentence on all blank fields, with the sum of their effects.

    "Not given: weight, counted as typical (4.03 kg); nut and wiring, counted with the usual loss of those
    left blank: together −1.2%, −$40. Largest effect on the 80% range: nut, 9% wider."
    """
    groups: dict[str, list[str]] = {}
    for factor in factors:
        groups.setdefault(_counted(factor), []).append(BY_PATH[factor.field].label)
    told = [_listed(labels) + (f", {counted}" if counted else "") for counted, labels in groups.items()]
    effect = math.fsum(factor.effect for factor in factors)
    amount = sum((factor.amount for factor in factors), Decimal(0))
    several = len(factors) > 1
    does = _does(effect, amount, basis_of(factors), currency, "together " if several else "")
    widest = max(factors, key=lambda factor: widening.get(factor.field, 0.0)).field
    wider = _wider(widening.get(widest, 0.0), BY_PATH[widest].label if several else "")
    helps = "".join(_HELPS.get(factor.field, "") for factor in factors)
    return f"Not given: {'; '.join(told)}{does}{wider}{helps}"


def _listed(words: Sequence[str]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def _does(effect: float, amount: Decimal, basis: float, currency: str, lead: str = "") -> str:
    """Return the end of a sentence: its effect in per cent and money, and a note if it is mostly practice."""
    if not amount:
        return ". No effect."
    rests = ""
    if basis >= _MOST:
        rests = "; mostly common practice"
    if basis >= _NEARLY_ALL:
        rests = "; common practice, hardly seen in sales yet"
    return f": {lead}{percent(effect)}, {money(amount, currency, signed=True)}{rests}."


def _counted(factor: Factor) -> str:
    """Say in words how a blank field was counted; "" if there is nothing to say."""
    typical = words_of(factor.field, factor.reference)
    if factor.field in AS_NONE:
        return "counted as none"
    if factor.field == "build":
        return f"counted as {typical}"
    if factor.field in TYPICAL and factor.reference is not None:
        return f"counted {'below' if counted_less(factor.effect) else 'as'} typical ({typical})"
    if factor.field in _USUAL_LOSS:
        return "counted with the usual loss of those left blank"
    return ""


def _wider(widening: float, label: str = "") -> str:
    """Return the sentence on how much wider the range is, by the field `label` if of several; "" below 1%."""
    share = round(100 * widening)
    start = f"Largest effect on the 80% range: {label}," if label else "Effect on the 80% range:"
    return f" {start} {share}% wider." if share >= 1 else ""


def adjustment(line: Adjustment, subject: Subject, other: Subject, currency: str, kind: str = "sale") -> str:
    """Return one adjustment of a comparable as a sentence. `other`: the comparable; `kind`: of its record.

    "Neck wear: light here, moderate on the one sold: +3.1%, +$120."
    """
    does = f"{100 * line.share:+.1f}%".replace("-", "−") + f", {money(line.amount, currency, signed=True)}."
    if line.field == "day":
        days = (words_of("day", day.isoformat()) for day in (other.day, subject.day))
        return "Brought from {} to {}: {}".format(*days, does)
    if line.field == "channel":
        here, there = _SALES[subject.channel][0], _SALES[other.channel][1]
        return f"Valued as {here}; that one was {_HAPPENED[kind]} {there}: {does}"
    field = BY_PATH[line.field]
    here, there = (words_of(line.field, s.instrument.get(field)) for s in (subject, other))
    if here == there:
        return (
            f"{head_of(line.field)}: {here} on both; its effect differs because of the other details: {does}"
        )
    return f"{head_of(line.field)}: {here} here, {there} on the one {_HAPPENED[kind]}: {does}"
