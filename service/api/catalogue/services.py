"""The catalogue of this request's bundle as answers."""

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
    """Every maker with every model, and the bundle that says so."""
    known = _catalogue()
    makers = [{"name": name, "models": [asdict(m) for m in known.of_maker(name)]} for name in known.makers]
    found = bundle()
    return {
        "model_version": found.version,
        "provisional": found.valuer.provisional,
        "makers": makers,
    }


def makers() -> list[dict[str, Any]]:
    """The makers, with the names of their models."""
    return [maker(name) for name in _catalogue().makers]


def maker(name: str) -> dict[str, Any]:
    """One maker, with the names of its models. Raises UnknownPathNameError."""
    with _translate_unknown_names():
        found = _catalogue().of_maker(name)
    return {"name": found[0].maker, "models": [model.name for model in found]}


def models(maker: str) -> list[dict[str, Any]]:
    """The models of one maker. Raises UnknownPathNameError."""
    with _translate_unknown_names():
        return [asdict(model) for model in _catalogue().of_maker(maker)]


def model(maker: str, name: str) -> dict[str, Any]:
    """One model, with all that is known of it. Raises UnknownPathNameError."""
    with _translate_unknown_names():
        return asdict(_catalogue().find(maker, name))


def _catalogue() -> Catalogue:
    return bundle().valuer.catalogue


@contextmanager
def _translate_unknown_names() -> Iterator[None]:
    """Answer 404 for a name in a path that the catalogue does not have."""
    try:
        yield
    except UnknownNameError as error:
        raise UnknownPathNameError([Located(None, fault) for fault in error.faults]) from None
