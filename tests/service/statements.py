"""Counts the statements that an application sends to its database."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

from apps import parts
from flask import Flask
from sqlalchemy import event

from service.db import single_insert


@contextmanager
def counted(app: Flask) -> Iterator[list[str]]:
    """The statements that the application sends, by their first word; transactions apart."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith("BEGIN"):
            sent.append(" ".join(statement.split()[:3]).split(" (")[0])

    def execute(engine: Any, statement: str, parameters: Any) -> None:
        note(None, None, statement)
        run(engine, statement, parameters)

    engine, run = parts(app).engine, single_insert._execute
    event.listen(engine, "before_cursor_execute", note)
    try:
        # What goes past SQLAlchemy fires none of its events.
        with patch.object(single_insert, "_execute", execute):
            yield sent
    finally:
        event.remove(engine, "before_cursor_execute", note)
