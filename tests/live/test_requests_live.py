"""Owners' requests on the real server: it is killed between any two steps, and an owner is erased."""

from __future__ import annotations

import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fakes import write_fake
from pictures import JPEG, jpeg
from running import Running
from sqlalchemy import select

from models.bundles.registry import Registry
from service.db.engine import open_engine, reading
from service.db.schema import METADATA

SITE = "https://guitars.example"
PERSON = {
    "name": "Quirina Zwetkowa",
    "email": "quirina.zwetkowa@post.example",
    "phone": "+46 70 555 17 93",
    "message": "Mein Grossonkel Xaver spielte sie",
    "reference": "case-zw-77413",
}
WORDS = {  # what is said later
    "note": "Frau Zwetkowa telephoned",
    "to owner": "Dear Mrs Zwetkowa, where is the number",
    "from owner": "Xaver scratched it in",
    "reason": "Zwetkowa keeps it in a damp cellar",
}
BODY: dict[str, Any] = {
    "instrument": {"maker": "Ostvik", "model": "Dal", "serial": "OV-44117"},
    "contact": {name: PERSON[name] for name in ("name", "email", "phone")},
    "purpose": "estate",
    "message": PERSON["message"],
    "reference": PERSON["reference"],
    "consent": True,
}


@pytest.fixture
def served(tmp_path: Path, backend: str, new_database: Callable[[str], str]) -> Iterator[Running]:
    Registry(tmp_path / "store").promote(write_fake(tmp_path / "store"), who="tests", why="to serve")
    settings = {} if backend == "sqlite" else {"BOOKMATCH_DATABASE": new_database(backend)}
    settings |= {"BOOKMATCH_KEY_SECONDS": "0", "BOOKMATCH_FILES": str(tmp_path / "files")}
    settings["BOOKMATCH_MAIL"] = f"file:{tmp_path / 'mail'}"
    with Running(tmp_path, tmp_path / "store", settings=settings) as running:
        running.key = running.new_key("requests")
        yield running


def client_of(served: Running, key: str | None = None, **headers: str) -> httpx.Client:
    headers = {"Authorization": f"Bearer {key or served.key}", **headers}
    return httpx.Client(base_url=served.url, headers=headers, timeout=30)


def good(found: httpx.Response) -> Any:
    assert found.is_success, found.text
    return found.json()


# ── killed ───────────────────────────────────────────────────────────────────

# The path of a request, in steps: method, what is below its address, body, and the state after it.
STEPS: list[tuple[str, str, dict[str, Any], str]] = [
    ("PATCH", "", {"state": "reviewing"}, "reviewing"),
    ("PATCH", "", {"graded": BODY["instrument"], "in_hand": ["figure"]}, "reviewing"),
    ("POST", "/notes", {"text": WORDS["note"]}, "reviewing"),
    (
        "PATCH",
        "",
        {"state": "waiting_for_owner", "message": "where?", "questions": ["serial"]},
        "waiting_for_owner",
    ),
    ("POST", "/answers", {"answers": {"year": 1966}, "message": "there"}, "reviewing"),
    ("PATCH", "", {"adjustment": {"per_cent": "-5", "reason": "worn"}}, "reviewing"),
    ("PATCH", "", {"state": "declined", "reason": "too far"}, "declined"),
]


def restarted(served: Running) -> None:
    served.kill()
    served.start()


def test_between_any_two_steps_a_kill_loses_nothing(served: Running) -> None:
    with client_of(served) as client:
        made = good(client.post("/v1/requests", json=BODY))
    path, states = f"/v1/requests/{made['id']}", ["received"]
    for method, below, body, state in STEPS:
        restarted(served)
        with client_of(served) as client:
            assert good(client.get(path))["state"] == states[-1]
            good(client.request(method, path + below, json=body))
        states.append(state)
    restarted(served)
    with client_of(served) as client, client_of(served, made["follow"].rpartition("/")[2]) as owner:
        shown, events = good(client.get(path)), good(client.get(f"{path}/history"))["events"]
        assert good(owner.get(path))["contact"] == shown["contact"] == BODY["contact"]
        assert len(good(client.get(f"{path}/notes"))["notes"]) == 1
    assert (shown["state"], shown["instrument"]["year"], shown["in_hand"]) == ("declined", 1966, ["figure"])
    assert [one["text"] for one in shown["messages"]] == ["where?", "there", "too far"]
    assert shown["graded"] and shown["adjustment"]["per_cent"] == "-5" and shown["valuation"]
    walked = [event["detail"]["to"] for event in events if event["action"] == "moved"]
    assert walked == ["reviewing", "waiting_for_owner", "reviewing", "declined"]


class Walker(threading.Thread):
    """Sends requests along the path until the service is gone; keeps how many steps of each were answered."""

    def __init__(self, served: Running) -> None:
        super().__init__()
        self._served, self.steps = served, dict[str, int]()

    def run(self) -> None:
        with client_of(self._served) as client:
            try:
                while True:
                    made = good(client.post("/v1/requests?value=false", json=BODY))["id"]
                    self.steps[made] = 0
                    for method, below, body, _ in STEPS:
                        good(client.request(method, f"/v1/requests/{made}{below}", json=body))
                        self.steps[made] += 1
            except httpx.TransportError:
                return


