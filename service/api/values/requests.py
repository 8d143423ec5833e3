"""Read the request for a value: its schema, and fields that the rules of `models` check."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import partial
from typing import Any

from marshmallow import Schema, ValidationError, fields, post_load

from models.domain.cells import LAST_DAY, read_day, read_term
from models.domain.instrument import Subject
from models.domain.money import BASE_CURRENCY
from models.domain.names import nearest
from models.domain.vocabulary import CHANNEL_NAMES, DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.errors import Fault, InputError
from models.valuation.levels import check_levels
from service.api.values.services import ValuationRequest
from service.api.vocabulary.instrument import InstrumentField
from service.context import bundle, today
from service.faults import with_pointers
from service.http.schemas import CURRENCY, DAY, LEVELS


class OwnField(fields.Field[Any]):
    """A field that a rule of `models` reads; its faults get pointers into the body."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Any:
        faults: list[Fault] = []
        try:
            found = self.read(value, faults)
        except InputError as error:
            faults.extend(error.faults)
        if faults:
            raise ValidationError(list(with_pointers(faults)))
        return found

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Read the value; add its faults to `faults`, or raise InputError with them."""
        raise NotImplementedError


def _text(name: str, value: Any, allowed: str) -> str:
    if not isinstance(value, str):
        raise InputError([Fault(name, value, "is not text", allowed, "correct it or leave it out")])
    return value.strip()


class DayField(OwnField):
    """A day as YYYY-MM-DD."""

    def read(self, value: Any, faults: list[Fault]) -> date | None:
        return read_day(_text("date", value, "a day as YYYY-MM-DD"), faults, latest=LAST_DAY)


class ChannelField(OwnField):
    """One of the channels."""

    def read(self, value: Any, faults: list[Fault]) -> str:
        text = _text("channel", value, ", ".join(CHANNEL_NAMES))
        return read_term("channel", text, CHANNEL_NAMES, faults)


class CurrencyField(OwnField):
    """A currency that the bundle has rates for."""

    def read(self, value: Any, faults: list[Fault]) -> str:
        rates = bundle().valuer.rates
        quoted = rates.quoted_on(today())
        allowed = ", ".join(quoted)
        code = _text("currency", value, allowed).upper()
        if code not in rates.currencies:
            hint, near = "choose one of those allowed", partial(nearest, code, quoted)
            faults.append(
                Fault("currency", value, "has no exchange rate here", allowed, hint, near, hinted=0)
            )
        return code


class LevelsField(OwnField):
    """The levels of the ranges."""

    def read(self, value: Any, faults: list[Fault]) -> tuple[float, ...]:
        if not isinstance(value, list):
            wrong = Fault("levels", value, "is not a list", "a list of numbers such as [0.8, 0.95]")
            raise InputError([wrong])
        return check_levels(value)


class ValuationRequestSchema(Schema):
    """A request for a value: the instrument, and optionally the day, market, currency and levels."""

    instrument = InstrumentField(
        required=True, metadata={"description": "the instrument; only what is known"}
    )
    date = DayField(
        allow_none=True,
        metadata={"type": "string", **DAY, "description": "the day of the value; default: today"},
    )
    channel = ChannelField(
        allow_none=True,
        metadata={
            "type": "string",
            "enum": [*CHANNEL_NAMES, None],
            "description": f"the market of the value; default: {DEFAULT_CHANNEL}",
        },
    )
    currency = CurrencyField(
        allow_none=True,
        metadata={
            "type": "string",
            **CURRENCY,
            "description": f"the currency (ISO 4217) of every amount; default: {BASE_CURRENCY}",
        },
    )
    levels = LevelsField(
        allow_none=True,
        metadata={
            "type": "array",
            **LEVELS,
            "description": "levels of the ranges, 0.8 for 80%; default: "
            + ", ".join(f"{level:g}" for level in DEFAULT_LEVELS),
        },
    )

    @post_load
    def _request(self, data: dict[str, Any], **kwargs: Any) -> ValuationRequest:
        it, notes = data["instrument"]
        subject = Subject(it, data.get("date") or today(), data.get("channel") or DEFAULT_CHANNEL, notes)
        return ValuationRequest(
            subject, data.get("currency") or BASE_CURRENCY, data.get("levels") or DEFAULT_LEVELS
        )
