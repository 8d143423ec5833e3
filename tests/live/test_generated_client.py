"""A client that an outside generator makes from the OpenAPI document values an instrument, no hand edit."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fakes import write_fake
from running import Running

from models.bundles.registry import Registry

# Pictures are bytes to it: an option of the generator's own. Rows (CSV, NDJSON) are no bodies that it knows.
PICTURES = [f"image/{kind}" for kind in ("svg+xml", "jpeg", "png", "webp")]
CONFIG = {"content_type_overrides": dict.fromkeys(PICTURES, "application/octet-stream"), "post_hooks": []}
UNKNOWN_FORMS = {"putItems", "valueStocklist"}
# What somebody writes who has nothing but the generated package.
PROGRAM = """
import json, sys
from made import AuthenticatedClient
from made.api.catalogue import show_catalogue
from made.api.reasons import draw_waterfall, find_alternatives
from made.api.valuations import create_valuation, find_intervals, show_valuation
from made.models import *

client = AuthenticatedClient(base_url=sys.argv[1], token=sys.argv[2], raise_on_unexpected_status=True)
maker = show_catalogue.sync(client=client).makers[0]
worn = Condition(neck=3, electronics=ConditionElectronics.DEAD)
it = Instrument(maker=maker.name, model=maker.models[0].name, year=1964, condition=worn)
ask = ValuationRequest(instrument=it, currency="EUR", levels=[0.8])
parts = [CreateValuationIncludeItem.SENTENCES, CreateValuationIncludeItem.QUESTIONS]
made = create_valuation.sync(client=client, body=ask, include=parts, idempotency_key="generated")
again = create_valuation.sync(client=client, body=ask, include=parts, idempotency_key="generated")
shown = show_valuation.sync(made.id, client=client)
unknown = ValuationRequest(instrument=Instrument(maker=maker.name, model="no such"))
wrong = find_intervals.sync(client=client, body=unknown)
picture = draw_waterfall.sync_detailed(made.id, client=client)
print(json.dumps({
    "instrument": it.to_dict(), "value": made.value, "low": made.intervals[0].low, "id": made.id,
    "again": again.id, "shown": shown.value, "sentences": len(made.sentences), "kind": type(wrong).__name__,
    "pointer": wrong.errors[0].pointer, "picture": picture.content[:4].decode(),
}))
"""


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("generated")
    Registry(folder / "store").promote(write_fake(folder / "store"), who="tests", why="to serve")
    with Running(folder, folder / "store") as running:
        yield running


@pytest.fixture(scope="module")
def package(served: Running, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that holds the generated package `made`; nothing in it was touched."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "openapi.json").write_bytes(httpx.get(f"{served.url}/openapi.json", timeout=60).content)
    (folder / "config.json").write_text(json.dumps(CONFIG))
    generator = Path(sys.executable).parent / "openapi-python-client"
    words = ["generate", "--path", "openapi.json", "--config", "config.json", "--meta", "none"]
    done = subprocess.run(
        [str(generator), *words, "--output-path", "made"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


def test_the_generator_makes_every_operation(served: Running, package: Path) -> None:
    items = json.loads((package / "openapi.json").read_text())["paths"].values()
    operations = [one for item in items for one in item.values() if "responses" in one]
    made = {path.stem.replace("_", "") for path in (package / "made" / "api").rglob("*.py")}
    missing = {one["operationId"] for one in operations if one["operationId"].lower() not in made}
    assert missing == UNKNOWN_FORMS and len(operations) > 30


def test_the_generated_client_values_an_instrument(served: Running, package: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, served.url, served.key],
        cwd=package,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    said: dict[str, Any] = json.loads(done.stdout)
    asked = {"instrument": said["instrument"], "currency": "EUR", "levels": [0.8]}
    alone = httpx.post(f"{served.url}/v1/intervals", json=asked, headers=served.headers, timeout=60).json()
    assert (said["value"], said["low"]) == (alone["value"], alone["intervals"][0]["low"])
    assert said["again"] == said["id"] and said["shown"] == said["value"]
    path = f"{served.url}/v1/valuations/{said['id']}/sentences"
    assert (
        said["sentences"] == len(httpx.get(path, headers=served.headers, timeout=60).json()["sentences"]) > 1
    )
    assert (said["kind"], said["pointer"]) == ("Problem", "#/instrument/model")
    assert said["picture"] == "<svg"
