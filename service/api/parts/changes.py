"""Read requests with fields of an instrument, nested or by path: alternatives, and costs of repairs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from marshmallow import Schema, ValidationError, fields, post_load

from models.costs import MOST_ALTERNATIVES
from models.domain.instrument import Value
from models.domain.money import amount_step, minor_units
from models.domain.vocabulary import FIELDS, GROUPS
from models.errors import Fault, InputError
from models.insights.alternatives import FIXED, read_change
from models.insights.restoration import MENDABLE
from service.api.parts.amounts import PATTERN, read_amount
from service.api.values.requests import LevelsField
from service.api.vocabulary.fields import of_fields, value_of
from service.errors import FaultyRequestError, Located
from service.faults import pointer_to
from service.http.schemas import LEVELS

_FORMS = 'a field by its path, {"condition.neck": 2}, or nested, {"condition": {"neck": 2}}'


CHANGE = of_fields((field.path for field in FIELDS if field.path not in FIXED), value_of)
_COSTS = of_fields(
    MENDABLE,
    lambda field: {
        "type": ["string", "number"],
        "pattern": f"^{PATTERN}$",
        "minimum": 0,
        "maximum": 10**12 - 1,
    },
)


@dataclass(frozen=True)
class Costs:
    """Costs of repairs: field path → amount, and field path → JSON pointer into the body."""

    amounts: Mapping[str, Decimal]
    pointers: Mapping[str, str]

    def with_pointers(self, error: InputError) -> FaultyRequestError:
        """Return the error with a pointer into the body for every fault."""
        return FaultyRequestError([Located(self._pointer(fault.field), fault) for fault in error.faults])

    def check(self, currency: str) -> None:
        """Raise FaultyRequestError for an amount with more decimals than this currency has."""
        digits = minor_units(currency)
        finer = [path for path, amount in self.amounts.items() if _decimals(amount) > digits]
        if finer:
            problem, allowed = f"is finer than {currency} can be", f"at most {digits} decimals"
            found = (Fault(f"costs.{p}", str(self.amounts[p]), problem, allowed, "round it") for p in finer)
            raise self.with_pointers(InputError(list(found)))

    def _pointer(self, field: str) -> str:
        return self.pointers.get(field.removeprefix("costs."), pointer_to("costs"))


@dataclass(frozen=True)
class WhatIf:
    """Sets of changes to an instrument, each field path → new value.

    `levels`: the levels of the ranges, None for those of the valuation.
    """

    changes: Sequence[Mapping[str, Value]]
    levels: Sequence[float] | None


class ChangesField(fields.Field[Any]):
    """A list of sets of changes; each fault in it gets a pointer into the body."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> list[dict[str, Value]]:
        if not isinstance(value, list) or not 1 <= len(value) <= MOST_ALTERNATIVES:
            count = len(value) if isinstance(value, list) else value
            allowed = f"a list of 1 to {MOST_ALTERNATIVES} objects"
            step = "say at least one change" if not value else "ask in parts"
            fault = Fault("alternatives", count, "is not such a list", allowed, step)
            raise ValidationError([Located(pointer_to("alternatives"), fault)])
        faults: list[Located] = []
        found = [read_set(each, ("alternatives", str(at)), faults) for at, each in enumerate(value)]
        if faults:
            raise ValidationError(list(faults))
        return found


class CostsField(fields.Field[Any]):
    """Costs by field; each fault in them gets a pointer into the body."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Costs:
        faults: list[Located] = []
        given, pointers = _flat(value, ("costs",), faults)
        amounts = {}
        for path, cost in given.items():
            amount = read_amount(cost)
            if amount is not None:
                amounts[path] = amount
            else:
                allowed = 'an amount, 0 or more, such as "120.00"'
                fault = Fault(f"costs.{path}", cost, "is not a cost", allowed, amount_step(cost))
                faults.append(Located(pointers[path], fault))
        if faults:
            raise ValidationError(list(faults))
        return Costs(amounts, pointers)


def _decimals(amount: Decimal) -> int:
    exponent = amount.normalize().as_tuple().exponent
    return max(-exponent, 0) if isinstance(exponent, int) else 0


def read_set(data: Any, at: tuple[str, ...], faults: list[Located]) -> dict[str, Value]:
    """Read one set of changes, which stands at this place of the body; what is wrong joins `faults`."""
    before = len(faults)
    given, pointers = _flat(data, at, faults)
    try:
        return read_change(given) if len(faults) == before else {}
    except InputError as error:
        faults += [Located(pointers.get(fault.field, pointer_to(*at)), fault) for fault in error.faults]
        return {}


def _flat(data: Any, at: tuple[str, ...], faults: list[Located]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return field path → value and field path → pointer into the body, from nested fields or paths."""
    values: dict[str, Any] = {}
    pointers: dict[str, str] = {}
    if not isinstance(data, Mapping):
        fault = Fault(at[-1], data, "is not an object", _FORMS, "name the fields")
        faults.append(Located(pointer_to(*at), fault))
        return values, pointers
    for path, names, value in _members(data):
        pointer = pointer_to(*at, *names)
        if path in values:
            fault = Fault(path, value, "stands there in both forms", _FORMS, "send it once")
            faults.append(Located(pointer, fault))
        values[path], pointers[path] = value, pointer
    return values, pointers


def _members(data: Mapping[str, Any]) -> Iterator[tuple[str, tuple[str, ...], Any]]:
    for name, value in data.items():
        if name in GROUPS and isinstance(value, Mapping):
            for inner, each in value.items():
                yield f"{name}.{inner}", (name, inner), each
        else:
            yield name, (name,), value


class WhatIfSchema(Schema):
    """Other states of the same instrument."""

    alternatives = ChangesField(
        required=True,
        metadata={
            "type": "array",
            "minItems": 1,
            "maxItems": MOST_ALTERNATIVES,
            "items": {**CHANGE, "minProperties": 1},
            "description": f"sets of changes, each valued alone. A change names {_FORMS}; null: not known",
        },
    )
    levels = LevelsField(
        allow_none=True,
        metadata={
            "type": "array",
            **LEVELS,
            "description": "levels of the ranges; default: those of the valuation",
        },
    )

    @post_load
    def _what_if(self, data: dict[str, Any], **kwargs: Any) -> WhatIf:
        return WhatIf(data["alternatives"], data.get("levels"))


class CostsSchema(Schema):
    """The costs of repairs."""

    costs = CostsField(
        required=True,
        metadata={
            **_COSTS,
            "description": "the cost of each field in the currency of the valuation, as decimal text or a "
            "number. Name a field by its path or nested; {} if no cost is known",
        },
    )

    @post_load
    def _costs(self, data: dict[str, Any], **kwargs: Any) -> Costs:
        found: Costs = data["costs"]
        return found


# Examples for the documentation, with fields that every instrument has.
EXAMPLES: Mapping[str, dict[str, Any]] = {
    "WhatIf": {
        "alternatives": [{"condition": {"neck": 1}}, {"originality.pickups": "modern", "condition.frets": 2}]
    },
    "Costs": {"costs": {"originality.pickups": "240.00", "condition.electronics": "60.00"}},
}
