"""The members of bodies: instruments, texts, and objects that rules of our own read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields

from models.domain.cells import read_term
from models.domain.instrument import Described, read_nested
from models.domain.vocabulary import BY_PATH
from models.errors import Fault
from service.api.parts.changes import read_set
from service.api.requests.bodies.reading import prose
from service.api.values.requests import OwnField
from service.api.vocabulary.instrument import InstrumentField
from service.errors import Located, NoBundleError
from service.faults import with_pointers
from service.texts import lines_faults, text_faults, text_schema

_CORRECT = "correct it or leave it out"


class RequestInstrumentField(InstrumentField):
    """An instrument that is taken without a price model too, though names then stay as they are written."""

    def read(self, value: Any) -> Described:
        """Read the instrument. Raises InputError."""
        try:
            return super().read(value)
        except NoBundleError:
            return read_nested(value)


class ObjectField(fields.Nested):
    """An object of this schema that a reader checks, and finds all faults in."""

    def __init__(
        self, schema: type[Schema], reader: Callable[[Any, list[Fault]], Any], **options: Any
    ) -> None:
        super().__init__(schema(unknown=RAISE), **options)
        self._reader = reader

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, partial: Any = None, **kwargs: Any
    ) -> Any:
        faults: list[Fault] = []
        found = self._reader(value, faults)
        if faults:
            raise ValidationError(list(with_pointers(faults)))
        return found


class LineField(OwnField):
    """A text of one line."""

    def __init__(self, longest: int, text: str, **options: Any) -> None:
        options.setdefault("allow_none", not options.get("required", False))
        super().__init__(metadata={**text_schema(longest), "description": text}, **options)
        self.longest = longest

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Return the text to the letter."""
        faults += text_faults(str(self.name), value, self.longest, _CORRECT)
        return value


class ProseField(LineField):
    """A text of several lines."""

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Return the text with line feeds alone."""
        faults += lines_faults(str(self.name), value, self.longest, _CORRECT)
        return value if faults else prose(value)


class TermField(OwnField):
    """One of a few words, or null where it may be left out."""

    def __init__(self, terms: tuple[str, ...], text: str, **options: Any) -> None:
        optional = options.setdefault("allow_none", not options.get("required", False))
        words = {"type": "string", "enum": [*terms, *([None] if optional else [])]}
        super().__init__(metadata={**words, "description": text}, **options)
        self.terms = terms

    def read(self, value: Any, faults: list[Fault]) -> Any:
        """Return the word."""
        if isinstance(value, str):
            return read_term(str(self.name), value.strip(), self.terms, faults)
        faults.append(Fault(str(self.name), value, "is not text", ", ".join(self.terms), "choose one"))
        return value


class AgreedField(OwnField):
    """A consent, which is given by true and nothing else."""

    def read(self, value: Any, faults: list[Fault]) -> bool:
        """Return True."""
        if value is not True:
            step = "ask the owner, and send true only once they agreed"
            faults.append(Fault(str(self.name), value, "is no consent", "true", step))
        return True


class PathsField(OwnField):
    """A list of fields of an instrument by path, each once."""

    def __init__(self, text: str) -> None:
        items = {"type": "string", "enum": [*BY_PATH]}
        schema = {"type": "array", "items": items, "maxItems": len(BY_PATH), "description": text}
        super().__init__(allow_none=True, metadata=schema)

    def read(self, value: Any, faults: list[Fault]) -> list[str]:
        """Return the paths in the order of the vocabulary."""
        name = str(self.name)
        if not isinstance(value, list) or len(value) > len(BY_PATH):
            faults.append(Fault(name, value, "is not such a list", "a list of fields by path", "correct it"))
            return []
        wrong = [one for one in value if not isinstance(one, str) or one not in BY_PATH]
        for one in wrong[:1]:
            step = "see the vocabulary for the fields"
            faults.append(Fault(name, one, "is not a field of an instrument", ", ".join(BY_PATH), step))
        return [] if wrong else [path for path in BY_PATH if path in value]


class AnswersField(fields.Field[Any]):
    """Answers of an owner: fields of the instrument, nested or by path; null is no answer."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> dict[str, Any]:
        faults: list[Located] = []
        found = read_set(value, (attr or "",), faults)
        if faults:
            raise ValidationError(list(faults))
        return {path: answer for path, answer in found.items() if answer is not None}
