"""Schemas of watchlists, in requests and answers."""

from __future__ import annotations

from marshmallow import Schema, fields

from models.domain.vocabulary import MAX_TEXT
from service.dumping import described, dumper, objects
from service.http.schemas import Moment
from service.texts import text_schema


class WatchlistRequestSchema(Schema):
    """A new watchlist."""

    name = fields.Raw(**described("your name for it", **text_schema(MAX_TEXT)))


class WatchlistSchema(Schema):
    """A watchlist."""

    id = fields.String(**described("the id of the watchlist"))
    name = fields.String(**described("your name for it"))
    created = Moment(**described("when it was made, in UTC"))


class WatchlistsSchema(Schema):
    """A page of watchlists."""

    watchlists = objects(WatchlistSchema, "the watchlists, in the order in which they were made")


dump_watchlist = dumper(WatchlistSchema)
