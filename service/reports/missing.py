"""Find the things still missing for a report: none is issued while something that it needs is empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from models.errors import Fault
from service.errors import Located
from service.faults import pointer_to
from service.reports.specialist import SETTINGS

_SET = "PUT /v1/specialist with it"


def unset(settings: Mapping[str, str]) -> list[str]:
    """Return the names of the specialist's settings that every report needs and that are empty."""
    return [name for name, one in SETTINGS.items() if one.needed and not settings.get(name)]


def missing(
    type_of_value: str,
    settings: Mapping[str, str],
    client: str | None,
    intended_use: str | None,
    lacking: Sequence[str] = (),
) -> list[Located]:
    """Return a fault, with a pointer of its own, for each thing that this report needs and that is empty.

    Pointers below `/specialist` and `/request` name what stands elsewhere than in the body. `client`: the
    name of the owner who asked. `lacking`: the names that the instrument lacks, of maker and model.
    """
    found = [_fault("specialist", name, SETTINGS[name].meaning, _SET) for name in unset(settings)]
    if type_of_value == "liquidation" and not settings.get("liquidation_share"):
        found.append(_fault("specialist", "liquidation_share", SETTINGS["liquidation_share"].meaning, _SET))
    if not (client or "").strip():
        step = "the owner's contact was erased or never given: make a new request"
        found.append(_fault("request", "contact", "the client's name", step, "name"))
    if not (intended_use or "").strip():
        allowed = "what the report will be used for"
        fault = Fault("intended_use", intended_use, "is empty", allowed, "send intended_use")
        found.append(Located(pointer_to("intended_use"), fault))
    for name in lacking:
        allowed = f"the {name}, as the catalogue names it"
        found.append(_fault("request", "instrument", allowed, "grade the request, and name it", name))
    return found


def _fault(where: str, name: str, allowed: str, step: str, *inner: str) -> Located:
    names = (where, name, *inner)
    return Located(pointer_to(*names), Fault(".".join(names), None, "is empty", allowed, step))
