"""Schemas of the vocabulary's answer."""

from __future__ import annotations

from marshmallow import Schema, fields

from models.domain.vocabulary import Kind, Term
from service.api.vocabulary.instrument import REQUIRED
from service.dumping import FlagOfWhole, MadeOfWhole, described, dumper, objects


class TermSchema(Schema):
    """A word and what it means."""

    name = fields.String(**described("the word, as requests and answers have it"))
    meaning = fields.String(**described("what it means"))


def _sent(term: Term) -> str | int:
    return int(term.name) if term.name.isdigit() else term.name


class FieldTermSchema(Schema):
    """A term of a field and what it means."""

    name = fields.String(**described("the term as text, as a cell of CSV has it"))
    value = MadeOfWhole(
        _sent,
        **described(
            "what a JSON request sends: a number for a grade, else the name", type=["integer", "string"]
        ),
    )
    meaning = fields.String(**described("what it means"))


class FieldSchema(Schema):
    """One field of an instrument."""

    path = fields.String(**described("its path in JSON, such as condition.neck"))
    name = fields.String(attribute="flat", **described("its column in CSV, such as condition_neck"))
    type = fields.String(attribute="kind", **described("text, integer, number, grade (0 to 5), term or flag"))
    label = fields.String(**described("what to call it in a form"))
    meaning = fields.String(**described("what it says about the instrument"))
    family = fields.String(**described("the family that its effect counts towards"))
    required = FlagOfWhole(lambda field: field.path in REQUIRED, **described("whether it must be given"))
    terms = objects(FieldTermSchema, "allowed terms; empty: any text or number, or true and false of a flag")
    low = fields.Float(**described("the smallest number allowed; null: no limit", optional=True))
    high = fields.Float(**described("the greatest number allowed; null: no limit", optional=True))
    between_terms = FlagOfWhole(
        lambda field: field.kind is Kind.GRADE, **described("whether a number between two grades is allowed")
    )
    loss_ordered = fields.Boolean(
        **described("whether its terms run from best to worst: a later one never raises a value"),
    )


class LevelsSchema(Schema):
    """The levels that ranges can have."""

    default = fields.List(fields.Float(), **described("the levels if a request names none"))
    low = fields.Float(**described("the lowest level"))
    high = fields.Float(**described("the highest level"))
    most = fields.Integer(**described("how many levels a request can name"))


class VocabularySchema(Schema):
    """Every field, and every word of requests and answers."""

    fields_ = fields.List(
        fields.Nested(FieldSchema),
        data_key="fields",
        attribute="fields",
        **described("the fields of an instrument, in order"),
    )
    families = fields.List(fields.String(), **described("the families of effects, in order"))
    channels = objects(TermSchema, "the markets a value can be for")
    default_channel = fields.String(**described("the market if a request names none"))
    kinds = objects(TermSchema, "the kinds of evidence")
    evidence = objects(TermSchema, "the words for how much evidence there is")
    cautions = objects(TermSchema, "the codes of cautions")
    levels = fields.Nested(LevelsSchema, **described("the levels that ranges can have"))
    currencies = fields.List(
        fields.String(),
        **described(
            "currencies (ISO 4217) that a value of today can have; a former currency can be that of a value "
            "for one of its own days"
        ),
    )


dump_vocabulary = dumper(VocabularySchema)
