"""Write e-mails: plain text and HTML from the texts of a language, with nothing from elsewhere in them.

What people typed (a name, the words of a question) stands in the body alone, escaped; no header holds any of
it but the address itself.
"""

from __future__ import annotations

import json
import re
import textwrap
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP, SMTPUTF8
from email.utils import format_datetime
from html import escape
from typing import Any, NamedTuple

from models.costs import LONGEST_ADDRESS, LONGEST_GREETED
from service.languages import reader
from service.settings import Settings

# The texts in which a value is spoken of, so that they say what a value is not.
OF_VALUES = frozenset({"received", "reported", "corrected"})
FOR_OWNERS = frozenset({"received", "question", "reported", "declined", "corrected"})
_SENDER = "bookmatch@localhost"  # of files only: for a mail server, a setting names the sender
_ADDRESS = re.compile(r"""([^\s@<>()\[\]\\,;:"]{1,64})@([^\s@<>()\[\]\\,;:"/]+)""")
_PAGE = (
    '<!doctype html><html lang="{language}"><head><meta charset="utf-8"><title>{subject}</title></head>'
    '<body style="margin:0;padding:24px;background:#f6f0e4;color:#2e2018;font:16px/1.5 Georgia,serif">'
    '<div style="max-width:34em;margin:auto">{parts}</div></body></html>'
)
_QUOTED = '<blockquote style="margin:1em 0;padding-left:1em;border-left:3px solid #8a5a33">{}</blockquote>'
_LINK = '<p><a style="color:#6b3d1d" href="{0}">{1}</a></p>'
_SMALL = '<p style="font-size:14px;color:#5c4a3d">{}</p>'


class Letter(NamedTuple):
    """An e-mail as a mail server takes it. `utf8`: its address is not ASCII."""

    sender: str
    recipient: str
    utf8: bool
    content: bytes


class _LetterParts(NamedTuple):
    language: str
    subject: str
    before: list[str]
    quoted: str
    link: tuple[str, str]
    after: list[str]


def compose(settings: Settings, row: Any, key: str, now: datetime) -> Letter | None:
    """Write the e-mail of a row of the outbox; None if its address is none that can be written to.

    `row`: with `owner`, `email`, `link` and `language`, as `leases.joined` gives it. `key`: its own for good.
    """
    to_owner = row.template in FOR_OWNERS
    recipient = _address(row.email if to_owner else settings.mail_specialist)
    if recipient is None:
        return None
    sender = settings.mail_from or _SENDER
    texts = _texts(settings, row, to_owner)
    message = EmailMessage()
    message["Subject"] = texts.subject
    message["From"] = sender
    message["To"] = recipient
    message["Date"] = format_datetime(now)
    message["Message-ID"] = f"<{key}@{sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # so that no absence note answers it (RFC 3834)
    message.set_content(_plain(texts), cte="quoted-printable")
    message.add_alternative(_html(texts), subtype="html", cte="quoted-printable")
    message["Content-Language"] = texts.language  # only now: it would have gone into the first part
    utf8 = not recipient.username.isascii()
    return Letter(sender, recipient.addr_spec, utf8, message.as_bytes(policy=SMTPUTF8 if utf8 else SMTP))


def shown(text: str, longest: int | None = None) -> str:
    """Return what a person typed without control characters, in one line if it is to be short."""
    lines = text.replace("\r\n", "\n").split("\n")
    clean = ["".join(c if c.isprintable() else " " for c in line).strip() for line in lines]
    if longest is None:
        return "\n".join(clean).strip()
    joined = " ".join(" ".join(clean).split())
    return joined if len(joined) <= longest else f"{joined[: longest - 1]}…"


def _texts(settings: Settings, row: Any, to_owner: bool) -> _LetterParts:
    language = reader.best(row.language if to_owner else None)
    name, request_id = row.template, row.request_id
    person = shown(row.owner, LONGEST_GREETED) if to_owner else ""
    greeting = (
        reader.text(language, "mail.greeting", name=person) if person else reader.text(language, "mail.hello")
    )
    page = f"{settings.public_url}/" + (f"follow/{row.link}" if to_owner else f"desk/requests/{request_id}")
    opening = reader.text(language, f"mail.{name}.opening", id=request_id)
    label = reader.text(language, f"mail.{name}.link")
    after = [reader.text(language, f"mail.{name}.after")]
    if to_owner:
        after.append(reader.text(language, "mail.private"))
    if name in OF_VALUES:
        after.append(reader.text(language, "mail.caution"))
    return _LetterParts(
        language,
        reader.text(language, f"mail.{name}.subject", id=request_id),
        [greeting, opening],
        shown(
            "\n\n".join(filter(None, [json.loads(row.context).get("words"), json.loads(row.reply or "null")]))
        ),
        (page, label),
        after,
    )


def _plain(texts: _LetterParts) -> str:
    """Write paragraphs in lines of a readable length; a link stays in one piece."""
    page, label = texts.link
    quoted = "\n".join(_wrapped(line, "> ") for line in texts.quoted.split("\n")) if texts.quoted else ""
    parts = [*map(_wrapped, texts.before), quoted, f"{label}:\n{page}", *map(_wrapped, texts.after)]
    return "\n\n".join(filter(None, parts)) + "\n"


def _wrapped(text: str, before: str = "") -> str:
    lines = textwrap.wrap(text, 76, break_long_words=False, break_on_hyphens=False) or [""]
    return "\n".join(f"{before}{line}".rstrip() for line in lines)


def _html(texts: _LetterParts) -> str:
    page, label = texts.link
    parts = [f"<p>{escape(text)}</p>" for text in texts.before]
    if texts.quoted:
        parts.append(_QUOTED.format(escape(texts.quoted).replace("\n", "<br>")))
    parts.append(_LINK.format(escape(page), escape(label)))
    parts += [_SMALL.format(escape(text)) for text in texts.after]
    return _PAGE.format(language=texts.language, subject=escape(texts.subject), parts="".join(parts))


def _address(text: str) -> Address | None:
    """Read an address, its domain in ASCII; None for a text that is none."""
    found = _ADDRESS.fullmatch(text.strip())
    if not found or len(text) > LONGEST_ADDRESS or not text.strip().isprintable():
        return None
    try:
        return Address(username=found[1], domain=found[2].encode("idna").decode())
    except (UnicodeError, ValueError):
        return None
