"""Reports: issue, list and show them, and say whether bytes are one."""

from __future__ import annotations

from typing import IO

from flask import Response

from service.api.reports import issuing, services
from service.api.reports.schemas import (
    REQUEST,
    IssuedSchema,
    ReportContentSchema,
    ReportRequest,
    ReportsSchema,
    VerificationSchema,
)
from service.http.blueprint import Blueprint, idempotent
from service.http.responses import HTML, JSON, PDF, json_response, raw_response
from service.reports.page import policy_of

blp = Blueprint(
    "reports",
    __name__,
    url_prefix="/v1",
    description="Written reports. Once issued, a report never changes; a correction is a new version.",
)
# A report names its owner: no search engine may show it, and no cache may keep it.
_PRIVATE = {"Cache-Control": "private, no-store", "X-Robots-Tag": "noindex, nofollow"}
_BODIES = {
    form: {
        "title": "ReportFile",
        "type": "string",
        "contentMediaType": form,
        "description": "the bytes of the report",
    }
    for form in ("application/octet-stream", JSON, HTML, PDF)
}


@blp.route("/requests/<string:request_id>/reports", methods=["POST"])
@blp.authorize("requests")
@blp.arguments(REQUEST)
@blp.response(
    201,
    IssuedSchema(),
    "The report, which is issued.",
    problems=(404, 503),
    headers={"Location": "the path of it"},
)
@idempotent
def issue_report(asked: ReportRequest, request_id: str) -> Response:
    """Issue a report about a request.

    It is made of the request as graded, with the specialist's adjustment and settings, by the current price
    model. Nothing is issued while something is missing: the answer names each thing with a pointer, which
    begins with `/specialist` or `/request` where the thing is not in the body. Issuing moves the request to
    `reported`. A correction names the newest report in `replaces`, and says why in `reason`.
    """
    found = issuing.issue(request_id, asked)
    return raw_response(found.body, found.status, {"Location": found.location or ""})


@blp.route("/requests/<string:request_id>/reports")
@blp.authorize("requests", owners=True)
@blp.response(200, ReportsSchema(), "The reports.", problems=(404,))
def list_reports(request_id: str) -> Response:
    """List the reports of a request, oldest first.

    Each says which one replaced it, so that the last is the one to rely on.
    """
    return json_response(services.listed(request_id))


@blp.route("/reports/<string:report_id>")
@blp.authorize("requests", owners=True)
@blp.response(200, ReportContentSchema(), "What the report says.", problems=(404, 410))
def show_report(report_id: str) -> Response:
    """Show what a report says.

    The answer is the same bytes for ever: their SHA-256 is the digest that is printed in the report.
    """
    return raw_response(services.content(report_id), headers=_PRIVATE)


@blp.route("/reports/<string:report_id>.html")
@blp.authorize("requests", owners=True)
@blp.response(200, None, "The page, which needs nothing else.", problems=(404, 410), content_type=HTML)
def show_report_page(report_id: str) -> Response:
    """Show a report as a page.

    It is the page as it was made when the report was issued, and loads nothing from elsewhere.
    """
    page = services.file(report_id, "html")
    return raw_response(page, headers={**_PRIVATE, "Content-Security-Policy": policy_of(page)}, form=HTML)


@blp.route("/reports/<string:report_id>.pdf")
@blp.authorize("requests", owners=True)
@blp.response(200, None, "The PDF.", problems=(404, 410), content_type=PDF)
def show_report_pdf(report_id: str) -> Response:
    """Show a report as PDF.

    It is the PDF as it was made when the report was issued: archivable (PDF/A-2a) and tagged for screen
    readers (PDF/UA-1).
    """
    named = {"Content-Disposition": f'inline; filename="{report_id}.pdf"'}
    return raw_response(services.file(report_id, "pdf"), headers={**_PRIVATE, **named}, form=PDF)


@blp.route("/reports/<string:report_id>/verification", methods=["POST"])
@blp.row_arguments(_BODIES, limit="report_limit", lines=False)
@blp.response(200, VerificationSchema(), "Whether the bytes are the report.", problems=(404, 429, 503))
def verify_report(form: str, sent: IO[bytes], report_id: str) -> Response:
    """Say whether bytes are a report that was issued.

    Anyone may ask, without a key. The answer says in which form the bytes are the report, and whether a newer
    version replaces it or its content was erased. Nothing of what is sent is kept.
    """
    return json_response(services.verified(report_id, sent))
