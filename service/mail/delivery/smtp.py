"""Hand an e-mail to a mail server, and tell apart what it took, what it did not, and what nobody knows."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from contextlib import AbstractContextManager, closing, suppress
from dataclasses import dataclass
from enum import Enum
from smtplib import (
    SMTP,
    SMTP_SSL,
    SMTPAuthenticationError,
    SMTPConnectError,
    SMTPException,
    SMTPHeloError,
    SMTPNotSupportedError,
    SMTPResponseException,
)
from typing import NamedTuple
from urllib.parse import urlsplit

from models.costs import MAIL_SECONDS
from service.mail.messages import Letter
from service.settings import Settings

_PORTS = {"smtp": 25, "smtps": 465}
_SMTPUTF8 = "smtputf8"  # addresses that are not ASCII (RFC 6531)


class End(Enum):
    """The end of an attempt to send an e-mail."""

    SENT = "sent"
    LATER = "postponed"
    REFUSED = "failed"
    UNCERTAIN = "uncertain"
    GONE = "gone"  # it was taken back, or another process has it


class Result(NamedTuple):
    """The end of an attempt, and why, without an address."""

    end: End
    why: str = ""


@dataclass(frozen=True)
class MailServer:
    """A mail server. `seconds`: the time that it has for each answer."""

    settings: Settings
    seconds: float = MAIL_SECONDS

    def deliver(self, letter: Letter, hand: Callable[[], bool], sent: Callable[[], None]) -> Result:
        """Hand over a letter.

        `hand` is called before the server gets the text, and says whether it may; `sent` is called as soon as
        the server has taken it.
        """
        handed = False
        try:
            with self._connected(letter) as smtp:
                refused = self._introduce(smtp, letter)
                if refused is not None:
                    return refused
                handed = hand()
                if not handed:
                    return Result(End.GONE)
                code = smtp.data(letter.content)[0]
                if not 200 <= code < 300:
                    return _refusal(code, handed)
                sent()
                with suppress(OSError, SMTPException):
                    smtp.quit()
                return Result(End.SENT)
        except (SMTPConnectError, SMTPHeloError, SMTPAuthenticationError) as error:
            return Result(End.LATER, f"the mail server does not serve us: it answered {error.smtp_code}")
        except SMTPResponseException as error:
            return _refusal(error.smtp_code, handed)
        except (OSError, SMTPException) as error:
            why = f"the conversation with the mail server broke off: {type(error).__name__}"
            return Result(End.UNCERTAIN if handed else End.LATER, why)

    def _connected(self, letter: Letter) -> AbstractContextManager[SMTP]:
        """Connect. `closing`: SMTP's own end says QUIT, and an error there would hide what was taken."""
        address = urlsplit(self.settings.mail)
        host, port = address.hostname or "", address.port or _PORTS[address.scheme]
        own_name = letter.sender.rpartition("@")[2]
        if address.scheme == "smtps":
            tls = ssl.create_default_context()
            return closing(SMTP_SSL(host, port, own_name, timeout=self.seconds, context=tls))
        return closing(SMTP(host, port, own_name, timeout=self.seconds))

    def _introduce(self, smtp: SMTP, letter: Letter) -> Result | None:
        """Say all that comes before the text; return the refusal if there is one."""
        smtp.ehlo_or_helo_if_needed()
        if smtp.has_extn("starttls"):
            smtp.starttls(context=ssl.create_default_context())
            smtp.ehlo_or_helo_if_needed()
        if self.settings.mail_user:
            if not isinstance(smtp.sock, ssl.SSLSocket):
                raise SMTPNotSupportedError("a password is sent over TLS only")
            smtp.login(self.settings.mail_user, self.settings.mail_password)
        if letter.utf8 and not smtp.has_extn(_SMTPUTF8):
            return Result(End.REFUSED, "the mail server takes no address that is not ASCII")
        for code, _ in (smtp.mail(letter.sender, [_SMTPUTF8] * letter.utf8), smtp.rcpt(letter.recipient)):
            if not 200 <= code < 300:
                return _refusal(code, handed=False)
        return None


def _refusal(code: int, handed: bool) -> Result:
    """Read a reply that takes nothing: 4xx can be tried again, 5xx is refused for good (RFC 5321)."""
    why = f"the mail server answered {code}"
    if 500 <= code < 600:
        return Result(End.REFUSED, why)
    return Result(End.UNCERTAIN if handed and not 400 <= code < 500 else End.LATER, why)
