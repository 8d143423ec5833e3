"""Every error that the project raises on purpose, and how a fault is worded."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one field: what was given, what is allowed and what to do next."""

    field: str
    value: object
    problem: str
    allowed: str = ""
    next_step: str = ""
    suggestions: tuple[str, ...] = ()

    def __str__(self) -> str:
        shown = repr(self.value)
        parts = [f"{self.field}: {shown if len(shown) <= 80 else shown[:77] + '…'} {self.problem}"]
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.next_step:
            parts.append(self.next_step)
        return "; ".join(parts)


class BookmatchError(Exception):
    """The base class of every error that the project raises on purpose."""


class FaultsError(BookmatchError):
    """Something given is wrong. `faults` lists every fault, not only the first."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(" | ".join(str(fault) for fault in self.faults))


class InputError(FaultsError):
    """A caller sent something wrong."""


class UnknownNameError(InputError):
    """The catalogue does not have this maker or model; the faults suggest the nearest names."""


class CatalogueError(BookmatchError):
    """The catalogue cannot be read; the message names the model, the key and what is allowed."""


class PracticeError(FaultsError):
    """The file of common practice cannot be used."""


class TableError(BookmatchError):
    """A CSV file cannot be read at all; the message says what in it to change."""


class RateError(BookmatchError):
    """No exchange rate is known for this currency on this day."""


class ForestError(BookmatchError):
    """The text of boosted trees is damaged, or of a kind that cannot be explained; the message says why."""


class BundleError(BookmatchError):
    """A bundle, or the store that holds the bundles, cannot be used as asked."""


class BundleMissingError(BundleError):
    """The store holds no such bundle, or none is promoted."""


class NoEarlierError(BundleMissingError):
    """No bundle was current before the current one, so a rollback has nothing to go back to."""


class BundleChangedError(BundleError):
    """A rollback was asked of one bundle while another one is current."""


class BundleDamagedError(BundleError):
    """A file of a bundle is missing or not as its manifest says, or a file of the store cannot be read."""
