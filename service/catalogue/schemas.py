"""Schemas of the answers that the catalogue gives."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.schemas import provisional_member, said


class FinishSchema(Schema):
    """A finish that the maker offered."""

    name = fields.String(**said("its name"))
    share = fields.Float(**said("known or estimated share of the production; null: not known", optional=True))


class EditionSchema(Schema):
    """A limited or commemorative edition; null is not known."""

    name = fields.String(**said("its name"))
    first_year = fields.Integer(**said("first year of production", optional=True))
    last_year = fields.Integer(**said("last year of production", optional=True))
    production_total = fields.Integer(**said("how many were made, as recorded: an undercount", optional=True))
    numbered = fields.Boolean(**said("whether each instrument carries its number", optional=True))


class WatchpointSchema(Schema):
    """A part that a careful buyer checks, and what to look for there."""

    part = fields.String(**said("the part"))
    note = fields.String(**said("what to look for"))


class ModelSchema(Schema):
    """One model of one maker."""

    maker = fields.String(**said("its maker"))
    name = fields.String(**said("its name"))
    first_year = fields.Integer(**said("first year of production"))
    last_year = fields.Integer(**said("last year of production"))
    body = fields.String(**said("solid, semi or hollow; null: not known", optional=True))
    figured_top = fields.Boolean(**said("whether figured tops were used; null: not known", optional=True))
    finishes = fields.List(fields.Nested(FinishSchema), **said("finishes it was offered in"))
    editions = fields.List(fields.Nested(EditionSchema), **said("its editions"))
    watchpoints = fields.List(fields.Nested(WatchpointSchema), **said("what to check on it"))


class MakerSchema(Schema):
    """One maker."""

    name = fields.String(**said("its name"))
    models = fields.List(fields.String(), **said("the names of its models"))


class WholeMakerSchema(Schema):
    """One maker with all that is known of its models."""

    name = fields.String(**said("its name"))
    models = fields.List(fields.Nested(ModelSchema), **said("its models"))


class CatalogueSchema(Schema):
    """Everything that is known of makers and models."""

    model_version = fields.String(**said("the bundle that holds this catalogue"))
    provisional = provisional_member()
    makers = fields.List(fields.Nested(WholeMakerSchema), **said("the makers"))


class MakersSchema(Schema):
    """The makers."""

    makers = fields.List(fields.Nested(MakerSchema), **said("the makers"))


class ModelsSchema(Schema):
    """Models."""

    models = fields.List(fields.Nested(ModelSchema), **said("the models"))


class EditionsSchema(Schema):
    """Editions."""

    editions = fields.List(fields.Nested(EditionSchema), **said("the editions"))


class FinishesSchema(Schema):
    """Finishes."""

    finishes = fields.List(fields.Nested(FinishSchema), **said("the finishes"))


class WatchpointsSchema(Schema):
    """Watchpoints."""

    watchpoints = fields.List(fields.Nested(WatchpointSchema), **said("the watchpoints"))
