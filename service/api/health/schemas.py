"""Schemas of the answers about health."""

from __future__ import annotations

from marshmallow import Schema, fields

from service.dumping import described, dumper


class AliveSchema(Schema):
    """The process is running."""

    status = fields.String(**described("alive"))


class ModelCheckSchema(Schema):
    """The price model that serves."""

    ok = fields.Boolean(**described("whether one is loaded"))
    version = fields.String(**described("its version; null: none is loaded", optional=True))
    provisional = fields.Boolean(
        **described("whether it is provisional; null: none is loaded", optional=True)
    )
    refused = fields.String(**described("why a newer one was refused, if it was", optional=True))


class DatabaseCheckSchema(Schema):
    """The database."""

    ok = fields.Boolean(**described("whether it answers and has the tables that this program needs"))
    revision = fields.String(**described("the revision of its tables", optional=True))
    problem = fields.String(**described("what is wrong with it", optional=True))


class DiskCheckSchema(Schema):
    """The disk that an SQLite database is on."""

    ok = fields.Boolean(**described("whether there is room for records"))
    free = fields.Integer(**described("free bytes; null: the database keeps its own", optional=True))
    problem = fields.String(**described("what is wrong with it", optional=True))


class LimitsCheckSchema(Schema):
    """The counts of requests that limits rest on."""

    ok = fields.Boolean(**described("always: while the counts that servers share are away, each has its own"))
    problem = fields.String(**described("what is wrong with the counts that servers share", optional=True))


class ChecksSchema(Schema):
    """The checks of what the service needs in order to answer."""

    model = fields.Nested(ModelCheckSchema, **described("the price model that serves"))
    database = fields.Nested(DatabaseCheckSchema, **described("the database"))
    disk = fields.Nested(DiskCheckSchema, **described("the disk that records go to"))
    limits = fields.Nested(LimitsCheckSchema, **described("the counts of requests"))


class ReadySchema(Schema):
    """The service can value instruments and keep the answers."""

    status = fields.String(**described("ready"))
    checks = fields.Nested(
        ChecksSchema,
        metadata={
            "description": "each thing that must be in order; for keys with scope metrics or admin only"
        },
    )


dump_checks = dumper(ChecksSchema)
