"""Stop the reading of a file in which rows are refused one after the other.

A row that is refused costs as much as one that is valued, and a body of a few compressed bytes holds a
million of them. So a file is read on only as long as good rows come.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from models.costs import (
    MOST_FAULTS,
    MOST_REFUSED,
    MOST_REFUSED_BYTES,
    MOST_REFUSED_FAULTS,
    MOST_REFUSED_LINES,
    MOST_REFUSED_SAID,
)
from models.errors import Fault, FaultsError, InputError

_PROBLEM = (
    "is not read, nor is any line after it, because too many rows before it were refused one after the other"
)
_STEP = "correct the rows before it, and send the list again from the first of them"
STOPPED = InputError([Fault("row", None, _PROBLEM, f"at most {MOST_REFUSED} refused rows in a row", _STEP)])


class RefusedRun:
    """A count of the rows refused since the last good one, of what was read of them, and of what was said.

    Rows are read ahead of their answers, so the two are counted apart. `over`: too much was read or said.
    """

    def __init__(self) -> None:
        self._rows = self._faults = self._lines = self._bytes = 0
        self._said = self._hinted = 0
        self.over = False

    def metered(self, lines: Iterable[bytes]) -> Iterator[bytes]:
        """Yield the lines as long as the run is not over."""
        for line in lines:
            self._lines += 1 + line.count(b"\r")  # a table can end its lines by this alone
            self._bytes += len(line)
            self.over |= self._lines > MOST_REFUSED_LINES or self._bytes > MOST_REFUSED_BYTES
            if self.over:
                return
            yield line

    def read(self, *, faults: int) -> None:
        """Count a row that was read and has so many faults; a good one has none."""
        self._rows, self._faults = self._rows + 1, self._faults + faults
        if not faults:
            self._rows = self._faults = self._lines = self._bytes = 0
        self.over |= self._rows >= MOST_REFUSED or self._faults >= MOST_REFUSED_FAULTS

    def hinted(self, error: FaultsError) -> tuple[Fault, ...]:
        """Return the faults; after the first `MOST_FAULTS` of a run, none has suggestions."""
        left = MOST_FAULTS - self._hinted
        self._hinted += min(left, len(error.faults))
        return (*error.faults[:left], *(replace(fault, near=None) for fault in error.faults[left:]))

    def said(self, size: int, *, good: bool) -> bool:
        """Count the bytes of a row's answer, and say if that is the last answer of a run that is over."""
        self._said += size
        if good:
            self._said = self._hinted = 0
        too_much = self._said > MOST_REFUSED_SAID
        self.over |= too_much
        return too_much
