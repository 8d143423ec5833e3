"""E-mails about requests: what came of each, and one that is sent again."""

from __future__ import annotations

from typing import Any

from flask import redirect, render_template, url_for

from service.api.emails import services
from service.desk.blueprint import blp
from service.http.pagination import PAGED, page_of
from service.http.queries import read_query


@blp.get("/e-mails")
def show_emails() -> Any:
    """List e-mails, the newest first; the page marks those that a person has to look at."""
    found, link = services.listed(page_of(read_query(PAGED)))
    return render_template("desk/emails.html", emails=found["emails"], link=link)


@blp.post("/e-mails/<email_id>/sending")
def send_email_again(email_id: str) -> Any:
    """Send an e-mail again that is uncertain or failed."""
    services.sent_again(email_id)
    return redirect(url_for("desk.show_emails"), 303)
