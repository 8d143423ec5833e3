"""Schemas of a model as it is sent for the next catalogue, and as the draft shows it."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from models.costs import LONGEST_CATALOGUE_NOTE, MOST_CATALOGUE_TABLES
from models.domain.catalogue import BODIES
from models.domain.vocabulary import BY_PATH, MAX_TEXT
from service.dumping import OpenObject, described, dumper, objects
from service.http.schemas import Moment
from service.texts import text_schema

_YEARS: dict[str, Any] = {"minimum": int(BY_PATH["year"].low or 0), "maximum": int(BY_PATH["year"].high or 0)}
MOST_MADE = 10_000_000


def _about(text: str, **more: Any) -> dict[str, Any]:
    """The options of a member that can be left out; null is the same."""
    return {"allow_none": True, "metadata": {"description": text, **more}}


class DraftFinishSchema(Schema):
    """A finish that the maker offered."""

    name = fields.String(**described("its name", **text_schema(MAX_TEXT)))
    share = fields.Float(**_about("known or estimated share of the production", minimum=0, maximum=1))


class DraftEditionSchema(Schema):
    """A limited or commemorative edition; what is left out is not known."""

    name = fields.String(**described("its name", **text_schema(MAX_TEXT)))
    first_year = fields.Integer(**_about("first year of production", **_YEARS))
    last_year = fields.Integer(**_about("last year of production", **_YEARS))
    production_total = fields.Integer(
        **_about("how many were made, by the maker's own records", minimum=1, maximum=MOST_MADE)
    )
    numbered = fields.Boolean(**_about("whether each instrument carries its number"))


class DraftWatchpointSchema(Schema):
    """A part that a careful buyer checks, and what to look for there."""

    part = fields.String(**described("the part", **text_schema(MAX_TEXT)))
    note = fields.String(**described("what to look for", **text_schema(LONGEST_CATALOGUE_NOTE)))


def _tables(of: type[Schema], text: str) -> fields.List[Any]:
    return fields.List(fields.Nested(of), **_about(text, maxItems=MOST_CATALOGUE_TABLES))


class DraftEntrySchema(Schema):
    """One model as a catalogue's file has it, with the same names; what is left out is not known."""

    maker = fields.String(**_about("another spelling of the maker of the path, if it is to have one"))
    name = fields.String(**_about("another spelling of the model of the path, if it is to have one"))
    first_year = fields.Integer(**described("first year of production", **_YEARS))
    last_year = fields.Integer(**described("last year of production", **_YEARS))
    body = fields.String(**_about("the kind of body", enum=[*BODIES, None]))
    figured_top = fields.Boolean(**_about("whether figured tops were used"))
    finish = _tables(DraftFinishSchema, "finishes it was offered in")
    edition = _tables(DraftEditionSchema, "its editions")
    watchpoint = _tables(DraftWatchpointSchema, "what to check on it")

    def load(self, data: Any, **_: Any) -> Any:
        """Give the members as they are: `service.api.catalogue.draft.reading` reads them."""
        return data


class DraftModelSchema(Schema):
    """One model as the next fit is to have it."""

    maker = fields.String(**described("its maker"))
    name = fields.String(**described("its name"))
    status = fields.String(
        **described(
            "same: as the served price model has it; changed, new or removed: different from that",
            enum=["same", "changed", "new", "removed"],
        )
    )
    version = fields.Integer(**described("how often it was changed here; 0: never"))
    changed = Moment(**described("when it was changed last; null: never", optional=True))
    key = fields.String(**described("the key that changed it last; null: none", optional=True))
    entry = OpenObject(DraftEntrySchema, **described("the model as it can be sent by PUT"))
    served = OpenObject(
        DraftEntrySchema,
        **described("the model as the served price model has it, where that differs", optional=True),
    )


class DraftSchema(Schema):
    """The catalogue as the next fit is to have it."""

    model_version = fields.String(
        **described("the price model that serves, which the draft is compared with", optional=True)
    )
    differing = fields.Integer(**described("how many models differ from those of that price model"))
    models = objects(DraftModelSchema, "every model, those that are new at the end")


dump_draft = dumper(DraftModelSchema)
