"""All pages of the desk, registered with its blueprint."""

from __future__ import annotations

from typing import Any

from werkzeug.exceptions import NotFound

from service.desk.blueprint import blp, install
from service.desk.pages import catalogue, evidence, mails, price_models, signing, specialist
from service.desk.pages.requests import concluding, files, grading, owner, queue

PAGES = (
    signing,
    queue,
    grading,
    owner,
    concluding,
    files,
    evidence,
    catalogue,
    price_models,
    specialist,
    mails,
)


@blp.get("/<path:rest>")
def show_nothing(rest: str) -> Any:
    """Answer that nothing is at this path, as a page of the desk."""
    raise NotFound


__all__ = ["PAGES", "blp", "install"]
