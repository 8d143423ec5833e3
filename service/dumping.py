"""Make answers from objects by their schemas, so that only the schema lists the members of an answer.

`dumper` gives the same as marshmallow's own `dump`, which a test checks, in a tenth of the time: it reads the
schema once and not for every object. Dates are left for the JSON encoder to write.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from operator import attrgetter
from typing import Any

import orjson
from marshmallow import Schema, fields, missing

Convert = Callable[[Any], Any]


def described(text: str, *, optional: bool = False, **more: Any) -> dict[str, Any]:
    """The options of a member that every answer has; `optional`: it can be null."""
    return {"required": True, "allow_none": optional, "metadata": {"description": text, **more}}


def objects(
    of: type[Schema], text: str, *, optional: bool = False, attribute: str | None = None
) -> fields.List[Any]:
    """A member that is a list of objects of this schema."""
    return fields.List(fields.Nested(of), attribute=attribute, **described(text, optional=optional))


class Converted(fields.Field[Any]):
    """A member whose value is converted from the object's attribute."""

    def convert(self, value: Any) -> Any:
        """Return the attribute's value as the answer has it; the value is never None."""
        raise NotImplementedError

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return None if value is None else self.convert(value)


class OfWhole(fields.Field[Any]):
    """A member that is made of the whole object, not of one of its attributes."""

    def get_value(self, obj: Any, attr: str, accessor: Any = None, default: Any = missing) -> Any:
        """Return the object itself in place of an attribute."""
        return obj


class Whole(OfWhole, fields.Nested):
    """A nested object of the answer whose members are made from the same source object."""


class Made(Converted):
    """A member that a function makes from an attribute."""

    def __init__(self, make: Callable[[Any], Any], **options: Any) -> None:
        super().__init__(**options)
        self.make = make

    def convert(self, value: Any) -> Any:
        """Return the function's result for the attribute."""
        return self.make(value)


class Text(Made, fields.String):
    """A text that a function makes from an attribute."""


class TextOfWhole(OfWhole, Text):
    """A text that a function makes from the whole object."""


class FlagOfWhole(OfWhole, Made, fields.Boolean):
    """A flag that a function makes from the whole object."""


class MadeOfWhole(OfWhole, Made):
    """A member of any type that a function makes from the whole object."""


class Words(Converted, fields.List[Any]):
    """A list of words, from an attribute that is one text with spaces."""

    def __init__(self, **options: Any) -> None:
        super().__init__(fields.String(), **options)

    def convert(self, value: str) -> list[str]:
        """Split the text into words."""
        return value.split()


class OpenObject(Converted, fields.Nested):  # type: ignore[misc]  # a parameter's name differs
    """An object that is answered as it was written, with members that no schema names."""

    def convert(self, value: Any) -> Any:
        """Give it as it is."""
        return value


class StoredJson(Converted, fields.Nested):  # type: ignore[misc]  # a parameter's name differs
    """An object, from an attribute that holds it as JSON text."""

    def convert(self, value: str) -> Any:
        """Read the JSON text."""
        return orjson.loads(value)


class Pairs(Converted, fields.List[Any]):
    """A list of objects of two members, from a mapping or its items. `of`: the schema of the objects."""

    def __init__(self, of: type[Schema], **options: Any) -> None:
        super().__init__(fields.Nested(of), **options)
        self._names = tuple(of().fields)

    def convert(self, value: Mapping[Any, Any] | Iterable[tuple[Any, Any]]) -> list[dict[str, Any]]:
        """Return an object for each item: its key and value under the schema's two names."""
        items = value.items() if isinstance(value, Mapping) else value
        return [dict(zip(self._names, item, strict=True)) for item in items]


def dumper(of: type[Schema]) -> Callable[[Any], dict[str, Any]]:
    """Return a function that dumps an object by this schema."""
    members = {field.data_key or name: (name, field) for name, field in of().dump_fields.items()}
    plain = {key: member for key, member in members.items() if not isinstance(member[1], OfWhole)}
    keys, template = tuple(plain), dict[str, Any].fromkeys(members)
    get = _getter([field.attribute or name for name, field in plain.values()])
    parts = [(key, converter(field)) for key, (_, field) in plain.items()]
    converts = [(key, convert) for key, convert in parts if convert is not None]
    made = [(key, _convert(field)) for key, (_, field) in members.items() if key not in plain]
    wholes = [(key, make) for key, make in made if make is not None]

    def dump(obj: Any) -> dict[str, Any]:
        answer = dict(zip(keys, get(obj)))  # noqa: B905  # equal lengths; the most frequent line of an answer
        for key, convert in converts:
            answer[key] = convert(answer[key])
        return answer

    def dump_whole(obj: Any) -> dict[str, Any]:
        answer = {**template, **dump(obj)}  # in the order of the members
        for key, make in wholes:
            answer[key] = make(obj)
        return answer

    return dump_whole if wholes else dump


def _getter(attributes: list[str]) -> Callable[[Any], tuple[Any, ...]]:
    if not attributes:
        return lambda obj: ()
    get = attrgetter(*attributes)
    return get if len(attributes) > 1 else lambda obj: (get(obj),)


def converter(field: fields.Field[Any]) -> Convert | None:
    """Return the function from an attribute's value to the answer's; None if the value is used unchanged."""
    convert = _convert(field)
    if convert is None or not field.allow_none:
        return convert
    return lambda value: None if value is None else convert(value)


def _convert(field: fields.Field[Any]) -> Convert | None:
    if isinstance(field, Made):
        return field.make
    if isinstance(field, Converted):
        return field.convert
    if isinstance(field, fields.Nested):
        return dumper(type(field.schema))
    if not isinstance(field, fields.List):
        return None
    each = converter(field.inner)
    return list if each is None else lambda values: [each(value) for value in values]
