"""The application factory: Flask with its hooks and blueprints, and the objects that they share.

A request passes the hooks of `BEFORE`, the view of its path in a blueprint of `service.api`, and the hooks of
`AFTER`. Errors, wherever they are raised, become problem documents (`service.problems`).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from flask import Flask
from sqlalchemy import Connection, Engine
from werkzeug.middleware.proxy_fix import ProxyFix

from models.bundles.bundle import ModelReader
from service.api.audit import routes as audit
from service.api.catalogue import routes as catalogue
from service.api.catalogue.draft import routes as catalogue_draft
from service.api.emails import routes as emails
from service.api.evidence import export as evidence_export
from service.api.evidence import routes as evidence
from service.api.health import routes as health
from service.api.items import export as item_sheets
from service.api.items import routes as items
from service.api.keys import routes as keys
from service.api.metrics import routes as metrics
from service.api.offers import routes as offers
from service.api.offers import term_routes as offer_terms
from service.api.outcomes import routes as outcomes
from service.api.performance import routes as performance
from service.api.photographs import routes as photographs
from service.api.portfolios import routes as portfolios
from service.api.price_models import routes as price_models
from service.api.reports import pages as report_pages
from service.api.reports import records as report_records
from service.api.reports import routes as reports
from service.api.requests import routes as requests
from service.api.requests.person import routes as request_person
from service.api.revaluations import routes as revaluations
from service.api.specialist import routes as specialist
from service.api.stocklists import routes as stocklists
from service.api.valuations import part_routes
from service.api.valuations import routes as valuations
from service.api.vocabulary import routes as vocabulary
from service.api.webhooks import routes as webhooks
from service.blobs.places import store_of
from service.blobs.store import Blobs
from service.context import Context, Forgetter
from service.db import pruning
from service.db.engine import open_engine
from service.desk import access
from service.desk import routes as desk
from service.docs import routes as docs
from service.docs.openapi import describe
from service.form import routes as form
from service.http.hooks import (
    answer_compression,
    authentication,
    conditional,
    cors,
    negotiation,
    rate_limits,
    request_log,
    security,
)
from service.inventory import revaluing
from service.keys.callers import Callers
from service.keys.records import KeyRing
from service.mail import outbox, sender
from service.photographs import records as photograph_records
from service.server import logs
from service.server.bundle_cache import BundleCache
from service.server.counters import Shared, shared
from service.server.figures import Figures
from service.server.live_bundle import LiveBundle
from service.server.quotas import Limits
from service.server.recent import LastAnswer, RecentCache
from service.settings import Settings
from service.webhooks import deliveries
from service.webhooks import watching as webhook_watching

BLUEPRINTS = (
    valuations.blp,
    part_routes.blp,
    stocklists.blp,
    evidence.blp,
    evidence_export.blp,
    outcomes.blp,
    performance.blp,
    offers.blp,
    offer_terms.blp,
    portfolios.blp,
    photographs.blp,
    requests.blp,
    request_person.blp,
    items.blp,
    item_sheets.blp,
    catalogue.blp,
    catalogue_draft.blp,
    vocabulary.blp,
    specialist.blp,
    reports.blp,
    revaluations.blp,
    webhooks.blp,
    price_models.blp,
    emails.blp,
    keys.blp,
    audit.blp,
    health.blp,
    metrics.blp,
)
# Flask's own hooks, in the order in which they run: before every view, and on every answer after it.
BEFORE = (
    request_log.begin,
    cors.answer_preflight,
    authentication.identify,
    access.identify,
    rate_limits.count,
    negotiation.check_forms,
)
AFTER = (
    rate_limits.add_headers,
    conditional.add_etag,
    answer_compression.compress,  # after the tag, which is of the bytes as they were made
    cors.add_headers,
    security.add_headers,
    request_log.end,
)
_LOOK_SECONDS = 1.0  # /readyz looks at the database once in so many seconds, however often it is asked
_MOST_STUDIES = 8  # studies of past valuations kept in memory, one for each period that was asked for


def create_app(
    settings: Settings,
    *,
    read_model: ModelReader | None = None,
    watch_seconds: float | None = None,
    counted: Shared | None = None,
) -> Flask:
    """Make the application of one worker.

    `watch_seconds`: the time between two looks for a newly promoted price model; None: never look for one,
    nor whether PostgreSQL still answers, and let /readyz look every time. `counted`: the counters of requests
    that all workers share; None: this worker counts alone.
    """
    logs.configure(settings.log_level)
    app = Flask("service", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = settings.body_limit + 1  # `service.http.bodies` refuses longer ones
    app.url_map.merge_slashes = False
    if settings.proxies:
        # Whether a caller came by TLS is what the nearest proxy says.
        app.wsgi_app = ProxyFix(app.wsgi_app, settings.proxies, 1, 0)  # type: ignore[method-assign]
    context = _context(settings, read_model, counted, watch_seconds is not None)
    if watch_seconds is not None:
        context.live.watch(watch_seconds)
        context.callers.watch()
        unnamed = [
            partial(records.prune, context.engine, context.blobs)
            for records in (photograph_records, report_records)
        ]
        pruning.watch(context.engine, *unnamed, partial(deliveries.prune, context.engine))
        sender.watch(context.engine, settings)
        revaluing.watch(revaluing.RevaluationContext.of(context))
        webhook_watching.watch(context.engine, settings, context.figures.delivered)
    app.extensions["bookmatch"] = context
    for before in BEFORE:
        app.before_request(before)
    for after in reversed(AFTER):  # Flask runs these hooks in reverse order
        app.after_request(after)
    describe(app, BLUEPRINTS)
    app.register_blueprint(docs.blp)
    app.register_blueprint(report_pages.blp)
    desk.install(app, settings)
    app.register_blueprint(form.blp)
    return app


def _context(
    settings: Settings, read_model: ModelReader | None, counted: Shared | None, watched: bool
) -> Context:
    engine = open_engine(
        settings.database,
        busy_seconds=settings.busy_seconds,
        connections=settings.connections,
        statement_seconds=settings.statement_seconds if watched else None,
    )
    blobs = Blobs(settings)
    store = store_of(settings)
    live = LiveBundle(store, read_model)
    live.look()
    ring = KeyRing(engine, settings.secret)
    return Context(
        settings,
        engine,
        blobs,
        live,
        BundleCache(store, read_model),
        ring,
        Callers(engine, ring, settings.key_seconds, settings.outage_seconds),
        Limits(settings, counted or shared()),
        Figures(),
        RecentCache(_MOST_STUDIES),
        LastAnswer(_LOOK_SECONDS if watched else 0.0),
        _forgetters(engine, blobs),
    )


def _forgetters(engine: Engine, blobs: Blobs) -> tuple[Forgetter, ...]:
    """Return what forgets an owner who is erased, beside the request itself."""

    def photographs(connection: Connection, request_id: str) -> Callable[[], object]:
        digests = photograph_records.forget(connection, request_id)
        return partial(photograph_records.release, engine, blobs, digests)

    def reports(connection: Connection, request_id: str) -> Callable[[], object]:
        return partial(report_records.release, blobs, report_records.forget(connection, request_id))

    return photographs, reports, outbox.forget
