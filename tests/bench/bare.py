"""Serve a bare Flask application with one fixed answer for each path, to measure the service against.

It runs under the service's own gunicorn settings, and reads the body as any application must.
Run as `python bare.py BIND FOLDER`: the answer of /v1/name is the file `name` of the folder.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask, Response, request
from gunicorn.app.base import BaseApplication

from service.server.gunicorn_app import options
from service.settings import Settings


class Bare(BaseApplication):  # type: ignore[misc]  # gunicorn has no types
    """The bare application under gunicorn."""

    def __init__(self, bind: str, folder: Path) -> None:
        self._settings = Settings(store=folder, secret="", bind=bind)
        self.client_seconds, self.at_once = self._settings.client_seconds, self._settings.threads
        super().__init__()

    def load_config(self) -> None:
        """The service's options."""
        for name, value in options(self._settings).items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        """The application; called in each worker, after the fork."""
        app = Flask("bare", static_folder=None)
        for path in sorted(self._settings.store.iterdir()):
            app.add_url_rule(f"/v1/{path.name}", path.name, fixed(path.read_bytes()), methods=["POST"])
        return app


def fixed(body: bytes) -> Callable[[], Response]:
    """A view that always answers this."""

    def view() -> Response:
        request.get_data()
        return Response(body, mimetype="application/json")

    return view


if __name__ == "__main__":
    Bare(sys.argv[1], Path(sys.argv[2])).run()