def test_amid_any_step_a_kill_loses_nothing_that_was_answered(served: Running) -> None:
    answered: dict[str, int] = {}
    for _ in range(3):
        walkers = [Walker(served) for _ in range(3)]
        for walker in walkers:
            walker.start()
        time.sleep(1.5)
        served.kill()
        for walker in walkers:
            walker.join()
            answered |= walker.steps
        served.start()
    assert len(answered) > 10 and set(answered.values()) - {0, len(STEPS)}  # some were cut short on their way
    with client_of(served) as client:
        for request_id, count in answered.items():
            shown = good(client.get(f"/v1/requests/{request_id}"))
            # The step that was not answered may have been stored, and is then stored whole.
            states = ["received", *(state for *_, state in STEPS)][count : count + 2]
            assert shown["state"] in states
            events = good(client.get(f"/v1/requests/{request_id}/history"))["events"]
            moved = [event["detail"]["to"] for event in events if event["action"] == "moved"]
            assert ["received", *moved][-1] == shown["state"]


# ── erased ───────────────────────────────────────────────────────────────────


def lived(served: Running, key: str) -> tuple[str, str]:
    """A request that went its whole way, with all that was said; its id and its owner's token."""
    with client_of(served, key, Origin=SITE) as site:
        headers = {"Idempotency-Key": "form-1"}
        made = good(site.post("/v1/requests", json=BODY, headers=headers))
        assert good(site.post("/v1/requests", json=BODY, headers=headers)) == made
    token, path = made["follow"].rpartition("/")[2], f"/v1/requests/{made['id']}"
    with client_of(served) as desk, client_of(served, token) as owner:
        for body in (
            {"state": "reviewing", "adjustment": {"per_cent": "-5", "reason": WORDS["reason"]}},
            {"state": "waiting_for_owner", "message": WORDS["to owner"], "questions": ["year"]},
        ):
            good(desk.patch(path, json=body))
        keyed = {"Idempotency-Key": "note-1"}
        good(desk.post(f"{path}/notes", json={"text": WORDS["note"]}, headers=keyed))
        said = {"answers": {"year": 1966}, "message": WORDS["from owner"]}
        good(owner.post(f"{path}/answers", json=said, headers=keyed))
        shot = owner.post(f"{path}/photographs?view=front", content=jpeg(), headers={"Content-Type": JPEG})
        assert good(shot)["view"] == "front" and files_of(served)
        assert owner.post(f"{path}/answers", json={"message": PERSON["name"] + "\x00"}).status_code == 422
    return made["id"], token


def files_of(served: Running) -> list[Path]:
    """The files of photographs that are kept."""
    return [path for path in (served.folder / "files").rglob("*") if path.is_file()]


def mailed(served: Running, request_id: str) -> list[Path]:
    """The e-mails about a request that were sent, into files."""
    about = (served.folder / "mail").glob("*.eml")
    return [path for path in about if request_id.encode() in path.read_bytes()]


def traces(served: Running, backend: str, texts: list[bytes]) -> set[bytes]:
    """Those of the texts that stand in any file of the service, or in PostgreSQL's tables."""
    kept = [path.read_bytes() for path in served.folder.rglob("*") if path.is_file()]
    for path in served.folder.glob("*.backup"):
        with zipfile.ZipFile(path) as archive:
            kept += [archive.read(name) for name in archive.namelist()]
    if backend != "sqlite":
        engine = open_engine(served.settings["BOOKMATCH_DATABASE"])
        with reading(engine) as connection:
            rows = [connection.execute(select(table)).all() for table in METADATA.sorted_tables]
        engine.dispose()
        kept.append(repr(rows).encode())
    return {text for text in texts if any(text in one for one in kept)}


def test_an_erased_owner_leaves_no_trace(served: Running, backend: str) -> None:
    key = served.call("keys", "create", "form", "--website", "--origin", SITE).split()[0]
    request_id, token = lived(served, key)
    other = {**BODY, "contact": {"name": "Another Owner", "email": "other@example.org"}}
    other |= {"message": "mine", "reference": "other-1"}
    path = f"/v1/requests/{request_id}"
    texts = [text.encode() for text in (*PERSON.values(), *WORDS.values(), token)]
    with client_of(served) as desk, client_of(served, token) as owner:
        stays = good(desk.post("/v1/requests", json=other))
        before = good(desk.get(path))
        exported = good(desk.get(f"{path}/export"))
        for text in (*PERSON.values(), *WORDS.values(), token):
            assert text in repr(exported), text
        end = time.monotonic() + 30
        while len(mailed(served, request_id)) < 2 and time.monotonic() < end:
            time.sleep(0.1)
        assert len(mailed(served, request_id)) == 2  # that it came in, and a question
        assert traces(served, backend, texts) == set(texts)  # the search sees them while they are there
        erased = good(desk.delete(f"{path}/contact"))
        assert good(desk.delete(f"{path}/contact")) == erased
        assert owner.get(path).status_code == 401
        assert desk.get(f"{path}/contact").status_code == 404
        shown = good(desk.get(path))
        assert good(desk.get(f"{path}/notes"))["notes"] == []
        assert good(desk.get(f"/v1/requests/{stays['id']}"))["contact"]["name"] == "Another Owner"
    served.call("backup", str(served.folder / "after.backup"))
    assert traces(served, backend, texts) == set()
    assert files_of(served) == mailed(served, request_id) == []
    lasting = ("id", "state", "created", "purpose", "instrument", "consent", "valuation", "in_hand")
    assert {name: shown[name] for name in lasting} == {name: before[name] for name in lasting}
    assert (shown["contact"], shown["message"], shown["reference"], shown["messages"]) == (
        None,
        None,
        None,
        [],
    )
    assert shown["adjustment"] == {**before["adjustment"], "reason": None}
    assert traces(served, backend, [b"OV-44117"]) == {b"OV-44117"}  # the instrument's evidence
