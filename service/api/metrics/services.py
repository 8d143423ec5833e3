"""The metrics in Prometheus' text format, with the state of webhooks and of this worker's price model."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime

from prometheus_client import generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector, CollectorRegistry
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from models.bundles.provisional import is_provisional
from service.context import context
from service.db.engine import reading
from service.server.live_bundle import LiveBundle
from service.webhooks import endpoints


def exposition() -> bytes:
    """Return all metrics as text."""
    state = CollectorRegistry()
    state.register(_ModelState(context().live))
    state.register(_WebhookState(context().engine))
    return generate_latest(context().figures.whole()) + generate_latest(state)


class _WebhookState(Collector):
    """A gauge of the webhooks, read anew at each scrape; left out while the database does not answer."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def collect(self) -> Iterator[Metric]:
        """Yield how many webhooks are in each state."""
        with suppress(DBAPIError, PoolTimeoutError), reading(self._engine) as connection:
            counts = endpoints.counts(connection)
            gauge = GaugeMetricFamily("bookmatch_webhooks", "Webhooks, by their state.", labels=["state"])
            for state, count in counts.items():
                gauge.add_metric([state], count)
            yield gauge


class _ModelState(Collector):
    """Gauges of the price model that serves. They show its present state, so each scrape reads them anew."""

    def __init__(self, live: LiveBundle) -> None:
        self._live = live

    def collect(self) -> Iterator[Metric]:
        """Yield gauges: version and age of the model that serves, if it is provisional, if one is refused."""
        info = GaugeMetricFamily(
            "bookmatch_model_info", "The price model that serves: 1.", labels=["version"]
        )
        created = GaugeMetricFamily(
            "bookmatch_model_created_timestamp_seconds",
            "When the price model that serves was fitted; its age is time() less this.",
        )
        provisional = GaugeMetricFamily(
            "bookmatch_model_provisional", "1 while the price model that serves is provisional."
        )
        manifest = self._live.manifest
        if manifest is not None:
            provisional.add_metric([], float(is_provisional(manifest)))
            info.add_metric([manifest["version"]], 1)
            created.add_metric([], datetime.fromisoformat(manifest["created"]).timestamp())
        refused = GaugeMetricFamily(
            "bookmatch_model_refused",
            "1 while the current bundle is refused and another or none serves; /readyz says why.",
            value=float(self._live.refused is not None),
        )
        yield from (info, created, provisional, refused)
