"""Promote price models and roll them back over HTTP; each change is recorded with who made it and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import structlog
from flask import g

from models.bundles.bundle import Bundle
from models.bundles.registry import Change, objections
from models.errors import BundleChangedError, Fault, InputError
from service.api.price_models.store import current, registry, translate_store_errors
from service.context import context
from service.db import audit
from service.db.engine import writing
from service.errors import GateError, ModelChangedError
from service.texts import text_faults

LONGEST = 500  # largest number of characters in `who` and in `why`
_RECORDED = {"promote": "model_promoted", "rollback": "model_rolled_back"}
_log = structlog.get_logger()


@dataclass(frozen=True)
class Reason:
    """The caller's reason to promote or roll back. `force`: override failed checks before promotion."""

    why: str
    who: str | None
    force: bool = False


class Changed(NamedTuple):
    """The change that made a price model current. `done`: this request made it, not an earlier one."""

    change: Change
    done: bool


def promote(version: str, reason: Reason) -> Changed:
    """Make this price model current; this worker serves it at once. For the current one nothing changes.

    Raises UnknownModelError, ModelRefusedError, GateError, ModelStoreError; then the current model stays.
    """
    with translate_store_errors(version):
        # The bundle is read before its promotion, so that a damaged one never becomes current.
        ready = context().live.read(version)
    if version == current():
        context().live.change(ready)
        made = [change for change in registry().history() if change.version == version]
        if made:
            return Changed(made[-1], False)
    objected = _against(ready)
    if objected and not reason.force:
        raise GateError(f"The price model {version} did not pass: {'; '.join(objected)}.")
    why = f"{reason.why} (by force; the gate said: {'; '.join(objected)})" if objected else reason.why
    return _change(lambda: registry().promote(version, who=_who(reason), why=why), ready)


def roll_back(version: str, reason: Reason) -> Changed:
    """Roll back this price model, which must be the current one; the model before it becomes current again.

    A repeated request gets the same answer and changes nothing. Raises ModelChangedError,
    NoEarlierModelError, UnknownModelError, ModelRefusedError, ModelStoreError; then the current model stays.
    """
    try:
        return _change(lambda: registry().rollback(who=_who(reason), why=reason.why, of=version))
    except BundleChangedError:
        last = registry().history()[-1:]
        if last and (last[0].action, last[0].before) == ("rollback", version):
            context().live.change()  # another worker may have just rolled it back
            return Changed(last[0], False)
        raise ModelChangedError(f"The current model is {current() or 'none'}, not {version[:60]}.") from None


def _change(change: Callable[[], Change], ready: Bundle | None = None) -> Changed:
    """Make the change and record it; one that the database cannot record is not made."""
    with writing(context().engine) as connection:
        with translate_store_errors():
            made = change()
        detail = f"in place of {made.before or 'none'}, by {made.who}: {made.why}"
        audit.record(connection, g.caller.key_id, _RECORDED[made.action], made.version, detail)
    _log.info("model changed", action=made.action, model_version=made.version, before=made.before)
    context().live.change(ready)
    return Changed(made, True)


def _against(found: Bundle) -> list[str]:
    """List the objections to promoting a bundle: it failed a check, was not judged, or is provisional."""
    objected = objections(found.manifest, registry().current_manifest())
    if not found.manifest["about"].get("gate"):
        objected.insert(0, "judged: it was made without being judged")
    return objected


def _who(reason: Reason) -> str:
    key_id = g.caller.key_id
    return f"{reason.who or context().keys.entry(key_id).label} (key {key_id})"


def read_reason(why: Any, who: Any = None, force: Any = None) -> Reason:
    """Check the reason that a caller gives. Raises InputError with every fault."""
    faults = text_faults("why", why, LONGEST, "say why")
    if who is not None:
        faults += text_faults("who", who, LONGEST, "say who decides")
    elif force is True:
        faults.append(Fault("who", None, "is empty", "needed with force", "say who decides"))
    if not isinstance(force, bool | None):
        faults.append(Fault("force", force, "is neither true nor false", "true, false", "leave it out"))
    if faults:
        raise InputError(faults)
    return Reason(why.strip(), who.strip() if who else None, bool(force))
