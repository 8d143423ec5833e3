"""Lay what was added, corrected or taken out over the served catalogue; change it; write it as a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from urllib.parse import quote

import orjson
from sqlalchemy import Connection, Row

from models.domain.catalogue import Catalogue, Model, as_toml, entry_of, read_entry
from models.domain.names import normal
from service.api.catalogue.draft import records
from service.api.catalogue.draft.reading import read
from service.api.catalogue.draft.schemas import dump_draft
from service.api.catalogue.services import translate_unknown_names
from service.context import bundle, context
from service.db.engine import reading, writing
from service.errors import NoBundleError
from service.http.hooks.conditional import check_unchanged

PATH = "/v1/catalogue/draft"
SAME, CHANGED, NEW, REMOVED = "same", "changed", "new", "removed"


class Draft(NamedTuple):
    """A model as the next fit is to have it. `served`: as the served price model has it, if that differs."""

    maker: str
    name: str
    status: str
    version: int
    changed: datetime | None
    key: str | None
    entry: dict[str, Any]
    served: dict[str, Any] | None


def path_of(maker: str, name: str) -> str:
    """Return the path of a model of the draft."""
    return f"{PATH}/makers/{quote(maker)}/models/{quote(name)}"


def listed() -> dict[str, Any]:
    """Return the answer with every model, each with what became of it, and the served bundle's version."""
    catalogue, version = _served()
    with reading(context().engine) as connection:
        drafts = _laid_over(connection, catalogue)
    return {
        "model_version": version,
        "differing": sum(draft.status != SAME for draft in drafts),
        "models": [dump_draft(draft) for draft in drafts],
    }


def toml() -> str:
    """Return the catalogue as a file, which a fit takes."""
    catalogue, _ = _served()
    with reading(context().engine) as connection:
        drafts = _laid_over(connection, catalogue)
    if all(draft.status == SAME for draft in drafts):
        return catalogue.source
    return as_toml(read_entry(draft.entry, []) for draft in drafts if draft.status != REMOVED)


def show(maker: str, name: str) -> dict[str, Any]:
    """Return the answer with one model. Raises UnknownPathNameError with the nearest names."""
    with reading(context().engine) as connection:
        return dump_draft(_found(connection, maker, name))


def change(maker: str, name: str, sent: Mapping[str, Any]) -> dict[str, Any]:
    """Keep a model as it is to be, a new one or one that is known.

    Raises FaultyRequestError, PreconditionFailed.
    """
    with writing(context().engine) as connection:
        records.take_turn(connection)
        drafts = _laid_over(connection, _served()[0])
        before = _among(drafts, maker, name)
        check_unchanged(orjson.dumps(dump_draft(before)) if before else None)
        wanted = read(sent, *_spelled(drafts, before, maker, name))
        records.put(connection, records.find(connection, maker, name), wanted)
        return dump_draft(_found(connection, maker, name))


def take_out(maker: str, name: str) -> dict[str, Any]:
    """Take a model out of the catalogue to be. Raises UnknownPathNameError, PreconditionFailed."""
    with writing(context().engine) as connection:
        records.take_turn(connection)
        found = _found(connection, maker, name)
        check_unchanged(orjson.dumps(dump_draft(found)))
        row = records.find(connection, maker, name)
        records.put(connection, row, read_entry(found.entry, []), withdrawn=True)
        after = _among(_laid_over(connection, _served()[0]), maker, name)
        return dump_draft(after or found._replace(status=REMOVED))  # of a new model nothing stays


def _spelled(drafts: Sequence[Draft], before: Draft | None, maker: str, name: str) -> tuple[str, str]:
    """Return the names as the draft spells them already; those that it does not have, as they are."""
    known = (draft.maker for draft in drafts if normal(draft.maker) == normal(maker))
    return next(known, maker), before.name if before else name


def _served() -> tuple[Catalogue, str | None]:
    """Return the served catalogue and its version; an empty one if no price model serves yet."""
    try:
        found = bundle()
    except NoBundleError:
        return Catalogue(()), None
    return found.valuer.catalogue, found.version


def _among(drafts: Sequence[Draft], maker: str, name: str) -> Draft | None:
    wanted = records.key_of(maker, name)
    return next((one for one in drafts if records.key_of(one.maker, one.name) == wanted), None)


def _found(connection: Connection, maker: str, name: str) -> Draft:
    drafts = _laid_over(connection, _served()[0])
    with translate_unknown_names():
        of_names = Catalogue(tuple(Model(one.maker, one.name, 0, 0) for one in drafts))
        found = of_names.find(maker, name)
    return next(one for one in drafts if (one.maker, one.name) == (found.maker, found.name))


def _laid_over(connection: Connection, catalogue: Catalogue) -> Sequence[Draft]:
    """Return the served models as they are to be, in their order, then those that are new."""
    rows = dict(records.all_entries(connection))
    found = [
        _draft(model, rows.pop(records.key_of(model.maker, model.name), None)) for model in catalogue.models
    ]
    return [*found, *(_draft(None, row) for row in rows.values() if row.withdrawn is None)]


def _draft(served: Model | None, row: Row[Any] | None) -> Draft:
    if row is None:
        assert served is not None, "a model is served or drafted"
        return Draft(served.maker, served.name, SAME, 0, None, None, entry_of(served), None)
    was = entry_of(served) if served else None
    entry = orjson.loads(row.entry)
    status = NEW if was is None else REMOVED if row.withdrawn else SAME if entry == was else CHANGED
    differs = was if status in (CHANGED, REMOVED) else None
    return Draft(row.maker, row.name, status, entry=entry, served=differs, **records.mark_of(row))
