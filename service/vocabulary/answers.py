"""What the vocabulary's answer looks like."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.schemas import said


class TermSchema(Schema):
    """A word and what it means."""

    name = fields.String(**said("the word, as requests and answers have it"))
    meaning = fields.String(**said("what it means"))


class FieldSchema(Schema):
    """One field of an instrument."""

    path = fields.String(**said("its place in JSON: condition.neck"))
    name = fields.String(**said("its column in CSV: condition_neck"))
    type = fields.String(**said("text, integer, number, grade (0 to 5), term or flag"))
    label = fields.String(**said("what to call it in a form"))
    meaning = fields.String(**said("what it says of the instrument"))
    family = fields.String(**said("what its effect is counted under"))
    required = fields.Boolean(**said("whether it must be given"))
    terms = fields.List(fields.Nested(TermSchema), **said("allowed words; empty: none fixed"))
    low = fields.Float(**said("the least number", optional=True))
    high = fields.Float(**said("the greatest number", optional=True))
    between_terms = fields.Boolean(**said("whether a number between two grades is allowed"))
    loss_ordered = fields.Boolean(
        **said("whether each further term is a loss that never raises a value"),
    )


class LevelsSchema(Schema):
    """The levels that ranges can have."""

    default = fields.List(fields.Float(), **said("where none are asked"))
    low = fields.Float(**said("the least"))
    high = fields.Float(**said("the greatest"))
    most = fields.Integer(**said("how many at once at most"))


class VocabularySchema(Schema):
    """Every field, and every word of requests and answers."""

    fields_ = fields.List(
        fields.Nested(FieldSchema),
        required=True,
        data_key="fields",
        metadata={"description": "the fields of an instrument, in order"},
    )
    families = fields.List(fields.String(), **said("the families of effects, in order"))
    channels = fields.List(fields.Nested(TermSchema), **said("the markets a value can be for"))
    default_channel = fields.String(**said("the market if none is asked"))
    kinds = fields.List(fields.Nested(TermSchema), **said("the kinds of evidence"))
    evidence = fields.List(fields.Nested(TermSchema), **said("how much evidence: words"))
    cautions = fields.List(fields.Nested(TermSchema), **said("the codes of cautions"))
    levels = fields.Nested(LevelsSchema, **said("the levels that ranges can have"))
    currencies = fields.List(fields.String(), **said("currencies (ISO 4217) of values"))
