"""The parts that a valuation can have beside its figures, by name, in the form that answers give them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from models.domain.instrument import Subject
from models.domain.names import nearest
from models.domain.vocabulary import BY_PATH
from models.errors import Fault, InputError
from models.insights.alternatives import Alternative
from models.insights.comparables import Adjustment, Comparable, comparables
from models.insights.questions import Question, questions, widening
from models.insights.record import Entry, record_of
from models.insights.restoration import Remedy, Restoration, restoration
from models.insights.sentences import adjustment, explanation
from models.valuation.valuer import Interval
from service.api.parts.case import Case
from service.api.values.services import caution_entry, interval_entry
from service.errors import ScopeError
from service.keys.callers import Caller
from service.keys.kinds import WEBSITE


def read_include(text: str) -> tuple[str, ...]:
    """Names of parts between commas, each once, in the order of `PARTS`. Raises InputError."""
    names = [name.strip() for name in text.split(",")]
    faults = [
        Fault("include", name, "is not a part of a valuation", ", ".join(PARTS), "leave it out", near)
        for name in names
        if name not in PARTS
        for near in (nearest(name, PARTS),)
    ]
    if faults:
        raise InputError(faults)
    return tuple(name for name in PARTS if name in names)


def check_parts(names: Sequence[str], caller: Caller) -> None:
    """Raise ScopeError if a website key, which anyone can read, asks for the specialist's evidence."""
    kept_back = [name for name in names if name not in FORM_PARTS]
    if kept_back and caller.kind == WEBSITE:
        raise ScopeError(f"A website key can include {' and '.join(FORM_PARTS)}, not {kept_back[0]}.")


def comparables_part(case: Case) -> dict[str, Any]:
    """The sales that stand closest, each brought line by line to the subject."""
    found = comparables(case.valuer, case.request.subject, case.request.currency)
    return {
        "sales": [_comparable(c, case.request.subject) for c in found.sales],
        "beside": [_comparable(c, case.request.subject) for c in found.beside],
        "reconciled": _text(found.reconciled),
        "difference": found.difference,
        "set_aside": list(found.set_aside),
        "note": found.note,
        "caution": caution_entry(found.caution) if found.caution else None,
    }


def _comparable(found: Comparable, subject: Subject) -> dict[str, Any]:
    grid, sold = found.grid, Subject(found.instrument, found.day, found.channel)
    return {
        **_recorded(found),
        "instrument": found.instrument.to_nested(),
        "same_edition_and_build": found.same_edition_and_build,
        "same_instrument": found.same_instrument,
        "standard_error": found.standard_error,
        "share": found.share,
        "price": str(grid.price),
        "market": [_line(line, subject, sold, grid.currency, found.kind) for line in grid.market],
        "today": str(grid.today),
        "lines": [_line(line, subject, sold, grid.currency, found.kind) for line in grid.lines],
        "adjusted": str(grid.adjusted),
        "net": grid.net,
        "gross": grid.gross,
        "flags": list(grid.flags),
    }


def _recorded(found: Comparable | Entry) -> dict[str, Any]:
    return {
        "id": found.id,
        "kind": found.kind,
        "date": found.day,
        "channel": found.channel,
        "paid": {"price": str(found.price), "currency": found.currency},
    }


def _line(line: Adjustment, subject: Subject, sold: Subject, currency: str, kind: str) -> dict[str, Any]:
    text = adjustment(line, subject, sold, currency, kind)
    return {"field": line.field, "share": line.share, "amount": str(line.amount), "text": text}


def questions_part(case: Case) -> list[dict[str, Any]]:
    """The fields that, once answered, would narrow the range most."""
    return [_question(q) for q in questions(case.valuer, case.request.subject, case.request.currency)]


def _question(found: Question) -> dict[str, Any]:
    return {
        "field": found.field,
        "label": found.label,
        "how": found.how,
        "narrowing": found.narrowing,
        "after": found.after,
        "outcomes": [{"answer": o.answer, "chance": o.chance, "value": str(o.value)} for o in found.outcomes],
    }


def earlier_records_part(case: Case) -> dict[str, Any]:
    """List the earlier records of this very instrument, with cautions about them."""
    found = record_of(case.valuer, case.request.subject, case.request.currency)
    return {
        "entries": [_entry(entry) for entry in found.entries],
        "cautions": [caution_entry(caution) for caution in found.cautions],
    }


def _entry(found: Entry) -> dict[str, Any]:
    return {
        **_recorded(found),
        "implied": str(found.implied),
        "changes": [
            {"field": c.field, "label": c.label, "before": c.before, "after": c.after, "kind": c.kind}
            for c in found.changes
        ],
    }


def sentences_part(case: Case) -> list[dict[str, str | None]]:
    """Each reason as a sentence, in the order of the attributions; those about several have no field."""
    found = explanation(case.valuation, widening(case.valuer, case.request.subject))
    return [{"field": field, "text": text} for field, text in found]


def restoration_part(case: Case, costs: Mapping[str, Decimal] | None = None) -> dict[str, Any]:
    """Weigh what can be put right against its cost.

    Raises InputError for a cost of something that cannot be put right.
    """
    wanted = case.request
    return _restoration(restoration(case.valuer, wanted.subject, costs or {}, wanted.currency, wanted.levels))


def _restoration(found: Restoration) -> dict[str, Any]:
    return {
        "remedies": [_remedy(remedy) for remedy in found.remedies],
        "lasting": [
            {"field": x.field, "label": BY_PATH[x.field].label, "now": x.now, "reason": x.reason}
            for x in found.lasting
        ],
        "together": alternative_entry(found.together) if found.together else None,
    }


def _remedy(found: Remedy) -> dict[str, Any]:
    return {
        "field": found.field,
        "label": BY_PATH[found.field].label,
        "now": found.now,
        "then": found.then,
        "gain": str(found.gain),
        "gain_intervals": _intervals(found.gain_intervals),
        "cost": _text(found.cost),
        "net": _text(found.net),
        "worth_it": found.worth_it,
    }


def alternative_entry(found: Alternative) -> dict[str, Any]:
    """One alternative as it is answered."""
    return {
        "changes": [{"field": path, "value": value} for path, value in found.changes.items()],
        "value": str(found.value),
        "intervals": _intervals(found.intervals),
        "effect": found.effect,
        "difference": str(found.difference),
        "difference_intervals": _intervals(found.difference_intervals),
    }


def _intervals(found: Sequence[Interval]) -> list[dict[str, Any]]:
    return [interval_entry(interval) for interval in found]


def _text(amount: Decimal | None) -> str | None:
    return None if amount is None else str(amount)


# The parts that `include` can name, in the order in which an answer gives them.
PARTS: Mapping[str, Callable[[Case], Any]] = {
    "comparables": comparables_part,
    "questions": questions_part,
    "earlier_records": earlier_records_part,
    "sentences": sentences_part,
    "restoration": restoration_part,
}
FORM_PARTS = ("questions", "sentences")  # those that hold no record of a sale
