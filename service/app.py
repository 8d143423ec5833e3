"""The application factory: it only wires."""

from __future__ import annotations

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from models.bundle import ModelReader
from service import conditional, cors, logs, request_log
from service.catalogue.routes import blp as catalogue
from service.context import Context
from service.docs.openapi import describe
from service.docs.routes import blp as docs
from service.evidence.routes import blp as evidence
from service.health.routes import blp as health
from service.keys.callers import Callers
from service.keys.records import KeyRing
from service.keys.routes import blp as keys_
from service.keys.rules import identify
from service.limits import rules as counting
from service.limits.counters import Shared, shared
from service.limits.quotas import Limits
from service.live import Live
from service.metrics.figures import Figures
from service.metrics.routes import blp as metrics
from service.models.routes import blp as models_
from service.negotiation import check_forms
from service.outcomes.routes import blp as outcomes
from service.past import BundleCache
from service.performance.kept import Studies
from service.performance.routes import blp as performance
from service.settings import Settings
from service.stocklists.routes import blp as stocklists
from service.store.base import open_engine
from service.valuations.part_routes import blp as parts
from service.valuations.routes import blp as valuations
from service.vocabulary.routes import blp as vocabulary

BLUEPRINTS = (
    valuations,
    parts,
    stocklists,
    evidence,
    outcomes,
    performance,
    catalogue,
    vocabulary,
    models_,
    keys_,
    health,
    metrics,
)
# Flask's own hooks, in the order in which they run: before every view, and on every answer after it.
BEFORE = (request_log.begin, cors.preflight, identify, counting.count, check_forms)
AFTER = (counting.say, conditional.tagged, cors.allow, request_log.end)


def create_app(
    settings: Settings,
    *,
    read_model: ModelReader | None = None,
    watch_seconds: float | None = None,
    counted: Shared | None = None,
) -> Flask:
    """The application of one worker.

    `watch_seconds`: how often to look for another model; None: never. `counted`: what it counts requests in
    together with other workers; None: it counts alone.
    """
    logs.configure(settings.log_level)
    app = Flask("service", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = settings.body_limit + 1  # `service.web` holds bodies to the limit
    app.url_map.merge_slashes = False
    if settings.proxies:
        app.wsgi_app = ProxyFix(app.wsgi_app, settings.proxies, 0, 0)  # type: ignore[method-assign]
    engine = open_engine(settings.database, busy_seconds=settings.busy_seconds, threads=settings.threads)
    live = Live(settings.store, read_model)
    live.look()
    keys = KeyRing(engine, settings.secret)
    callers = Callers(engine, keys, settings.key_seconds, settings.outage_seconds)
    if watch_seconds is not None:
        live.watch(watch_seconds)
        callers.watch()
    past = BundleCache(settings.store, read_model)
    limits = Limits(settings, counted or shared())
    app.extensions["bookmatch"] = Context(
        settings, engine, live, past, keys, callers, limits, Figures(), Studies()
    )
    for before in BEFORE:
        app.before_request(before)
    for after in reversed(AFTER):  # Flask runs the one that was registered last first
        app.after_request(after)
    describe(app, BLUEPRINTS)
    app.register_blueprint(docs)
    return app
