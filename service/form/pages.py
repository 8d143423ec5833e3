"""Make pages of our own: their language, their headers, and the page that says one thing."""

from __future__ import annotations

from functools import partial
from http import HTTPStatus
from typing import Any

from flask import Response, g, render_template, request
from werkzeug.exceptions import RequestEntityTooLarge

from models.costs import LONGEST_FORM_PART, MOST_FORM_BYTES, MOST_FORM_PARTS, MOST_FORM_TEXT
from service.context import context
from service.errors import EncodingError, ServiceError
from service.form.files import address
from service.http.responses import HTML
from service.languages.reader import best, day, languages, text

# Everything comes from the service itself; no page of ours needs a style or a script in its text.
POLICY = (
    "default-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'; style-src 'self'; "
    "script-src 'self'; connect-src 'self'; img-src 'self' data:"
)
# The address of an owner's page is its key: no cache keeps it, no search engine lists it.
PRIVATE = {"Cache-Control": "private, no-store, no-transform", "X-Robots-Tag": "noindex, nofollow, noarchive"}


class ElsewhereError(ServiceError):
    """A page of another website posted to a page of ours."""


def language_wanted() -> str:
    """Return the language that the address or the form names, else the best of those the browser accepts."""
    named = request.args.get("language") or g.get("language_posted")
    return best(named, [*request.accept_languages.values()])


def page_words(language: str) -> dict[str, Any]:
    """Return what every template needs of a language, and the addresses of our files."""
    return {
        "language": language,
        "languages": [(code, text(code, "language.name")) for code in languages()],
        "t": partial(text, language),
        "day": partial(day, language=language),
        "file": address,
    }


def page(
    template: str, language: str, status: int = 200, *, private: bool = False, **values: Any
) -> Response:
    """Return a page of ours. `private`: it belongs to one owner alone."""
    robots = "noindex" if private else "index"
    made = render_template(f"form/{template}", robots=robots, **page_words(language), **values)
    headers = {"Content-Security-Policy": POLICY, **(PRIVATE if private else {"Cache-Control": "no-store"})}
    return Response(made, status, headers, mimetype=HTML)


def said(
    name: str,
    status: int,
    *,
    title: str = "follow.refused_title",
    language: str | None = None,
    private: bool = False,
    **places: Any,
) -> Response:
    """Return a page that says the text of this name under the title of that name."""
    language = language or language_wanted()
    words = {"title": text(language, title), "text": text(language, name, **places)}
    return page("plain.html", language, status, private=private, **words)


def led_to(path: str) -> Response:
    """Lead a browser that has posted to this page, so that loading that again posts nothing again."""
    return Response(status=HTTPStatus.SEE_OTHER, headers={"Location": path, "Cache-Control": "no-store"})


def take_post() -> None:
    """Read what a browser posts to a page of ours, within limits: such a page repeats what it was sent.

    Raises ElsewhereError, RequestEntityTooLarge; and EncodingError for gzip, which no browser sends and which
    would make a long body cheap.
    """
    refuse_elsewhere()
    if "HTTP_CONTENT_ENCODING" in request.environ:
        raise EncodingError("A form cannot be compressed.")
    request.max_content_length = MOST_FORM_BYTES
    request.max_form_parts, request.max_form_memory_size = MOST_FORM_PARTS, LONGEST_FORM_PART
    said = request.form.items(multi=True)
    if sum(len(name.encode()) + len(value.encode()) for name, value in said) > MOST_FORM_TEXT:
        raise RequestEntityTooLarge
    g.language_posted = request.form.get("language")


def refuse_elsewhere() -> None:
    """Raise ElsewhereError for a post that a page of another website sent.

    No page of ours has a cookie, so such a post has none of an owner's rights; it could still make an owner
    send what they do not see. Most browsers name the sender in Sec-Fetch-Site, older ones in Origin alone,
    which is `null` from pages that name no referrer, as ours do.
    """
    site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin", "null")
    ours = (request.host_url.rstrip("/"), context().settings.public_url, "null")
    if site not in (None, "same-origin", "none") or origin not in ours:
        raise ElsewhereError("A page of another website sent this.")
