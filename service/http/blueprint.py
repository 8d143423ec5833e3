"""The base of every view: a blueprint's routes, the body as JSON, the answer as JSON.

A view is four decorators (route, `authorize`, `arguments`, `response`) and a few lines of work. They are also
what the OpenAPI document is made from, so what is documented is what is done.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import wraps
from http import HTTPStatus
from typing import Any

import flask_smorest
from flask import request
from marshmallow import Schema

from service.context import context
from service.errors import ContentTypeError
from service.http.bodies import is_json, load, read_object
from service.http.hooks import conditional
from service.http.hooks.authentication import check_caller
from service.http.queries import Query, read_query
from service.http.responses import JSON, NDJSON
from service.http.uploads import take_in

View = Callable[..., Any]


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """The routes of one noun. `lines`: schemas of what its NDJSON holds, line by line."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines: list[type[Schema]] = []

    def lines_of(self, schema: type[Schema]) -> dict[str, Any]:
        """The schema of NDJSON whose lines are objects of this one."""
        self.lines.append(schema)
        name = schema.__name__.removesuffix("Schema")
        return {
            "type": "string",
            "description": f"one JSON object on each line: {name}",
            "contentMediaType": NDJSON,
            "contentSchema": {"$ref": f"#/components/schemas/{name}"},
        }

    def route(self, rule: str, **options: Any) -> Callable[[View], View]:
        """The view answers at this path, and the OpenAPI document says what its decorators say."""
        register: Callable[[View], View] = super().route(rule, **options)
        tagged = "methods" not in options and rule not in conditional.NEVER_KEPT

        def decorate(view: View) -> View:
            if tagged:
                _described(view, **conditional.DESCRIBED)
            return register(self.doc(**_operation(view))(view))

        return decorate

    def authorize(self, *scopes: str, forms: bool = False) -> Callable[[View], View]:
        """The caller must hold a system key with one of these scopes; or, with `forms`, a website key."""

        def decorate(view: View) -> View:
            @wraps(view)
            def guarded(*args: Any, **kwargs: Any) -> Any:
                check_caller(scopes, forms=forms)
                return view(*args, **kwargs)

            problems = _problems((401, 403, 406, 429, 503))
            guarded.__dict__["forms"] = forms  # for `service.http.hooks.cors`
            security: list[dict[str, list[str]]] = [{"system_key": [scope]} for scope in scopes]
            if forms:
                security.append({"website_key": []})
            return _described(guarded, security=security, responses=problems)

        return decorate

    def arguments(self, schema: Schema) -> Callable[[View], View]:
        """The body is a JSON object of this schema; the view's first argument is what was read from it."""

        def decorate(view: View) -> View:
            @wraps(view)
            def read(*args: Any, **kwargs: Any) -> Any:
                return view(load(schema, read_object()), *args, **kwargs)

            body = {"required": True, "content": {JSON: {"schema": schema}}}
            return _described(read, requestBody=body, responses=_problems((400, 413, 415, 422)))

        return decorate

    def row_arguments(
        self, forms: Mapping[str, Any], *, limit: str = "list_limit", or_one: Schema | None = None
    ) -> Callable[[View], View]:
        """The body is rows in one of these forms, of any length up to the setting `limit`.

        The view's first arguments are the form and a file that holds the body; it is closed once all is sent.
        With `or_one` the body can be a JSON object of this schema: then they are JSON and what it says.
        """
        contents = {form: {"schema": schema} for form, schema in forms.items()}
        if or_one is not None:
            contents[JSON] = {"schema": or_one}

        def decorate(view: View) -> View:
            @wraps(view)
            def read(*args: Any, **kwargs: Any) -> Any:
                form = request.mimetype
                if form in forms:
                    return _with_rows(view, form, limit, args, kwargs)
                if or_one is not None and is_json(form):
                    return view(JSON, load(or_one, read_object()), *args, **kwargs)
                sent_as = form or "of no stated type"
                raise ContentTypeError(f"The body is {sent_as}; send it as {' or '.join(contents)}.")

            body = {"required": True, "content": contents}
            return _described(read, requestBody=body, responses=_problems((400, 413, 415, 422, 507)))

        return decorate

    def query(self, *queries: Query) -> Callable[[View], View]:
        """The view's arguments of these names are what was read from the query; None for one not sent.

        Any other name in the query is a fault. Once a view.
        """
        parameters = [query.described() for query in queries]

        def decorate(view: View) -> View:
            @wraps(view)
            def read(*args: Any, **kwargs: Any) -> Any:
                return view(*args, **kwargs, **read_query(queries))

            return _described(read, parameters=parameters, responses=_problems((422,)))

        return decorate

    def response(
        self,
        status: int,
        schema: Schema | None,
        text: str,
        *,
        problems: Sequence[int] = (),
        headers: Mapping[str, str] | None = None,
        content_type: str = JSON,
    ) -> Callable[[View], View]:
        """The view answers with this status and schema, or with these problems. A test holds it to that."""
        return self._response(
            status, {content_type: schema or {"type": "string"}}, text, problems, headers or {}
        )

    def row_response(
        self, forms: Mapping[str, Any], text: str, *, headers: Mapping[str, str] | None = None
    ) -> Callable[[View], View]:
        """The view answers with rows in one of these forms, streamed."""
        return self._response(200, forms, text, (), headers or {})

    def _response(
        self,
        status: int,
        forms: Mapping[str, Any],
        text: str,
        problems: Sequence[int],
        headers: Mapping[str, str],
    ) -> Callable[[View], View]:
        content = {form: {"schema": schema} for form, schema in forms.items()}
        response: dict[str, Any] = {"description": text, "content": content}
        if headers:
            response["headers"] = {
                name: {"description": meaning, "schema": {"type": "string"}}
                for name, meaning in headers.items()
            }
        responses = {str(status): response, **_problems((414, 431, 500, *problems))}

        def decorate(view: View) -> View:
            words = view.__name__.split("_")
            name = words[0] + "".join(word.title() for word in words[1:])
            return _described(view, responses=responses, operationId=name)

        return decorate


