"""Which model is current: promoted and rolled back over HTTP, with who and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import structlog
from flask import g

from models.bundle import Bundle
from models.errors import BundleChangedError, Fault, InputError
from models.registry import Change, Current, objections
from service.context import context
from service.errors import GateError, ModelChangedError
from service.models.store import current, places, registry
from service.texts import text_faults

LONGEST = 500  # characters of who and why
_log = structlog.get_logger()


@dataclass(frozen=True)
class Reason:
    """Why a model is promoted or rolled back, who says so, and whether the gate is to be overridden."""

    why: str
    who: str | None
    force: bool = False


class Changed(NamedTuple):
    """The change that made a model current; `done`: by this request, and not by an earlier one like it."""

    change: Change
    done: bool


def promote(version: str, reason: Reason) -> Changed:
    """Make this model current, here at once. To promote the current one again changes nothing.

    Raises UnknownModelError, ModelRefusedError, GateError, ModelStoreError; the current one stays then.
    """
    with places(version):
        # Read before it is promoted: one that no worker can serve must not become current.
        ready = context().live.read(version)
    if version == current():
        context().live.change(ready)
        return Changed(registry().history()[-1], False)
    said = _against(ready)
    if said and not reason.force:
        raise GateError(f"The model {version} did not pass: {'; '.join(said)}.")
    why = f"{reason.why} (by force; the gate said: {'; '.join(said)})" if said else reason.why
    return _change(lambda: registry().promote(version, who=_who(reason), why=why), ready)


def roll_back(version: str, reason: Reason) -> Changed:
    """Take this model back, which must be the current one: what was current before it is so again.

    Asked again, it is answered alike and nothing is done. Raises ModelChangedError, NoEarlierModelError,
    UnknownModelError, ModelRefusedError, ModelStoreError; the current one stays then.
    """
    try:
        return _change(lambda: registry().rollback(who=_who(reason), why=reason.why, of=version))
    except BundleChangedError:
        last = registry().history()[-1:]
        if last and (last[0].action, last[0].before) == ("rollback", version):
            context().live.change()  # another worker may have done it, a moment ago
            return Changed(last[0], False)
        raise ModelChangedError(f"The current model is {current() or 'none'}, not {version[:60]}.") from None


def _change(change: Callable[[], Current], ready: Bundle | None = None) -> Changed:
    with places():
        current = change()
    made = registry().history()[-1]
    _log.info("model changed", action=made.action, model_version=current.version, before=made.before)
    context().live.change(ready)
    return Changed(made, True)


def _against(found: Bundle) -> list[str]:
    """What the gate had against it when it was fitted, and whether it is too provisional to be current."""
    said = objections(found.manifest, registry().current_manifest())
    if not found.manifest["about"].get("gate"):
        said.insert(0, "judged: it was made without being judged")
    return said


def _who(reason: Reason) -> str:
    key_id = g.caller.key_id
    return f"{reason.who or context().keys.entry(key_id).label} (key {key_id})"


def read_reason(why: Any, who: Any = None, force: Any = None) -> Reason:
    """What a caller gives as the reason. Raises InputError with every fault."""
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
