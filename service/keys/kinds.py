"""The kinds of keys, their scopes, and the checks of a new key.

A system key is for programs, and its scopes say what it may do. A website key is for the form on a website,
where everyone can read it: it works from that site's origins only, and may do no more than a form needs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from models.domain.names import nearest
from models.errors import Fault, InputError
from service.texts import text_faults

SYSTEM, WEBSITE = "system", "website"
# No key that anyone makes: the private link of an owner, which opens one request (`/follow/…`).
OWNER, LINK_PREFIX = "owner", "bmf"
KINDS: Mapping[str, str] = {
    SYSTEM: "for scripts and systems, which can keep it to themselves",
    WEBSITE: "for the form on a website: from its origins only, and no more than a form needs",
}
PREFIXES: Mapping[str, str] = {SYSTEM: "bmk", WEBSITE: "bmkw"}
SCOPES: Mapping[str, str] = {
    "valuations": "value instruments, read valuations, the catalogue and the vocabulary",
    "evidence": "send, correct, withdraw and list evidence and outcomes; see how good past values were; read "
    "the catalogue and the vocabulary",
    "inventory": "keep a stock of items and their values, ask for offers and portfolios, and have webhooks",
    "requests": "see, grade and answer owners' requests, issue reports, and keep the specialist's settings",
    "metrics": "read the figures at /metrics, and nothing else",
    "admin": "everything that concerns the running of the service",
}
LONGEST_LABEL, LONGEST_ORIGIN, MOST_ORIGINS, MOST_OVERLAP_HOURS = 200, 200, 20, 720.0
DEFAULT_OVERLAP_HOURS = 24.0
# An origin as a browser sends it: in lower case, without a path, and without the scheme's default port.
_ORIGIN = re.compile(
    r"https?://([a-z0-9_]([a-z0-9_-]*[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?)*|\[[0-9a-f:.]+\])"
    r"(:[1-9]\d{0,4})?",
    re.ASCII,
)
_ORIGIN_FORM = "scheme and host, with a port where it is not the usual one: https://www.example.org"


@dataclass(frozen=True)
class NewKey:
    """A checked request for a new key: with scopes for a system key, with origins for a website key."""

    label: str
    kind: str
    scopes: tuple[str, ...]
    origins: tuple[str, ...]


def read_new_key(label: Any, kind: Any = None, scopes: Any = None, origins: Any = None) -> NewKey:
    """Check a request for a new key; None stands for a member left out. Raises InputError with all faults."""
    kind = SYSTEM if kind is None else kind
    scopes, origins = () if scopes is None else scopes, () if origins is None else origins
    faults = text_faults("label", label, LONGEST_LABEL, "say whose key it is")
    if not isinstance(kind, str) or kind not in KINDS:
        faults.append(
            Fault("kind", kind, "is no kind of key", ", ".join(KINDS), "choose one of those allowed")
        )
    faults += _of_list("scopes", scopes, len(SCOPES)) or _of_scopes(kind, scopes)
    faults += _of_list("origins", origins, MOST_ORIGINS) or _of_origins(kind, origins)
    if faults:
        raise InputError(faults)
    return NewKey(label.strip(), kind, tuple(sorted(set(scopes))), tuple(sorted(set(origins))))


def overlap(hours: Any) -> float:
    """Return the hours for which older secrets stay valid; None gives the default. Raises InputError."""
    if hours is None:
        return DEFAULT_OVERLAP_HOURS
    if isinstance(hours, int | float) and not isinstance(hours, bool) and 0 <= hours <= MOST_OVERLAP_HOURS:
        return float(hours)
    allowed = f"0 to {MOST_OVERLAP_HOURS:g}"
    raise InputError([Fault("overlap_hours", hours, "is not such a number of hours", allowed, "correct it")])


def _of_list(field: str, found: Any, most: int) -> list[Fault]:
    good = (
        isinstance(found, list | tuple) and len(found) <= most and all(isinstance(one, str) for one in found)
    )
    return [] if good else [Fault(field, found, "is not such a list", f"a list of at most {most} texts")]


def _of_scopes(kind: Any, scopes: list[str]) -> list[Fault]:
    if kind == WEBSITE and scopes:
        return [Fault("scopes", scopes[0], "is not for a website key", "none", "leave scopes out")]
    if kind == SYSTEM and not scopes:
        return [Fault("scopes", None, "is empty", ", ".join(SCOPES), "name what the key may do")]
    hint = "choose of those allowed"
    return [
        Fault(
            "scopes", name, "is no scope", ", ".join(SCOPES), hint, partial(nearest, name, SCOPES), hinted=0
        )
        for name in scopes
        if name not in SCOPES
    ]


def _of_origins(kind: Any, origins: list[str]) -> list[Fault]:
    if kind == SYSTEM and origins:
        return [Fault("origins", origins[0], "is not for a system key", "none", "leave origins out")]
    if kind == WEBSITE and not origins:
        return [Fault("origins", None, "is empty", _ORIGIN_FORM, "name the website's own origin")]
    hint = "write it as a browser sends it"
    return [
        Fault("origins", one, "is no origin", _ORIGIN_FORM, hint) for one in origins if not is_origin(one)
    ]


def is_origin(text: str) -> bool:
    """Say whether a browser could send this as the origin of a page."""
    scheme, usual = text.partition("://")[0], {"http": ":80", "https": ":443"}
    return (
        len(text) <= LONGEST_ORIGIN
        and _ORIGIN.fullmatch(text) is not None
        and not text.endswith(usual.get(scheme, " "))
    )
