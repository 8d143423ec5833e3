"""Photographs and issued reports, for those who are signed in."""

from __future__ import annotations

from flask import Response, abort
from sqlalchemy import Row

from service.api.photographs import services as photographs
from service.api.reports import services as reports
from service.api.requests.access import request_of
from service.context import context
from service.db.engine import reading
from service.desk.blueprint import blp
from service.http.responses import HTML, PDF, raw_response
from service.photographs.records import photograph_of
from service.photographs.taking import JPEG
from service.reports.page import policy_of


@blp.get("/requests/<request_id>/photographs/<photograph_id>.jpg")
def show_photograph(request_id: str, photograph_id: str) -> Response:
    """Show a photograph."""
    return _picture(request_id, photograph_id)


@blp.get("/requests/<request_id>/photographs/<photograph_id>/thumbnail.jpg")
def show_thumbnail(request_id: str, photograph_id: str) -> Response:
    """Show a photograph small."""
    return _picture(request_id, photograph_id, thumbnail=True)


def _picture(request_id: str, photograph_id: str, *, thumbnail: bool = False) -> Response:
    with reading(context().engine) as connection:
        row: Row[tuple[object, ...]] = photograph_of(
            connection, request_of(connection, request_id).id, photograph_id
        )
    body = photographs.blob_of(row, thumbnail=thumbnail)
    return raw_response(body, headers=photographs.content_headers(row, thumbnail=thumbnail), form=JPEG)


@blp.get("/reports/<report_id>.<form>")
def show_report_file(report_id: str, form: str) -> Response:
    """Show an issued report as page or PDF, to the byte as it was issued."""
    if form not in ("html", "pdf"):
        abort(404)
    body = reports.file(report_id, form)
    if form == "html":
        return raw_response(body, headers={"Content-Security-Policy": policy_of(body)}, form=HTML)
    named = {"Content-Disposition": f'inline; filename="{report_id}.pdf"'}
    return raw_response(body, headers=named, form=PDF)
