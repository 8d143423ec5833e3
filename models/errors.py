"""Every error that the project raises on purpose, and how a fault is worded."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from dataclasses import field as member
from functools import cached_property

from models.costs import MOST_FAULTS


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one field: what was given, what is allowed and what to do next.

    `step`: what to do if no name is near. `near`: finds the names that may be meant, which is dear, and so is
    called only for a fault that is told. `hinted`: how many of them the next step names.
    """

    field: str
    value: object
    problem: str
    allowed: str = ""
    step: str = ""
    near: Callable[[], tuple[str, ...]] | None = member(default=None, compare=False)
    hinted: int = 1

    @cached_property
    def suggestions(self) -> tuple[str, ...]:
        """The names that may be meant, nearest first."""
        return self.near() if self.near else ()

    @property
    def next_step(self) -> str:
        """Advice on what to do."""
        hinted = self.suggestions[: self.hinted]
        return f"did you mean {' or '.join(hinted)}?" if hinted else self.step

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
    """Something given is wrong. `faults` lists every fault; its text tells the first `MOST_FAULTS`."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__()

    def __str__(self) -> str:
        told = " | ".join(str(fault) for fault in self.faults[:MOST_FAULTS])
        return (
            f"{told} | and {len(self.faults) - MOST_FAULTS:,} more"
            if len(self.faults) > MOST_FAULTS
            else told
        )


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


class StoreAwayError(BundleError):
    """A store of bundles that is no folder of this machine does not answer, or refuses its key."""
