"""The base of every view: a blueprint's routes, the body as JSON, the answer as JSON.

A view is four decorators (route, `authorize`, `arguments`, `response`) and a few lines of work. The OpenAPI
document is made from the same decorators, so that it describes what the view really does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import wraps
from http import HTTPStatus
from typing import IO, Any

import flask_smorest
from flask import request
from marshmallow import Schema

from models.costs import IDEMPOTENCY_HOURS
from service.context import context
from service.errors import ContentTypeError
from service.http.bodies import is_json, load, read_object
from service.http.hooks import conditional
from service.http.hooks.authentication import check_caller
from service.http.proof import PARAMETER
from service.http.queries import Query, read_query
from service.http.responses import JSON, NDJSON
from service.http.uploads import take_in

View = Callable[..., Any]


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """The routes of one API resource. `lines`: schemas of the lines of its NDJSON answers and bodies."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lines: list[type[Schema]] = []

    def lines_of(self, schema: type[Schema]) -> dict[str, Any]:
        """Return the OpenAPI schema of NDJSON in which each line is an object of this schema."""
        self.lines.append(schema)
        name = schema.__name__.removesuffix("Schema")
        return {
            "type": "string",
            "description": f"one JSON object on each line: {name}",
            "contentMediaType": NDJSON,
            "contentSchema": {"$ref": f"#/components/schemas/{name}"},
        }

    def route(self, rule: str, **options: Any) -> Callable[[View], View]:
        """Register the view for this path, and in the OpenAPI document with all that its decorators add."""
        register: Callable[[View], View] = super().route(rule, **options)
        tagged = "methods" not in options and rule not in conditional.NEVER_KEPT

        def decorate(view: View) -> View:
            view = self._exact(view)
            if tagged:
                _described(view, **conditional.DESCRIBED)
            return register(self.doc(**_operation(view))(view))

        return decorate

    def authorize(self, *scopes: str, forms: bool = False, owners: bool = False) -> Callable[[View], View]:
        """Require a system key with one of these scopes from the caller.

        `forms`: or a website key. `owners`: or an owner's private link.
        """

        def decorate(view: View) -> View:
            exact = self._exact(view)

            @wraps(exact)
            def guarded(*args: Any, **kwargs: Any) -> Any:
                check_caller(scopes, forms=forms, owners=owners)
                return exact(*args, **kwargs)

            problems = _problems((401, 403, 406, 429, 503))
            guarded.__dict__["forms"] = forms  # for `service.http.hooks.cors`
            open_to = {"system_key": True, "website_key": forms, "owner_link": owners}
            kinds = [kind for kind, is_open in open_to.items() if is_open]
            # Scopes stand beside: of a bearer key's the specification knows none, and linters refuse them.
            needed = {"security": [{kind: []} for kind in kinds], "x-scopes": list(scopes)}
            return _described(guarded, **needed, responses=problems)

        return decorate

    def arguments(self, schema: Schema) -> Callable[[View], View]:
        """Read the body as a JSON object of this schema, and pass the result as the view's first argument."""

        def decorate(view: View) -> View:
            @wraps(view)
            def read(*args: Any, **kwargs: Any) -> Any:
                return view(load(schema, read_object()), *args, **kwargs)

            body = {"required": True, "content": {JSON: {"schema": schema}}}
            return _described(read, requestBody=body, responses=_problems((400, 413, 415, 422)))

        return decorate

    def row_arguments(
        self,
        forms: Mapping[str, Any],
        *,
        limit: str = "list_limit",
        or_one: Schema | None = None,
        lines: bool = True,
        binary: Mapping[str, Any] | None = None,
    ) -> Callable[[View], View]:
        """Read a body of rows in one of these media types, of any length up to the setting named `limit`.

        The view's first arguments are the media type and a file with the body, which is closed after the
        answer is sent. With `or_one` the body can also be a JSON object of that schema: then the first
        arguments are the media type JSON and the object as the schema read it. `lines=False`: the body is no
        text but one piece of content. `binary`: more media types, of which that is true in any case.
        """
        forms = {**forms, **(binary or {})}
        contents = {form: {"schema": schema} for form, schema in forms.items()}
        if or_one is not None:
            contents[JSON] = {"schema": or_one}

        def decorate(view: View) -> View:
            @wraps(view)
            def read(*args: Any, **kwargs: Any) -> Any:
                form = request.mimetype
                if form in forms:
                    text = lines and form not in (binary or {})
                    most = getattr(context().settings, limit)
                    return _with_rows(view, form, take_in(most, lines=text), args, kwargs)
                if or_one is not None and is_json(form):
                    return view(JSON, load(or_one, read_object()), *args, **kwargs)
                sent_as = form or "of no stated type"
                raise ContentTypeError(f"The body is {sent_as}; send it as {' or '.join(contents)}.")

            body = {"required": True, "content": contents}
            return _described(read, requestBody=body, responses=_problems((400, 413, 415, 422, 507)))

        return decorate

    def query(self, *queries: Query) -> Callable[[View], View]:
        """Read these members of the URL's query, and pass them to the view by name; None for one not sent.

        Any other name in the query is a fault. A view can have this decorator only once; a view without it
        gets it from `authorize` or `route`, and then any name is a fault.
        """
        parameters = [query.described() for query in queries]

        def decorate(view: View) -> View:
            @wraps(view)
            def read(*args: Any, **kwargs: Any) -> Any:
                return view(*args, **kwargs, **read_query(queries))

            read.__dict__["queries"] = queries
            return _described(read, parameters=parameters, responses=_problems((422,)))

        return decorate

    def _exact(self, view: View) -> View:
        """Return the view with a query of exactly the members that it names, none if it names none."""
        return view if "queries" in view.__dict__ else self.query()(view)

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
        """Describe the view's answer, and the problems that it can answer with. Tests check both."""
        return self._response(
            status, {content_type: schema or {"type": "string"}}, text, problems, headers or {}
        )

    def row_response(
        self, forms: Mapping[str, Any], text: str, *, headers: Mapping[str, str] | None = None
    ) -> Callable[[View], View]:
        """Describe the view's answer as streamed rows in one of these media types."""
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
    """Describe the header Idempotency-Key; the view handles it by `service.http.idempotency`."""
    meaning = (
        "your own name for this request. If you send the request again with the same name, you get the same "
        f"answer and nothing is done twice. Names live for {IDEMPOTENCY_HOURS} hours. With a website key, "
        "a name holds for one body: another body with it is another request"
    )
    header = conditional.header_parameter(
        "Idempotency-Key", meaning, minLength=1, maxLength=200, pattern="^[!-~]([ -~]*[!-~])?$"
    )
    return _described(view, parameters=[header], responses=_problems((409, 507)))


def proven(view: View) -> View:
    """Describe the header Proof-Of-Work; the view handles it by `service.http.proof`."""
    return _described(view, parameters=[PARAMETER])


def localized(view: View) -> View:
    """Describe the header Accept-Language, which the view reads."""
    meaning = "the languages that the owner reads, for an answer where the body names none (RFC 9110)"
    return _described(view, parameters=[conditional.header_parameter("Accept-Language", meaning)])


def unless_changed(view: View) -> View:
    """Describe the header If-Match; the view handles it by `conditional.check_unchanged`."""
    return _described(view, **conditional.IF_MATCH)


def unless_there(view: View) -> View:
    """Describe the header If-None-Match of a change; the view handles it by `conditional.check_absent`."""
    return _described(view, **conditional.IF_NONE_MATCH)


def _described(view: View, **more: Any) -> View:
    """Add this to the view's operation, which `Blueprint.route` puts into the OpenAPI document."""
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


def _with_rows(view: View, form: str, rows: IO[bytes], args: Any, kwargs: Any) -> Any:
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
