"""The application as one flow: what is done with every request before its view, and with its answer after."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from flask import Flask, Request, Response, current_app, g, request
from flask.sessions import NullSession, SessionInterface
from werkzeug.routing import MapAdapter

from service.context import Exchange, found
from service.logs import log_raised

Before = Callable[[Exchange], Response | None]
After = Callable[[Exchange, Response], Response]
_EMPTY = NullSession()


class _NoSessions(SessionInterface):
    """Nothing is kept of a caller between two requests."""

    def open_session(self, app: Flask, request: Request) -> NullSession:
        return _EMPTY


class Service(Flask):
    """Flask whose stages stand in two lists, in the order in which they are taken.

    Each is handed what Flask's own hooks would look up anew by name. Errors are logged by type and place:
    their text can hold what a body held.
    """

    def __init__(self, name: str, before: Sequence[Before], after: Sequence[After]) -> None:
        super().__init__(name, static_folder=None)
        self.session_interface = _NoSessions()
        self._before, self._after = tuple(before), tuple(after)

    def create_url_adapter(self, request: Request | None) -> MapAdapter | None:
        """What finds the request's rule: by its path alone, for no rule of ours asks for a host."""
        if request is None:
            return None
        return self.url_map.bind(
            self.name, request.root_path, default_method=request.method, path_info=request.path
        )

    def preprocess_request(self) -> Response | None:
        """The answer of the first stage that has one."""
        now = _exchange()
        for stage in self._before:
            answer = stage(now)
            if answer is not None:
                return answer
        return None

    def process_response(self, response: Response) -> Response:
        """What the stages make of the answer."""
        now = _exchange()
        for stage in self._after:
            response = stage(now, response)
        return response

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        """The function as it is: none of ours is a coroutine, and Flask would look at each every time."""
        return func

    def log_exception(self, exc_info: Any) -> None:
        """Where an unexpected error was raised."""
        log_raised(*exc_info)


def _exchange() -> Exchange:
    return Exchange(found(request), found(g), found(current_app).extensions["bookmatch"])
