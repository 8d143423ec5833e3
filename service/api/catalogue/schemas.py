"""Schemas of the answers that the catalogue gives."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.dumping import described, objects
from service.http.schemas import provisional_member


class FinishSchema(Schema):
    """A finish that the maker offered."""

    name = fields.String(**described("its name"))
    share = fields.Float(
        **described("known or estimated share of the production; null: not known", optional=True)
    )


class EditionSchema(Schema):
    """A limited or commemorative edition; null is not known."""

    name = fields.String(**described("its name"))
    first_year = fields.Integer(**described("first year of production", optional=True))
    last_year = fields.Integer(**described("last year of production", optional=True))
    production_total = fields.Integer(
        **described("how many were made, by the maker's own records, which can be too low", optional=True)
    )
    numbered = fields.Boolean(**described("whether each instrument carries its number", optional=True))


class WatchpointSchema(Schema):
    """A part that a careful buyer checks, and what to look for there."""

    part = fields.String(**described("the part"))
    note = fields.String(**described("what to look for"))


class ModelSchema(Schema):
    """One model of one maker."""

    maker = fields.String(**described("its maker"))
    name = fields.String(**described("its name"))
    first_year = fields.Integer(**described("first year of production"))
    last_year = fields.Integer(**described("last year of production"))
    body = fields.String(**described("solid, semi or hollow; null: not known", optional=True))
    figured_top = fields.Boolean(
        **described("whether figured tops were used; null: not known", optional=True)
    )
    finishes = objects(FinishSchema, "finishes it was offered in")
    editions = objects(EditionSchema, "its editions")
    watchpoints = objects(WatchpointSchema, "what to check on it")


class MakerSchema(Schema):
    """One maker."""

    name = fields.String(**described("its name"))
    models = fields.List(fields.String(), **described("the names of its models"))


class WholeMakerSchema(Schema):
    """One maker with all that is known of its models."""

    name = fields.String(**described("its name"))
    models = objects(ModelSchema, "its models")


class CatalogueSchema(Schema):
    """Everything that is known of makers and models."""

    model_version = fields.String(
        **described("the version of the price model that this catalogue belongs to")
    )
    provisional = provisional_member()
    makers = objects(WholeMakerSchema, "the makers")


def _listed(text: str, name: str, of: type[Schema]) -> type[Schema]:
    member = objects(of, f"the {name}")
    schema = Schema.from_dict({name: member}, name=f"{name.capitalize()}Schema")
    schema.__doc__ = text
    return schema


MakersSchema = _listed("The makers.", "makers", MakerSchema)
ModelsSchema = _listed("Models.", "models", ModelSchema)
EditionsSchema = _listed("Editions.", "editions", EditionSchema)
FinishesSchema = _listed("Finishes.", "finishes", FinishSchema)
WatchpointsSchema = _listed("Watchpoints.", "watchpoints", WatchpointSchema)
