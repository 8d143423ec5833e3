"""Pages of the audit, for answers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from service.api.audit.schemas import dump_audit_entry
from service.context import context
from service.db import audit
from service.db.engine import reading
from service.http.pagination import Page, next_link


def listed(page: Page) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a page of entries, newest first, and the header with the link to the next one."""
    with reading(context().engine) as connection:
        found = audit.entries(connection, page.after or None, page.limit + 1)
    shown = found[: page.limit]
    body = {"entries": [dump_audit_entry(SimpleNamespace(**entry)) for entry in shown]}
    return body, next_link(found, page, shown[-1]["id"] if shown else 0)
