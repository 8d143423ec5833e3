"""The queue: requests by state, in the order in which they came."""

from __future__ import annotations

from typing import Any

from flask import redirect, render_template, request, url_for
from sqlalchemy import Connection, Select, func, select

from service.api.requests.listing import FILTERS, listed
from service.api.requests.states import RECEIVED, STATES
from service.context import context
from service.db.engine import reading
from service.db.request_tables import PHOTOGRAPHS, REQUESTS
from service.desk.blueprint import blp
from service.http.queries import Query, read_query

_OF_A_PAGE = 40
_ALL = "all"
_ANY_STATE = tuple(one for one in FILTERS if one.name != "state")
_STATE = Query("state", "requests in this state", {"type": "string"}, str)


@blp.get("")
def show_queue() -> Any:
    """List requests, new ones if no state is asked for."""
    asked = read_query((*_ANY_STATE, _STATE))
    state = asked["state"] or RECEIVED
    if state not in (*STATES, _ALL):
        return redirect(url_for("desk.show_queue"), 303)
    wanted = {**asked, "state": None if state == _ALL else state, "limit": asked["limit"] or _OF_A_PAGE}
    found, link = listed(wanted)
    with reading(context().engine) as connection:
        ids = [one["id"] for one in found["requests"]]
        by_request = select(PHOTOGRAPHS.c.request_id, func.count()).where(PHOTOGRAPHS.c.request_id.in_(ids))
        photographs = _counted(connection, by_request.group_by(PHOTOGRAPHS.c.request_id))
        counts = _counted(connection, select(REQUESTS.c.state, func.count()).group_by(REQUESTS.c.state))
    return render_template(
        "desk/queue.html",
        requests=found["requests"],
        photographs=photographs,
        counts={**counts, _ALL: sum(counts.values())},
        state=state,
        link=link,
        since=request.args.get("since", ""),
    )


def _counted(connection: Connection, query: Select[Any]) -> dict[str, int]:
    return {str(row[0]): int(row[1]) for row in connection.execute(query)}