def idempotent(view: View) -> View:
    """The view heeds an Idempotency-Key (`service.idempotency`)."""
    meaning = (
        "your own name for this request: sent again with it, the request is answered alike, not done again; "
        "it is remembered for good"
    )
    header = conditional.header_parameter(
        "Idempotency-Key", meaning, minLength=1, maxLength=200, pattern="^[!-~]([ -~]*[!-~])?$"
    )
    return _described(view, parameters=[header], responses=_problems((409, 507)))


def unless_changed(view: View) -> View:
    """The view heeds an If-Match (`conditional.check_unchanged`)."""
    return _described(view, **conditional.IF_MATCH)


def _described(view: View, **more: Any) -> View:
    """Add this to the view's operation in the OpenAPI document; `Blueprint.route` hands it on as a whole."""
    view.__dict__["operation"] = _merged(_operation(view), more)
    return view


def _operation(view: View) -> dict[str, Any]:
    found: dict[str, Any] = view.__dict__.get("operation", {})
    return found


def _merged(first: Any, second: Any) -> Any:
    if isinstance(first, Mapping) and isinstance(second, Mapping):
        both = {name: _merged(first[name], second[name]) for name in first.keys() & second.keys()}
        return {**first, **second, **both}
    return [*first, *second] if isinstance(first, list) and isinstance(second, list) else second


def _problems(codes: Sequence[int]) -> dict[str, str]:
    return {str(code): HTTPStatus(code).name for code in codes}


def _with_rows(view: View, form: str, limit: str, args: Any, kwargs: Any) -> Any:
    rows = take_in(getattr(context().settings, limit))
    try:
        response = view(form, rows, *args, **kwargs)
        if response.is_streamed:  # the rows are read while the answer is sent
            response.call_on_close(rows.close)
        else:
            rows.close()
        return response
    except BaseException:
        rows.close()
        raise
