"""The schemas of the specialist's settings, made from `service.reports.specialist`."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

from marshmallow import RAISE, Schema, fields

from models.errors import Fault
from service.api.values.requests import CurrencyField, OwnField
from service.dumping import described, dumper
from service.http.schemas import CURRENCY
from service.reports.kinds import LEAST_SHARE, MOST_SHARE
from service.reports.specialist import LONGEST_LINE, LONGEST_TEXT, SETTINGS
from service.texts import lines_faults, plain_lines, text_faults

_SHARE = f"decimal text from {LEAST_SHARE.normalize():f} to {MOST_SHARE:f}"


class WordsField(OwnField):
    """A text of the specialist's; a blank one is none."""

    def __init__(self, name: str, longest: int, *, lines: bool, **options: Any) -> None:
        self._name, self._longest, self._lines = name, longest, lines
        super().__init__(**options)

    def read(self, value: Any, faults: list[Fault]) -> str | None:
        if isinstance(value, str) and not value.strip():
            return None
        check = lines_faults if self._lines else text_faults
        text = plain_lines(value) if self._lines and isinstance(value, str) else value
        found = check(self._name, text, self._longest, "correct it or leave it out")
        faults.extend(found)
        return None if found else text.strip()


class ShareField(OwnField):
    """The share of sales below a liquidation value, as decimal text."""

    def read(self, value: Any, faults: list[Fault]) -> str | None:
        if value == "":
            return None
        try:
            share = Decimal(value) if isinstance(value, str) else Decimal("NaN")
        except InvalidOperation:
            share = Decimal("NaN")
        if not share.is_finite() or not LEAST_SHARE <= share <= MOST_SHARE:
            name = "liquidation_share"
            faults.append(Fault(name, value, "is not such a share", _SHARE, "write a tenth as 0.1"))
            return None
        return f"{share.normalize():f}"


def _field(name: str) -> fields.Field[Any]:
    setting = SETTINGS[name]
    about: dict[str, Any] = {"type": "string", "description": setting.meaning}
    if name == "currency":
        return CurrencyField(allow_none=True, metadata={**about, **CURRENCY})
    if name == "liquidation_share":
        return ShareField(allow_none=True, metadata={**about, "example": "0.1", "pattern": r"^(0?\.\d+)?$"})
    longest = LONGEST_TEXT if setting.lines else LONGEST_LINE
    metadata = {**about, "maxLength": longest}
    return WordsField(name, longest, lines=setting.lines, allow_none=True, metadata=metadata)


SpecialistSettingsSchema: type[Schema] = Schema.from_dict(
    {name: _field(name) for name in SETTINGS}, name="SpecialistSettingsSchema"
)
SpecialistSettingsSchema.__doc__ = (
    "The specialist's settings. They are taken as a whole: what is null, blank or left out is not set."
)
StandingSettingsSchema: type[Schema] = Schema.from_dict(
    {name: fields.String(**described(one.meaning, optional=True)) for name, one in SETTINGS.items()},
    name="StandingSettingsSchema",
)
StandingSettingsSchema.__doc__ = "The specialist's settings as they stand; null is not set."
OfferedSettingsSchema: type[Schema] = Schema.from_dict(
    {
        name: fields.String(**described(one.meaning))
        for name, one in SETTINGS.items()
        if one.offered is not None
    },
    name="OfferedSettingsSchema",
)
OfferedSettingsSchema.__doc__ = (
    "Texts that the service offers; each counts only once it was sent as a setting."
)


class SpecialistSchema(Schema):
    """The specialist's settings, texts that the service offers for them, and what reports still need."""

    settings = fields.Nested(StandingSettingsSchema, **described("the settings as they stand"))
    offered = fields.Nested(
        OfferedSettingsSchema,
        **described("texts of the service's for some of them: none counts before it is sent as a setting"),
    )
    missing = fields.List(
        fields.String(),
        **described("the names of the settings that are needed and empty: no report is issued"),
    )


SETTINGS_REQUEST = SpecialistSettingsSchema(unknown=RAISE)
dump_specialist = dumper(SpecialistSchema)
