"""GET and POST /verify/{report_id}: a page on which anyone can compare a file with the report of that id."""

from __future__ import annotations

from flask import Blueprint, Response, render_template, request

from service.api.reports import services
from service.context import context
from service.http.queries import read_query
from service.http.responses import HTML
from service.reports.page import policy_of
from service.reports.wording import day_in_words

blp = Blueprint("verify", __name__, template_folder="templates")
_FORM = 4096  # bytes that the form itself adds to a file
_FORMS = {"json": "its content (JSON)", "html": "its page (HTML)", "pdf": "its PDF"}


@blp.before_request
def refuse_query() -> None:
    """Refuse any member of a query, since the path has none."""
    read_query(())


@blp.get("/verify/<string:report_id>")
def show_verification(report_id: str) -> Response:
    """Show which report this is, without a word about the person or the instrument."""
    return _page(services.FileVerdict(services.standing(report_id), None))


@blp.post("/verify/<string:report_id>")
def verify_file(report_id: str) -> Response:
    """Say whether the file that was sent by the page's form is the report."""
    request.max_content_length = context().settings.report_limit + _FORM  # what the form itself adds
    sent = request.files.get("file")
    if sent is None:
        return show_verification(report_id)
    return _page(services.verdict(report_id, sent.stream))


def _page(verdict: services.FileVerdict) -> Response:
    page = render_template("verify.html", verdict=verdict, forms=_FORMS, day=day_in_words).encode()
    policy = policy_of(page).replace("form-action 'none'", "form-action 'self'")
    headers = {"Content-Security-Policy": policy, "X-Robots-Tag": "noindex, nofollow"}
    return Response(page, headers=headers, mimetype=HTML)
