"""Makers, models and editions that the catalogue knows, searched by name."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any

from models.domain.instrument import Described, Instrument
from models.domain.names import nearest, normal, remember
from models.errors import CatalogueError, Fault, InputError, UnknownNameError

BODIES = ("solid", "semi", "hollow")
_FEW_NAMES = 12  # A fault lists all names where there are no more than these.


@dataclass(frozen=True)
class Finish:
    """A finish that the maker offered. `share`: its share of the production, None where not known."""

    name: str
    share: float | None = None


@dataclass(frozen=True)
class Edition:
    """A limited or commemorative edition; None means *not known*."""

    name: str
    first_year: int | None = None
    last_year: int | None = None
    production_total: int | None = None
    numbered: bool | None = None


@dataclass(frozen=True)
class Watchpoint:
    """A check that a careful buyer makes on this model."""

    part: str
    note: str


@dataclass(frozen=True)
class Model:
    """One model of one maker, as the catalogue records it; None means *not known*."""

    maker: str
    name: str
    first_year: int
    last_year: int
    body: str | None = None
    figured_top: bool | None = None
    finishes: tuple[Finish, ...] = ()
    editions: tuple[Edition, ...] = ()
    watchpoints: tuple[Watchpoint, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Every name in the entry: the maker's, the model's, its finishes' and its editions'."""
        return (self.maker, self.name, *(f.name for f in self.finishes), *(e.name for e in self.editions))

    def finish(self, name: str | None) -> Finish | None:
        """Find the finish of this name, ignoring case, accents and extra spaces; None if there is none."""
        return self._finishes.get(normal(name)) if name else None

    def lacks_finish(self, name: str | None) -> bool:
        """Say whether the model is recorded without this finish; False if no finish is given or recorded."""
        return name is not None and bool(self.finishes) and self.finish(name) is None

    def edition(self, name: str | None) -> Edition | None:
        """Find the edition of this name, ignoring case, accents and extra spaces; None if there is none."""
        return self._editions.get(normal(name)) if name else None

    @cached_property
    def _finishes(self) -> dict[str, Finish]:
        return {normal(f.name): f for f in reversed(self.finishes)}

    @cached_property
    def _editions(self) -> dict[str, Edition]:
        return {normal(e.name): e for e in reversed(self.editions)}


@dataclass(frozen=True)
class Catalogue:
    """All models, with the TOML text that they were read from, which a bundle carries unchanged.

    `ignored`: keys of the file that are no part of the format, as they are spelled in the file.
    """

    models: tuple[Model, ...]
    source: str = ""
    ignored: tuple[str, ...] = ()
    _index: dict[tuple[str, str], Model] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        remember(name for model in self.models for name in model.names)
        for model in self.models:
            key = (normal(model.maker), normal(model.name))
            if key in self._index:
                raise CatalogueError(f"model {model.maker} {model.name}: stands twice in the catalogue")
            self._index[key] = model

    @property
    def makers(self) -> tuple[str, ...]:
        """The names of all makers, each once, in the order of the file."""
        return tuple({normal(m.maker): m.maker for m in reversed(self.models)}.values())[::-1]

    def of_maker(self, maker: str) -> tuple[Model, ...]:
        """Return the models of one maker. Raises UnknownNameError with the nearest makers."""
        wanted = normal(maker)
        found = tuple(m for m in self.models if normal(m.maker) == wanted)
        if not found:
            raise self._unknown("maker", maker, self.makers)
        return found

    def find(self, maker: str, model: str) -> Model:
        """Return the model of this maker and name. Raises UnknownNameError with the nearest names."""
        found = self._index.get((normal(maker), normal(model)))
        if found is None:
            raise self._unknown("model", model, [m.name for m in self.of_maker(maker)])
        return found

    def named(self, model: str) -> tuple[Model, ...]:
        """Return the models of this name, one for each maker that has one. Raises UnknownNameError."""
        wanted = normal(model)
        found = tuple(m for m in self.models if normal(m.name) == wanted)
        if not found:
            raise self._unknown("model", model, [m.name for m in self.models])
        return found

    def canonical(self, instrument: Instrument) -> Instrument:
        """Return the instrument with its maker, model, edition and finish spelled as in the catalogue.

        An edition or finish that the catalogue does not have stays as it is. Raises UnknownNameError.
        """
        model = self.find(instrument.maker, instrument.model)
        edition, finish = model.edition(instrument.edition), model.finish(instrument.finish)
        names = {
            "maker": model.maker,
            "model": model.name,
            "edition": edition.name if edition else instrument.edition,
            "finish": finish.name if finish else instrument.finish,
        }
        said = (instrument.maker, instrument.model, instrument.edition, instrument.finish)
        return instrument if said == tuple(names.values()) else instrument.but(**names)

    def read(self, reader: Callable[[Any], Described], given: Any) -> Described:
        """Read an instrument by `reader`, with names spelled as in the catalogue; see `canonical`.

        Raises InputError with all faults at once: those of the fields, and that of an unknown name.
        """
        try:
            found = reader(given)
        except InputError as error:
            raise InputError([*error.faults, *self._name_faults(given, error.faults)]) from None
        return found._replace(instrument=self.canonical(found.instrument))

    def _name_faults(self, given: Any, found: Sequence[Fault]) -> Sequence[Fault]:
        if not isinstance(given, Mapping) or any(fault.field in ("maker", "model") for fault in found):
            return ()
        try:
            self.find(" ".join(given["maker"].split()), " ".join(given["model"].split()))
        except InputError as error:
            return error.faults
        return ()

    @staticmethod
    def _unknown(what: str, name: str, among: Any) -> UnknownNameError:
        names = tuple(dict.fromkeys(among))
        allowed = ", ".join(names) if len(names) <= _FEW_NAMES else ""
        hint = "choose one of these" if allowed else f"see the catalogue for its {what}s"
        hint += ", or have it added to the catalogue"
        return UnknownNameError(
            [
                Fault(
                    what,
                    name,
                    "is not in the catalogue",
                    allowed,
                    hint,
                    partial(nearest, name, among),
                    hinted=3,
                )
            ]
        )
