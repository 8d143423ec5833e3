"""The schema of an instrument, made from `models.domain.vocabulary`, so that each field is defined once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, validate

from models.domain.instrument import Described, Instrument, read_nested
from models.domain.vocabulary import FIELDS, GROUPS, MAX_TEXT, PLACEHOLDERS, Field, Kind
from models.errors import InputError
from service.api.vocabulary.fields import EMPTY
from service.context import bundle
from service.dumping import Converted
from service.faults import with_pointers
from service.texts import NOT_BLANK

REQUIRED = ("maker", "model")


def _schema_field(field: Field) -> fields.Field[Any]:
    metadata: dict[str, Any] = {"title": field.label, "description": field.meaning}
    if field.terms:
        metadata["x-terms"] = {term.name: term.meaning for term in field.terms}
    options: dict[str, Any] = {"metadata": metadata, "required": field.path in REQUIRED}
    options["allow_none"] = not options["required"]
    if field.kind is Kind.TERM:
        return fields.String(validate=validate.OneOf([*field.names, ""]), **options)
    if field.kind is Kind.TEXT:
        if options["required"]:
            metadata["pattern"] = NOT_BLANK
        return fields.String(validate=validate.Length(max=MAX_TEXT), **options)
    kind = {Kind.FLAG: "boolean", Kind.INTEGER: "integer"}.get(field.kind, "number")
    metadata |= {"type": [kind, "string"], "pattern": EMPTY}
    if field.kind is Kind.FLAG:
        return fields.Boolean(**options)
    bounds = validate.Range(field.low, field.high)
    return (fields.Integer if field.kind is Kind.INTEGER else fields.Float)(validate=bounds, **options)


def _instrument_schema() -> type[Schema]:
    groups: dict[str, dict[str, fields.Field[Any]]] = {"": {}, **{group: {} for group in GROUPS}}
    for field in FIELDS:
        group, _, name = field.path.rpartition(".")
        groups[group][name] = _schema_field(field)
    top = groups.pop("")
    for group, inner in groups.items():
        schema = Schema.from_dict(inner, name=group.capitalize())
        schema.__doc__ = f"The instrument's {group}, part by part; null or left out is not known."
        top[group] = fields.Nested(
            schema(unknown=RAISE), allow_none=True, metadata={"description": f"{group}, part by part"}
        )
    whole = Schema.from_dict(top, name="Instrument")
    words = ", ".join(sorted(PLACEHOLDERS))
    whole.__doc__ = (
        "One instrument; what is null or left out is not known, and never adds to the value. In every field "
        f"but maker and model these texts are read as not known, with a caution: {words}."
    )
    return whole


InstrumentSchema = _instrument_schema()


class InstrumentField(fields.Nested):
    """An instrument of a request. `models` reads and checks it, and names are spelled as in the catalogue."""

    def __init__(self, **options: Any) -> None:
        super().__init__(InstrumentSchema(unknown=RAISE), **options)

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, partial: Any = None, **kwargs: Any
    ) -> Described:
        try:
            return self.read(value)
        except InputError as error:
            raise ValidationError(list(with_pointers(error.faults, attr or ""))) from None

    def read(self, value: Any) -> Described:
        """Read the instrument. Raises InputError."""
        return bundle().valuer.catalogue.read(read_nested, value)


class InstrumentAnswer(Converted, fields.Nested):  # type: ignore[misc]  # a parameter's name differs
    """An instrument of an answer, with only its known fields."""

    def __init__(self, **options: Any) -> None:
        super().__init__(InstrumentSchema, **options)

    def convert(self, value: Instrument) -> dict[str, Any]:
        """Return the instrument's known fields, nested."""
        return value.to_nested()
