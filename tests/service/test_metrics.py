"""GET /metrics: what was asked and answered, counted across all workers, for a key of its own scope."""

from __future__ import annotations

import os
import re
import signal
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import pytest
from apps import caller_of, parts
from asking import DAL, Caller, assert_problem
from fakes import write_fake
from flask import Flask
from prometheus_client.parser import text_string_to_metric_families
from running import Running

from models.bundles.registry import Registry
from service.server.figures_folder import PREFIX, counting_folder

Labels = Mapping[str, str]


def read(text: str, name: str, **labels: str) -> float:
    """The sum of all samples of this name that have these labels."""
    samples = [sample for family in text_string_to_metric_families(text) for sample in family.samples]
    found = [one.value for one in samples if one.name == name and labels.items() <= one.labels.items()]
    return sum(found)


def figures(app: Flask) -> str:
    found = caller_of(app, "metrics").get("/metrics")
    assert found.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
    return found.text


def test_requests_are_counted_by_path_method_and_status(own_app: Flask) -> None:
    caller = caller_of(own_app)
    for _ in range(3):
        caller.post("/v1/intervals", DAL)
    caller.post("/v1/intervals", {"instrument": {}})
    caller.get("/v1/valuations/one")
    caller.get("/v1/valuations/another")
    text = figures(own_app)
    intervals = {"route": "/v1/intervals", "method": "POST"}
    assert read(text, "bookmatch_requests_total", **intervals, status="200") == 3
    assert read(text, "bookmatch_requests_total", **intervals, status="422") == 1
    kept = {"route": "/v1/valuations/<string:valuation_id>", "method": "GET", "status": "404"}
    assert read(text, "bookmatch_requests_total", **kept) == 2
    assert read(text, "bookmatch_request_seconds_count", **intervals) == 4
    assert 0 < read(text, "bookmatch_request_seconds_sum", **intervals) < 4
    assert read(text, "bookmatch_request_seconds_bucket", **intervals, le="+Inf") == 4
    assert read(text, "bookmatch_problems_total", kind="fields") == 1
    assert read(text, "bookmatch_problems_total", kind="record") == 2


def test_what_callers_make_up_is_no_label(own_app: Flask) -> None:
    caller = caller_of(own_app)
    for word in ("BREW", "WHEN", "/nowhere/at/all", "/other"):
        if word.startswith("/"):
            caller.get(word)
        else:
            caller.client.open("/healthz", method=word)
    text = figures(own_app)
    assert read(text, "bookmatch_requests_total", route="none", method="other", status="405") == 2
    assert read(text, "bookmatch_requests_total", route="none", method="GET", status="404") == 2
    assert not re.search("BREW|nowhere|other/", text)


def test_valuations_are_counted_by_the_evidence_behind_them(own_app: Flask) -> None:
    caller = caller_of(own_app)
    word = caller.value({}).json["evidence"]["word"]
    caller.post("/v1/attributions", DAL)
    caller.post("/v1/attributions", {"instrument": {}})  # not valued
    text = figures(own_app)
    assert read(text, "bookmatch_valuations_total", evidence=word) == 2
    assert read(text, "bookmatch_valuations_total") == 2


def test_the_model_that_serves_is_named_with_its_age(own_app: Flask) -> None:
    found = parts(own_app)
    version = found.live.version
    text = figures(own_app)
    assert read(text, "bookmatch_model_info", version=version or "") == 1
    # A version's name begins with the moment it was made.
    made = datetime.fromtimestamp(read(text, "bookmatch_model_created_timestamp_seconds"), UTC)
    assert f"{made:%Y%m%dT%H%M%S}" == str(version)[:15]
    assert read(text, "bookmatch_model_refused") == 0
    newer = write_fake(found.settings.store, base=9.0)
    Registry(found.settings.store).promote(newer, who="tests", why="another")
    (found.settings.store / "bundles" / newer / "catalogue.toml").write_text("damaged")
    found.live.look()
    text = figures(own_app)
    assert read(text, "bookmatch_model_refused") == 1 and read(text, "bookmatch_model_info") == 1


def test_only_a_key_of_its_scope_reads_them(caller: Caller) -> None:
    assert_problem(Caller(caller.app, None).get("/metrics"), 401, "key-missing")
    assert_problem(caller.get("/metrics"), 403, "scope")
    assert_problem(caller_of(caller.app, "metrics").get("/v1/vocabulary"), 403, "scope")


# ── across workers ───────────────────────────────────────────────────────────


@pytest.fixture
def served(tmp_path: Path, fake_store: Path) -> Running:
    return Running(tmp_path, fake_store, settings={"BOOKMATCH_WORKERS": "4"})


def test_four_workers_count_together_and_a_killed_ones_count_stays(served: Running) -> None:
    with served, served.connecting() as http:
        scrape = {"Authorization": f"Bearer {served.new_key('metrics')}"}

        def ask(times: int) -> None:
            for _ in range(times):  # a new connection each, so that every worker is asked
                http.post("/v1/intervals", json=DAL, headers=served.headers).raise_for_status()

        def count() -> float:
            text = http.get("/metrics", headers=scrape).raise_for_status().text
            assert read(text, "bookmatch_request_seconds_count", route="/v1/intervals") == read(
                text, "bookmatch_requests_total", route="/v1/intervals"
            )
            return read(text, "bookmatch_requests_total", route="/v1/intervals")

        ask(60)
        assert count() == 60
        for end, times, total in ((signal.SIGKILL, 20, 80), (signal.SIGTERM, 10, 90)):
            old = served.workers()[0]
            os.kill(old, end)
            while old in served.workers() or len(served.workers()) < 4:
                time.sleep(0.05)
            ask(times)
            assert count() == total
        served.kill()
        served.start()
        http.base_url = served.url
        assert count() == 0  # each start counts anew


def test_what_a_killed_server_left_is_swept_and_a_living_ones_stays(tmp_path: Path) -> None:
    left = tmp_path / f"{PREFIX}left"
    left.mkdir()
    (left / "lock").touch()
    (left / "counter_1.db").touch()
    with counting_folder(tmp_path) as first, counting_folder(tmp_path) as second:
        assert not left.exists() and first.is_dir() and second.is_dir() and first != second
        child = os.fork()
        if child == 0:
            os._exit(0 if first.is_dir() else 1)
        assert os.waitpid(child, 0)[1] == 0
    assert not first.exists() and not second.exists()
