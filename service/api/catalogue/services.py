"""Make answers from the catalogue of this request's bundle."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any

from models.domain.catalogue import Catalogue
from models.errors import UnknownNameError
from service.context import bundle
from service.errors import Located, UnknownPathNameError


def whole() -> dict[str, Any]:
    """Return every maker with every model, and the version of the bundle whose catalogue it is."""
    known = _catalogue()
    makers = [{"name": name, "models": [asdict(m) for m in known.of_maker(name)]} for name in known.makers]
    found = bundle()
    return {
        "model_version": found.version,
        "provisional": found.valuer.provisional,
        "makers": makers,
    }


def makers() -> list[dict[str, Any]]:
    """Return the makers, with the names of their models."""
    return [maker(name) for name in _catalogue().makers]


def maker(name: str) -> dict[str, Any]:
    """Return one maker, with the names of its models. Raises UnknownPathNameError."""
    with translate_unknown_names():
        found = _catalogue().of_maker(name)
    return {"name": found[0].maker, "models": [model.name for model in found]}


def models(maker: str) -> list[dict[str, Any]]:
    """Return the models of one maker. Raises UnknownPathNameError."""
    with translate_unknown_names():
        return [asdict(model) for model in _catalogue().of_maker(maker)]


def model(maker: str, name: str) -> dict[str, Any]:
    """Return one model, with all that the catalogue has about it. Raises UnknownPathNameError."""
    with translate_unknown_names():
        return asdict(_catalogue().find(maker, name))


def _catalogue() -> Catalogue:
    return bundle().valuer.catalogue


@contextmanager
def translate_unknown_names() -> Iterator[None]:
    """Turn the catalogue's error for an unknown name into UnknownPathNameError, which is answered by 404."""
    try:
        yield
    except UnknownNameError as error:
        raise UnknownPathNameError([Located(None, fault) for fault in error.faults]) from None
