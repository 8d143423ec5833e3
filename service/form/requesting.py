"""Show the form, and take the request that a browser without script posts."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from flask import Response, g, request
from marshmallow import RAISE
from werkzeug.datastructures import FileStorage

from service.api.photographs import services as photographs
from service.api.photographs.schemas import VIEWS
from service.api.requests import services as requests
from service.api.requests.access import request_of
from service.api.requests.bodies.schemas import NewRequestSchema
from service.api.specialist.services import standing
from service.context import bundle, context, today
from service.db.engine import reading
from service.errors import (
    ContentTypeError,
    FaultyRequestError,
    LimitError,
    Located,
    NoBundleError,
    PhotographError,
    TooManyPhotographsError,
)
from service.form import fields
from service.form import reading as forms
from service.form.pages import language_wanted, led_to, page, said, take_post
from service.http.bodies import load
from service.http.uploads import needing_room, spool
from service.keys.own_form import OwnForm, own_form
from service.languages.consent import CURRENT
from service.languages.reader import text, texts

_NEW = NewRequestSchema(unknown=RAISE)
TRAP, _PURPOSE = "homepage", "curiosity"
UNPROVED_SECONDS = 3_600  # without script no proof of work can be made: after an hour none is needed
# Texts that the script says; it knows them by the names after the dot.
_SPOKEN = (
    "form.estimate_is", "form.faults_title", "form.sending", "form.network", "form.refused", "form.later",
    "form.failed", "form.proving", "form.received", "form.uploading", "form.uploaded", "form.upload_failed",
    "form.upload_refused", "form.too_large", "form.retry", "form.photographs", "form.photographs_done",
    "form.photographs_left", "form.questions_title", "form.questions_lead", "form.questions_send",
    "form.questions_skip", "form.answers_received", "form.your_page", "form.your_page_lead",
    "form.your_page_link", "form.thanks_title", "form.thanks", "form.result_title", "form.result_range",
    "form.result_later", "form.result_cautions", "form.as_of", "form.made",
)  # fmt: skip


def own_key() -> OwnForm | None:
    """Return the key of the service's own form, None if it was revoked."""
    parts, settings = context(), context().settings
    return own_form(parts.engine, parts.keys, parts.callers, settings.secret, settings.public_url)


def form_page(
    own: OwnForm,
    language: str,
    values: Mapping[str, str],
    faults: Sequence[Located] = (),
    *,
    had_files: bool = False,
) -> Response:
    """Return the form's own page, filled in with these values, and with what is wrong beside each one."""
    shown = fragment_values(language, values, faults, had_files=had_files)
    return page(
        "page.html",
        language,
        422 if shown["faults"] else 200,
        key=own.key,
        range=context().settings.form_range,
        **shown,
    )


def fragment_values(
    language: str,
    values: Mapping[str, str],
    faults: Sequence[Located] = (),
    *,
    had_files: bool = False,
) -> dict[str, Any]:
    """Return all that the template of the form shows."""
    sections, consent = _sections(language), fields.consent_field(language)
    known = {**fields.by_name(sections), "consent": consent}
    beside = forms.told(faults, known, values, language)
    filled = {"purpose": _PURPOSE, "asked.currency": text(language, "form.usual_currency"), **values}
    most = context().settings.photograph_limit
    return {
        "sections": [
            {
                "section": one,
                "opened": any(field.name in beside or values.get(field.name) for field in one.fields),
            }
            for one in sections
        ],
        "views": fields.views(language),
        "values": filled,
        "faults": beside,
        "listed": [{"field": known[name], "text": said} for name, said in beside.items()],
        "had_files": had_files,
        "consent": consent,
        "consent_text": CURRENT,
        "most_bytes": most,
        "megabytes": most // 2**20,
        "script_texts": json.dumps(_spoken(language), ensure_ascii=False),
    }


def _sections(language: str) -> tuple[fields.Section, ...]:
    try:
        valuer = bundle().valuer
    except NoBundleError:  # requests are taken all the same, without names to choose
        return fields.sections(language, (text(language, "form.usual_currency"),))
    found = fields.sections(language, valuer.rates.quoted_on(today()))
    with reading(context().engine) as connection:
        email = standing(connection).get("email")
    return tuple(fields.with_names(section, valuer.catalogue, language, email) for section in found)


def _spoken(language: str) -> dict[str, str]:
    cautions = {
        name.replace("cautions.", "caution_"): said
        for name, said in texts(language).items()
        if name.startswith("cautions.")
    }
    nearest = text(language, "faults.nearest", names="{names}")
    said = {name.removeprefix("form."): texts(language)[name] for name in _SPOKEN}
    return said | cautions | {"nearest": nearest}


def sent(own: OwnForm) -> Response:
    """Take what a browser without script posts, and lead it to the owner's page."""
    take_post()
    language = language_wanted()
    values = {name: value for name, value in request.form.items() if name not in ("language", TRAP)}
    if request.form.get(TRAP):  # a program filled it in; it is not told that nobody reads this
        return said("form.thanks", 200, title="form.thanks_title", language=language)
    g.caller = own.caller
    known = fields.by_name(_sections(language))
    body = forms.body_of(values, known.values())
    agreed = {"consent": True, "consent_text": values["consent"]} if values.get("consent") else {}
    try:
        wanted = load(_NEW, {**body, **agreed, "language": language})
        made = json.loads(requests.create(wanted, with_value=context().settings.form_range).body)
    except FaultyRequestError as error:
        return form_page(own, language, values, error.faults, had_files=bool(_files()))
    refused = [view for view, file in _files() if not _kept(made["id"], view, file)]
    done = "photographs_refused" if refused else "request"
    return led_to(f"{made['follow']}?done={done}")


def _files() -> list[tuple[str, FileStorage]]:
    found = [(name, file) for name, file in request.files.items(multi=True) if file.filename]
    views = {f"photograph.{name}": name for name in VIEWS}
    return [(views[name], file) for name, file in found if name in views]


def _kept(request_id: str, view: str, file: FileStorage) -> bool:
    """Keep a photograph of the caller's request; say whether it could be used."""
    with reading(context().engine) as connection:
        row = request_of(connection, request_id)
    return kept(partial(photographs.take, row, view, actor=photographs.OWNER), file)


def kept(take: Any, file: FileStorage) -> bool:
    """Keep a photograph as `take` does; say whether it could be used."""
    with spool() as body:
        with needing_room():
            shutil.copyfileobj(file.stream, body)
            body.fileno()  # another process reads it, so it has to lie on the disk
        if body.tell() > context().settings.photograph_limit:
            return False
        body.seek(0)
        try:
            take(form=file.mimetype, body=body)
        except (ContentTypeError, PhotographError, TooManyPhotographsError, LimitError):
            return False
    return True
