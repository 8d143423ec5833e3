"""Send the e-mails that are due, each once.

An e-mail is claimed, written, brought as far as the mail server asks for its text, marked as handed over,
handed over, and marked as sent, each step committed before the next. Where a process dies between the last
two, nobody knows whether the e-mail went: it is listed as uncertain and never sent again by itself.
"""

from __future__ import annotations

import random
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import structlog
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from models.costs import MAIL_EVERY_SECONDS
from service.db.engine import writing
from service.mail import leases, messages
from service.mail.delivery import files
from service.mail.delivery.smtp import End, MailServer, Result
from service.mail.leases import Lease
from service.mail.messages import Letter
from service.server.logs import frames_of
from service.server.threads.background import paused
from service.settings import Settings

Clock = Callable[[], datetime]
_log = structlog.get_logger()


def now_in_utc() -> datetime:
    """Return the present moment."""
    return datetime.now(UTC)


@dataclass
class Attempt:
    """One attempt to send an e-mail. `lease`: the present one; handing over renews it."""

    engine: Engine
    clock: Clock
    lease: Lease
    handed: bool = False

    def hand(self) -> bool:
        """Record that the mail server gets the text now; False if it must not."""
        renewed = leases.hand(self.engine, self.lease, self.clock())
        self.lease, self.handed = renewed or self.lease, renewed is not None
        return self.handed

    def sent(self) -> None:
        """Record that the mail server has taken it."""
        with writing(self.engine) as connection:
            leases.finish(connection, self.lease, self.clock())

    def end(self, result: Result) -> Result:
        """Record how it ended, if it was not sent; return the end as it is then."""
        if result.end is End.LATER and not leases.postpone(self.engine, self.lease, self.clock(), result.why):
            return Result(End.REFUSED, result.why)
        if result.end is End.REFUSED:
            leases.park(self.engine, self.lease, self.clock(), result.why)
        elif result.end is End.UNCERTAIN:
            leases.doubt(self.engine, self.lease, result.why)
        return result


def send_due(
    engine: Engine, settings: Settings, *, server: MailServer | None = None, clock: Clock = now_in_utc
) -> Counter[str]:
    """Send every e-mail that is due, and count how the attempts ended.

    `server`: the mail server; default: the one of the settings, if they name one.
    """
    ends: Counter[str] = Counter()
    for email_id in leases.due(engine, clock()):
        lease = leases.claim(engine, email_id, clock())
        if lease is not None:
            attempt = Attempt(engine, clock, lease)
            result = attempt.end(_result(attempt, settings, server or MailServer(settings)))
            _log.info("e-mail", id=email_id, end=result.end.value, why=result.why)
            ends[result.end.value] += 1
    return ends


def _result(attempt: Attempt, settings: Settings, server: MailServer) -> Result:
    try:
        return _delivered(attempt, settings, server)
    except (DBAPIError, PoolTimeoutError):
        raise
    except Exception as error:  # one e-mail that cannot be written must not keep back the others
        _log.error(
            "e-mail", id=attempt.lease.id, error=type(error).__name__, at=frames_of(error.__traceback__)
        )
        end = End.UNCERTAIN if attempt.handed else End.REFUSED
        return Result(end, f"it could not be written: {type(error).__name__}")


def _delivered(attempt: Attempt, settings: Settings, server: MailServer) -> Result:
    row = leases.joined(attempt.engine, attempt.lease.id)
    if row is None:
        leases.drop(attempt.engine, attempt.lease)
        return Result(End.GONE, "the owner was erased")
    key = files.key_of(row.id, row.name)
    letter = messages.compose(settings, row, key, attempt.clock())
    if letter is None:
        return Result(End.REFUSED, "its address cannot be written to")
    folder = files.folder_of(settings)
    if folder is None:
        return server.deliver(letter, attempt.hand, attempt.sent)
    return _written(attempt, folder, key, letter)


def _written(attempt: Attempt, folder: Path, key: str, letter: Letter) -> Result:
    """Write the file while the row is locked: erasing waits for it, and then finds the file."""
    try:
        with writing(attempt.engine) as connection:
            if not leases.finish(connection, attempt.lease, attempt.clock()):
                return Result(End.GONE)
            files.write(folder, key, letter.content)
    except OSError as error:
        return Result(End.LATER, f"its file could not be written: {error.strerror or type(error).__name__}")
    return Result(End.SENT)


def watch(engine: Engine, settings: Settings) -> None:
    """Send what is due, again and again, in a thread that delays no request.

    The process waits at its end for the e-mail that is under way, so that it does not become uncertain.
    """
    threading.Thread(target=_watch, args=(engine, settings), name="mail").start()


def _watch(engine: Engine, settings: Settings) -> None:
    pause = random.uniform(0, MAIL_EVERY_SECONDS)  # workers begin at moments of their own
    while paused(pause):
        pause = MAIL_EVERY_SECONDS
        try:
            send_due(engine, settings)
        except (DBAPIError, PoolTimeoutError) as error:
            _log.warning("no e-mails sent", error=type(error).__name__)
