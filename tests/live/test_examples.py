"""The whole answer in `examples/answer.json` is what the service says to `examples/request.json`.

`make examples` writes it anew.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import httpx
import pytest
from likeness import between
from running import Running

ROOT = Path(__file__).parents[2]
REQUEST, ANSWER = ROOT / "examples" / "request.json", ROOT / "examples" / "answer.json"
OWN = ("id", "created", "model_version")  # differ from one answer and one fit to the next


@pytest.fixture(scope="module")
def said(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    with Running(tmp_path_factory.mktemp("examples"), demo_store, fake=False) as service:
        headers = {**service.headers, "Content-Type": "application/json"}
        found = httpx.post(
            f"{service.url}/v1/valuations", headers=headers, content=REQUEST.read_bytes(), timeout=60
        )
    assert found.status_code == 201, found.text
    answer: dict[str, Any] = found.json()
    if os.environ.get("EXAMPLES") == "write":
        ANSWER.write_text(json.dumps(answer, indent=2, ensure_ascii=False) + "\n")
    return answer


def test_the_service_answers_what_the_example_shows(said: dict[str, Any]) -> None:
    shown = json.loads(ANSWER.read_text())
    assert shown["value"] and list(shown) == list(said)
    for answer in (shown, said):
        for name in OWN:
            del answer[name]
    assert list(between(shown, said)) == []
