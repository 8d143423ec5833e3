"""Read what a request says of the owner, and amounts; what is wrong joins a list of faults."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple

from models.costs import LONGEST_EMAIL, LONGEST_NAME, LONGEST_PHONE, LONGEST_REASON
from models.domain.money import Amount, amount_step, minor_units
from models.domain.names import ALIKE, nearest
from models.errors import Fault
from service.context import bundle, today
from service.errors import NoBundleError
from service.texts import plain_lines, text_faults

AMOUNT_PATTERN, SHARE_PATTERN = r"\d{1,12}(\.\d{1,4})?", r"-?\d{1,4}(\.\d{1,4})?"
_AMOUNT, _SHARE = re.compile(f"-?{AMOUNT_PATTERN}", re.ASCII), re.compile(SHARE_PATTERN, re.ASCII)
_CURRENCY = re.compile("[A-Z]{3}", re.ASCII)
# Whatever else a standard allows, nobody's address has blanks, brackets or quotes in it.
_EMAIL = re.compile(
    r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@([A-Za-z0-9-]{1,63}\.)+[A-Za-z0-9-]{2,63}", re.ASCII
)
_EMAIL_FORM = f"an address such as name@example.org, of at most {LONGEST_EMAIL} characters"
MOST_SHARE = 1_000  # per cent


class Contact(NamedTuple):
    """The owner: name, e-mail, and a telephone number if one was given."""

    name: str
    email: str
    phone: str | None


class GivenAdjustment(NamedTuple):
    """The specialist's own adjustment of a value: an amount, or a share of it in per cent; with a reason."""

    amount: str | None
    currency: str | None
    per_cent: str | None
    reason: str | None


def read_contact(value: Any, faults: list[Fault]) -> Contact | None:
    """Read who the owner is; None if anything is wrong."""
    before = len(faults)
    members = _members("contact", value, Contact._fields, faults)
    if members is None:
        return None
    name, phone = members.get("name", ""), members.get("phone")
    faults += text_faults("contact.name", name, LONGEST_NAME, "say whom to answer")
    email = _read_email(members.get("email"), faults)
    if phone is not None and phone != "":
        faults += text_faults("contact.phone", phone, LONGEST_PHONE, "correct it or leave it out")
    return Contact(name.strip(), email, (phone or "").strip() or None) if len(faults) == before else None


def _read_email(value: Any, faults: list[Fault]) -> str:
    text = value.strip(" ") if isinstance(value, str) and len(value) <= LONGEST_EMAIL else ""
    local, at, domain = text.rpartition("@")
    try:
        plain = f"{local}{at}{domain.encode('idna').decode()}"  # a name of a host in letters of any script
    except UnicodeError:
        plain = ""
    if len(plain) <= LONGEST_EMAIL and _EMAIL.fullmatch(plain) and ".." not in plain:
        return plain
    faults.append(Fault("contact.email", value, "is not an e-mail address", _EMAIL_FORM, "correct it"))
    return ""


def read_asked(value: Any, faults: list[Fault]) -> Amount | None:
    """Read the price that is asked for the instrument, above 0; None if anything is wrong."""
    before = len(faults)
    members = _members("asked", value, Amount._fields, faults)
    if members is None:
        return None
    currency = read_currency("asked.currency", members.get("currency"), faults)
    amount = _read_amount("asked.amount", members.get("amount"), currency, faults)
    if amount is not None and amount <= 0:
        faults.append(_no_amount("asked.amount", members.get("amount"), "above 0"))
    return Amount(str(amount), currency) if len(faults) == before else None


def read_adjustment(value: Any, faults: list[Fault]) -> GivenAdjustment | None:
    """Read the specialist's adjustment; None if anything is wrong."""
    before = len(faults)
    members = _members("adjustment", value, GivenAdjustment._fields, faults)
    if members is None:
        return None
    amount, currency, share, reason = (members.get(name) for name in GivenAdjustment._fields)
    faults += text_faults(
        "adjustment.reason", reason, LONGEST_REASON, "say why, in words that the report can print"
    )
    if (amount is None) == (share is None):
        faults.append(
            Fault(
                "adjustment",
                value,
                "names not exactly one",
                "amount with currency, or per_cent",
                "send one of them",
            )
        )
    elif share is not None:
        _read_share(share, faults)
        if currency is not None:
            faults.append(
                Fault("adjustment.currency", currency, "is not for per_cent", "none", "leave it out")
            )
    else:
        currency = read_currency("adjustment.currency", currency, faults)
        amount = _read_amount("adjustment.amount", amount, currency, faults)
    if len(faults) > before:
        return None
    return GivenAdjustment(None if amount is None else str(amount), currency, share, str(reason).strip())


def _read_share(value: Any, faults: list[Fault]) -> None:
    good = isinstance(value, str) and _SHARE.fullmatch(value)
    if not good or not -100 < Decimal(value) <= MOST_SHARE:
        allowed = f'decimal text above -100 and up to {MOST_SHARE}, such as "-7.5"'
        faults.append(Fault("adjustment.per_cent", value, "is not such a share", allowed, "correct it"))


def _read_amount(field: str, value: Any, currency: str, faults: list[Fault]) -> Decimal | None:
    if not isinstance(value, str) or not _AMOUNT.fullmatch(value):
        faults.append(_no_amount(field, value, "decimal text"))
        return None
    digits = minor_units(currency)
    if len(value.partition(".")[2].rstrip("0")) > digits:
        problem, allowed = f"is finer than {currency or 'money'} can be", f"at most {digits} decimals"
        faults.append(Fault(field, value, problem, allowed, "round it"))
    return Decimal(value)


def _no_amount(field: str, value: Any, allowed: str) -> Fault:
    return Fault(
        field,
        value,
        "is not such an amount",
        f'{allowed}, such as "1250.00"',
        amount_step(value, quoted=True),
    )


def read_currency(field: str, value: Any, faults: list[Fault]) -> str:
    """Read a currency that has a rate today, or any code while no price model says which do."""
    code = value.strip().upper() if isinstance(value, str) and len(value) < 10 else ""
    known = _quoted()
    if code in known if known else _CURRENCY.fullmatch(code):
        return code
    allowed, near = ", ".join(known) or "an ISO 4217 code", partial(nearest, code, known)
    faults.append(
        Fault(field, value, "is not a currency with a rate today", allowed, "choose one", near, hinted=0)
    )
    return ""


def _quoted() -> tuple[str, ...]:
    try:
        return bundle().valuer.rates.quoted_on(today())
    except NoBundleError:
        return ()


def _members(field: str, value: Any, known: tuple[str, ...], faults: list[Fault]) -> Mapping[str, Any] | None:
    """Return the members of an object; what it should not have joins the faults. None: it is no object."""
    if not isinstance(value, Mapping):
        faults.append(Fault(field, value, "is not an object", ", ".join(known), "send an object"))
        return None
    for name in value:
        if name not in known:
            near = partial(nearest, name, known, 1, ALIKE)
            problem = "is not a field of this request"
            faults.append(
                Fault(f"{field}.{name}", value[name], problem, ", ".join(known), "leave it out", near)
            )
    return value


def prose(value: str) -> str:
    """Return a text of several lines as it is kept."""
    return plain_lines(value).strip()
