"""The parts that an answer can have beside a valuation's figures: how each is found and dumped."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple

from marshmallow import Schema, fields

from models.domain.instrument import Subject
from models.domain.money import Quote
from models.domain.names import nearest
from models.errors import Fault, InputError
from models.insights.comparables import Adjustment, Comparable, Comparables, comparables
from models.insights.questions import Question, questions, widening
from models.insights.record import Record, record_of
from models.insights.restoration import Restoration, restoration
from models.insights.sentences import adjustment, explanation
from service.api.parts.case import Case
from service.api.parts.schemas import (
    AlternativesSchema,
    ComparablesSchema,
    EarlierRecordsSchema,
    PartSchema,
    QuestionSchema,
    RestorationSchema,
    SentenceSchema,
)
from service.api.values.schemas import ValuationSchema
from service.dumping import Pairs, converter, described, dumper
from service.errors import ScopeError
from service.keys.callers import Caller
from service.keys.kinds import WEBSITE

Member = Callable[..., fields.Field[Any]]  # takes a field's options, returns a part's member of an answer


class Part(NamedTuple):
    """One part: the function that finds it, its member of an answer's schema, and its description."""

    find: Callable[[Case], Any]
    member: Member
    text: str


class PartOf(NamedTuple):
    """A part of a kept valuation (`found`), with all else that its own answer shows."""

    valuation_id: str
    case: Case
    rate: Quote
    found: Any


@dataclass(frozen=True)
class LineInWords(Adjustment):
    """An adjustment of a comparable's price, with a sentence that explains it."""

    text: str


def find_comparables(case: Case) -> Comparables:
    """Find the closest sales, each with its price adjusted line by line to the subject."""
    subject = case.request.subject
    found = comparables(case.valuer, subject, case.request.currency)
    sales, beside = (tuple(_in_words(c, subject) for c in some) for some in (found.sales, found.beside))
    return replace(found, sales=sales, beside=beside)


def _in_words(found: Comparable, subject: Subject) -> Comparable:
    grid, sold = found.grid, Subject(found.instrument, found.day, found.channel)

    def worded(lines: Sequence[Adjustment]) -> tuple[Adjustment, ...]:
        texts = [adjustment(line, subject, sold, grid.currency, found.kind) for line in lines]
        return tuple(LineInWords(**vars(line), text=text) for line, text in zip(lines, texts, strict=True))

    return replace(found, grid=replace(grid, market=worded(grid.market), lines=worded(grid.lines)))


def find_questions(case: Case) -> Sequence[Question]:
    """Find the fields that, once answered, would narrow the range most."""
    return questions(case.valuer, case.request.subject, case.request.currency)


def find_earlier_records(case: Case) -> Record:
    """Find the earlier records of this very instrument, with cautions about them."""
    return record_of(case.valuer, case.request.subject, case.request.currency)


def find_sentences(case: Case) -> Sequence[tuple[str | None, str]]:
    """Put each reason into words, in the order of the attributions, as (field, sentence).

    The field is None for a sentence about several fields.
    """
    return explanation(case.valuation, widening(case.valuer, case.request.subject))


def find_restoration(case: Case, costs: Mapping[str, Decimal] | None = None) -> Restoration:
    """Compare what each possible repair adds to the value with its cost.

    Raises InputError for a cost of a field that cannot be repaired.
    """
    wanted = case.request
    return restoration(case.valuer, wanted.subject, costs or {}, wanted.currency, wanted.levels)


def _one(schema: type[Schema]) -> Member:
    return lambda **options: fields.Nested(schema, **options)


def _list(schema: type[Schema]) -> Member:
    return lambda **options: fields.List(fields.Nested(schema), **options)


# The parts that `include` can name, in the order in which an answer gives them.
PARTS: Mapping[str, Part] = {
    "comparables": Part(
        find_comparables,
        _one(ComparablesSchema),
        "the closest sales, each adjusted to this instrument",
    ),
    "questions": Part(
        find_questions, _list(QuestionSchema), "what to ask next, the most telling unknown field first"
    ),
    "earlier_records": Part(
        find_earlier_records, _one(EarlierRecordsSchema), "earlier records of this very instrument"
    ),
    "sentences": Part(
        find_sentences, lambda **options: Pairs(SentenceSchema, **options), "each reason as a sentence"
    ),
    "restoration": Part(find_restoration, _one(RestorationSchema), "what can be repaired and what cannot"),
}
FORM_PARTS = ("questions", "sentences")  # parts for website keys: they show no record of a sale


def _members(*, required: bool) -> dict[str, fields.Field[Any]]:
    return {
        name: part.member(**{**described(part.text), "required": required}) for name, part in PARTS.items()
    }


_Included = Schema.from_dict(_members(required=False), name="Included")


class FullValuationSchema(ValuationSchema, _Included):  # type: ignore[misc, valid-type]
    """A valuation that is kept, with the parts that were asked for in `include`."""


def _part_schema(name: str, part: Part) -> type[Schema]:
    text = f"The part {name} of a kept valuation."
    title = name.title().replace("_", "")
    member = part.member(attribute="found", **described(part.text))
    return type(f"{title}PartSchema", (PartSchema,), {name: member, "__doc__": text})


PART_SCHEMAS = {name: _part_schema(name, part) for name, part in PARTS.items()}
_DUMPS = {name: dumper(schema) for name, schema in PART_SCHEMAS.items()}
_CONVERTS = {name: converter(field) for name, field in _Included().dump_fields.items()}
_dump_alternatives = dumper(AlternativesSchema)


def read_include(text: str) -> tuple[str, ...]:
    """Read names of parts between commas; return each once, in the order of `PARTS`. Raises InputError."""
    names = [name.strip().casefold() for name in text.split(",")]
    faults = [
        Fault("include", name, "is not a part of a valuation", ", ".join(PARTS), "leave it out", near)
        for name in names
        if name not in PARTS
        for near in (partial(nearest, name, PARTS),)
    ]
    if faults:
        raise InputError(faults)
    return tuple(name for name in PARTS if name in names)


def check_parts(names: Sequence[str], caller: Caller) -> None:
    """Raise ScopeError if a website key, which is public, requests parts that show records of sales."""
    kept_back = [name for name in names if name not in FORM_PARTS]
    if kept_back and caller.kind == WEBSITE:
        raise ScopeError(f"A website key can include {' and '.join(FORM_PARTS)}, not {kept_back[0]}.")


def include(case: Case, names: Sequence[str]) -> dict[str, Any]:
    """Find and dump the parts of these names, as members of a valuation's answer."""
    found = {name: PARTS[name].find(case) for name in names}
    return {name: convert(found[name]) for name in names if (convert := _CONVERTS[name])}


def dump_part(valuation_id: str, case: Case, name: str, found: Any) -> dict[str, Any]:
    """Dump the answer that shows only this part of a kept valuation."""
    return _DUMPS[name](_part_of(valuation_id, case, found))


def dump_alternatives(valuation_id: str, case: Case, found: Any) -> dict[str, Any]:
    """Dump the answer with the values of a kept valuation's instrument in other states."""
    return _dump_alternatives(_part_of(valuation_id, case, found))


def _part_of(valuation_id: str, case: Case, found: Any) -> PartOf:
    wanted = case.request
    return PartOf(valuation_id, case, case.valuer.quote(wanted.currency, wanted.subject.day), found)
