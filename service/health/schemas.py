"""Schemas of the answers about health."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.schemas import said


class AliveSchema(Schema):
    """The process answers."""

    status = fields.String(**said("alive"))


class ModelCheckSchema(Schema):
    """The model that serves."""

    ok = fields.Boolean(**said("whether one is loaded"))
    version = fields.String(**said("which", optional=True))
    provisional = fields.Boolean(**said("whether it is provisional; null: none is loaded", optional=True))
    refused = fields.String(**said("why a newer one was refused, if it was", optional=True))


class DatabaseCheckSchema(Schema):
    """The database."""

    ok = fields.Boolean(**said("whether it answers and has the tables that this program needs"))
    revision = fields.String(**said("the revision of its tables", optional=True))
    problem = fields.String(**said("what is wrong with it", optional=True))


class DiskCheckSchema(Schema):
    """The disk that an SQLite database is on."""

    ok = fields.Boolean(**said("whether there is room for records"))
    free = fields.Integer(**said("free bytes; null: the database keeps its own", optional=True))
    problem = fields.String(**said("what is wrong with it", optional=True))


class ChecksSchema(Schema):
    """The checks of what the service needs in order to answer."""

    model = fields.Nested(ModelCheckSchema, **said("the model that serves"))
    database = fields.Nested(DatabaseCheckSchema, **said("the database"))
    disk = fields.Nested(DiskCheckSchema, **said("the disk that records go to"))


class ReadySchema(Schema):
    """Everything that an answer needs is there."""

    status = fields.String(**said("ready"))
    checks = fields.Nested(ChecksSchema, **said("each thing that must be in order"))
