"""A sender that is killed at any moment: no e-mail arrives twice, and none is lost without being listed."""

from __future__ import annotations

import os
import random
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from apps import NewDatabase
from dying import Children, children_of
from mail_ground import Clock, Post, new_request, queued, row_of, serving, settings_of
from migrated import migrated
from sqlalchemy import Engine, delete

from service.db.engine import writing
from service.db.request_tables import OUTBOX
from service.mail.outbox import state_of
from service.mail.sender import send_due
from service.settings import Settings

ROOT = Path(__file__).parents[2]
# More runs find what is rarer: MAIL_KILLS=50.
RUNS, EACH = int(os.environ.get("MAIL_KILLS", "12")), 4
# Kill → how often the e-mail has arrived after all that comes by itself, and what is said of it.
AT_A_SERVER = {
    "before claim": (1, "sent"),
    "after claim": (1, "sent"),
    "after join": (1, "sent"),
    "before hand": (1, "sent"),
    "after hand": (0, "uncertain"),
    "before data": (0, "uncertain"),
    "after data": (1, "uncertain"),
    "before sent": (1, "uncertain"),
    "after finish": (1, "uncertain"),
    "after sent": (1, "sent"),
}
INTO_A_FOLDER = (
    "after claim",
    "before finish",
    "after finish",
    "before write",
    "before rename",
    "after write",
)


@dataclass
class Sending:
    """A database, where its e-mails go, and processes that send them."""

    engine: Engine
    settings: Settings
    children: Children
    post: Post = field(default_factory=Post)
    later: Clock = field(default_factory=Clock)

    def __post_init__(self) -> None:
        self.later.forward(days=1)  # all leases are over

    def begin(self, point: str = "") -> int:
        """Let a process begin to send; its id, as soon as it is about to."""
        self.children.ask(self.settings, point=point)
        return self.children.ready()

    def killed_at(self, point: str) -> None:
        self.begin(point)
        assert self.children.ended() == -9, f"it was not killed {point}"

    def send_later(self) -> Counter[str]:
        return send_due(self.engine, self.settings, clock=self.later)

    def state(self, email_id: int) -> str:
        return state_of(row_of(self.engine, email_id), self.later())


@pytest.fixture(scope="module")
def children() -> Iterator[Children]:
    with children_of("mail_child.py") as found:
        yield found


@pytest.fixture(scope="module")
def engine_of_mail(backend: str, new_database: NewDatabase) -> Iterator[Engine]:
    engine = migrated(new_database(backend))
    yield engine
    engine.dispose()


@pytest.fixture
def empty(engine_of_mail: Engine) -> Engine:
    with writing(engine_of_mail) as connection:
        connection.execute(delete(OUTBOX))
    return engine_of_mail


@pytest.fixture
def office(empty: Engine, children: Children, tmp_path: Path) -> Iterator[Sending]:
    post = Post()
    with serving(post) as address:
        settings = settings_of(empty, tmp_path, mail=address, mail_from="values@example.org")
        yield Sending(empty, settings, children, post)


@pytest.fixture
def folder(empty: Engine, children: Children, tmp_path: Path) -> Sending:
    return Sending(empty, settings_of(empty, tmp_path / "mail"), children)


def files_of(office: Sending) -> list[Path]:
    return sorted(Path(office.settings.mail.removeprefix("file:")).glob("*"))


@pytest.mark.parametrize("point", AT_A_SERVER)
def test_a_kill_at_a_step_leaves_it_to_be_sent_or_uncertain(office: Sending, point: str) -> None:
    email_id = queued(office.engine, new_request(office.engine))
    office.killed_at(point)
    office.send_later()
    assert (len(office.post.taken), office.state(email_id)) == AT_A_SERVER[point]


@pytest.mark.parametrize("point", INTO_A_FOLDER)
def test_a_kill_at_a_step_leaves_one_file_in_the_end(folder: Sending, point: str) -> None:
    email_id = queued(folder.engine, new_request(folder.engine))
    folder.killed_at(point)
    assert folder.send_later() == {"sent": 1}
    (path,) = files_of(folder)
    assert path.name.startswith(f"{email_id}-") and path.suffix == ".eml"
    assert path.stat().st_mode & 0o777 == 0o600 and path.parent.stat().st_mode & 0o777 == 0o700
    assert folder.state(email_id) == "sent"


def killed_at_random(office: Sending) -> list[int]:
    """Let so many senders begin and kill each at a random moment; the ids of all e-mails."""
    random.seed(0)
    request_id = new_request(office.engine)
    ids, took = [], 0.0
    for run in range(RUNS + 1):
        names = [f"{request_id} {run} {number}" for number in range(EACH)]
        ids += [queued(office.engine, request_id, name=name) for name in names]
        pid, begun = office.begin(), time.monotonic()
        if run:
            time.sleep(random.uniform(0, min(took, 0.3)))
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        assert office.children.ended() in (0, -9)
        took = took or time.monotonic() - begun  # the first was left alone, to know how long one takes
    return ids


def test_kills_at_random_moments_send_no_e_mail_twice_and_lose_none(office: Sending) -> None:
    ids = killed_at_random(office)
    before = Counter(office.state(email_id) for email_id in ids)
    for _ in range(1 + len(ids) // 100):
        office.send_later()
    arrived = Counter(int(name.strip("<").partition("-")[0]) for name in office.post.ids)
    states = {email_id: office.state(email_id) for email_id in ids}
    print(f"\n{len(ids)} e-mails, {RUNS} kills: {dict(before)}, then {dict(Counter(states.values()))}")
    assert before["sent"] and before["queued"], "the kills came too early or too late"
    assert [email_id for email_id in ids if arrived[email_id] > 1] == []
    assert [email_id for email_id in ids if not arrived[email_id] and states[email_id] != "uncertain"] == []
    assert set(states.values()) <= {"sent", "uncertain"}
    assert sum(arrived.values()) == len(office.post.taken)


def test_kills_at_random_moments_leave_one_file_of_each_e_mail(folder: Sending) -> None:
    ids = killed_at_random(folder)
    before = Counter(folder.state(email_id) for email_id in ids)
    for _ in range(1 + len(ids) // 100):
        folder.send_later()
    assert before["sent"] and before["queued"], "the kills came too early or too late"
    assert {folder.state(email_id) for email_id in ids} == {"sent"}
    assert sorted(int(path.name.partition("-")[0]) for path in files_of(folder)) == sorted(ids)
