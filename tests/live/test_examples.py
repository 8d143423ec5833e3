"""README's request and answer are true: the service, on the demo market, says what the documents show.

Figures may differ by a hundredth, as two processors need not fit to the last digit alike; all else must be
the same. EXAMPLES=write in the environment (`make examples`) writes the documents anew instead.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from running import Running

ROOT = Path(__file__).parents[2]
README, ANSWER = ROOT / "README.md", ROOT / "examples" / "answer.json"
REASONS = ROOT / "examples" / "reasons.json"
INCLUDE = "comparables,questions,sentences"
REQUEST = (ROOT / "examples" / "request.json").read_text()
START, END = "<!-- made by `make examples` -->", "<!-- end of what `make examples` makes -->"
WHY_START, WHY_END = "<!-- reasons, by `make examples` -->", "<!-- end of reasons -->"
OWN = ("id", "created", "model_version")  # differ from one answer and one fit to the next
FIGURES = re.compile(r"[+−]?\$?\d[\d,.]*%?")
CLOSE, MONEY = 0.01, 5.0  # a hundredth; for small amounts a seven-hundredth of the example's value


@pytest.fixture(scope="module")
def said(demo_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    with Running(tmp_path_factory.mktemp("examples"), demo_store, fake=False) as service:
        answer = asked(service, "")
        whole = asked(service, f"?include={INCLUDE}")
    assert set(OWN) <= set(answer)
    reasons = only(whole, *INCLUDE.split(","))
    if os.environ.get("EXAMPLES") == "write":
        for path, example in ((ANSWER, answer), (REASONS, reasons)):
            path.write_text(json.dumps(example, indent=2, ensure_ascii=False) + "\n")
        put_between(START, block(answer), END)
        put_between(WHY_START, why_block(reasons), WHY_END)
    return {"answer": answer, "reasons": reasons}


def asked(service: Running, query: str) -> dict[str, Any]:
    headers = {**service.headers, "Content-Type": "application/json"}
    found = httpx.post(f"{service.url}/v1/valuations{query}", headers=headers, content=REQUEST)
    assert found.status_code == 201, found.text
    answer: dict[str, Any] = found.json()
    return answer


def put_between(start: str, text: str, end: str) -> None:
    before, _, rest = README.read_text().partition(start)
    README.write_text(before + start + text + end + rest.partition(end)[2])


def test_the_service_answers_what_the_example_shows(said: dict[str, Any]) -> None:
    assert list(differences(json.loads(ANSWER.read_text()), said["answer"])) == []


def test_the_service_gives_the_reasons_that_the_example_shows(said: dict[str, Any]) -> None:
    # Sentences round figures: two fits alike to a hundredth may print another last digit.
    shown, found = (without_figures(e) for e in (json.loads(REASONS.read_text()), said["reasons"]))
    assert list(differences(shown, found, "reasons")) == []


def without_figures(value: Any) -> Any:
    if isinstance(value, dict):
        return {
            name: FIGURES.sub("#", member) if name == "text" else without_figures(member)
            for name, member in value.items()
        }
    return [without_figures(item) for item in value] if isinstance(value, list) else value


def test_readme_shows_the_example_and_leaves_out_what_it_says() -> None:
    shown = README.read_text().partition(START)[2].partition(END)[0]
    assert shown == block(json.loads(ANSWER.read_text()))
    shown = README.read_text().partition(WHY_START)[2].partition(WHY_END)[0]
    assert shown == why_block(json.loads(REASONS.read_text()))


def differences(shown: Any, said: Any, path: str = "") -> Iterator[str]:
    """Where two answers differ by more than the last digits of a fit."""
    if isinstance(shown, dict) and isinstance(said, dict) and list(shown) == list(said):
        for name in shown:
            if path or name not in OWN:
                yield from differences(shown[name], said[name], f"{path}/{name}")
    elif isinstance(shown, list) and isinstance(said, list) and len(shown) == len(said):
        for number, (one, other) in enumerate(zip(shown, said, strict=True)):
            yield from differences(one, other, f"{path}/{number}")
    elif not alike(shown, said):
        yield f"{path}: {shown!r} is shown, {said!r} is said"


def alike(shown: Any, said: Any) -> bool:
    if shown == said:
        return type(shown) is type(said)
    try:
        one, other = float(shown), float(said)
    except (TypeError, ValueError):
        return False
    # What one field did is a small difference of two prices: in money (which is text) or on their logarithm.
    small = MONEY if isinstance(shown, str) else CLOSE
    return type(shown) is type(said) and math.isclose(one, other, rel_tol=CLOSE, abs_tol=small)


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        ("1000.00", "1015.00"),
        ("a", "b"),
        (1, 2),
        (1.0, 1),
        ({"a": 1}, {"b": 1}),
        ([1], [1, 1]),
        (None, 0),
        (0.1, 0.2),
    ],
)
def test_what_differs_is_seen(shown: Any, said: Any) -> None:
    assert list(differences({"x": shown}, {"x": said}))
    assert not list(differences({"x": shown}, {"x": shown}))


def block(answer: dict[str, Any]) -> str:
    """What README shows: the request, and the answer with some members left out."""
    asked, said = REQUEST.strip(), written(abridged(answer))
    return f"\n```json\n{asked}\n```\n\nThe answer, shortened:\n\n```json\n{said}\n```\n"


def abridged(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer without the ids, the echoed instruments, log effects, labels and the wording of cautions."""
    kept = ("date", "channel", "currency", "value", "intervals", "evidence")
    families = [
        {
            "family": family["family"],
            "amount": family["amount"],
            "factors": [
                only(factor, "field", "observed", "reference", "amount") for factor in family["factors"]
            ],
        }
        for family in answer["attributions"]
    ]
    return {
        **only(answer, *kept),
        "reference": only(answer["reference"], "value"),
        "attributions": families,
        **only(answer, "assumed", "unknown"),
        "cautions": [only(caution, "code", "field") for caution in answer["cautions"]],
    }


def why_block(reasons: dict[str, Any]) -> str:
    """What README shows of the reasons: the first few of each part, without labels and the specimen sold."""
    found, sale, question = (
        reasons["comparables"],
        reasons["comparables"]["sales"][0],
        reasons["questions"][0],
    )
    said = {
        "sentences": [line["text"] for line in reasons["sentences"][:3]],
        "comparables": {
            "sales": [
                {
                    **only(sale, "date", "channel", "price", "today", "adjusted", "weight"),
                    "lines": [line["text"] for line in sale["lines"][:4]],
                }
            ],
            **only(found, "reconciled", "difference"),
        },
        "questions": [only(question, "field", "how", "narrowing", "outcomes")],
    }
    return f"\n```json\n{written(said)}\n```\n"


def only(members: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: members[name] for name in names}


def written(value: Any, indent: str = "") -> str:
    """JSON with what fits on a line on one line."""
    flat = json.dumps(value, ensure_ascii=False)
    if len(indent) + len(flat) <= 110 or not isinstance(value, dict | list):
        return flat
    inner = indent + "  "
    if isinstance(value, dict):
        rows = [f"{inner}{json.dumps(name)}: {written(member, inner)}" for name, member in value.items()]
    else:
        rows = [f"{inner}{written(item, inner)}" for item in value]
    return (
        f"{'{['[isinstance(value, list)]}\n" + ",\n".join(rows) + f"\n{indent}{'}]'[isinstance(value, list)]}"
    )
