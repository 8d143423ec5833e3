"""Answer rows in chunks: small at first, so that the answer begins at once, then as large as is fastest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice, repeat
from typing import Any, Generic, NamedTuple, Protocol, TypeVar

from models.errors import BookmatchError, InputError
from models.tables.refused_run import STOPPED, RefusedRun
from models.tables.stocklist import ROWS_AT_ONCE, Asked, Terms, value_subjects
from models.valuation.valuer import Valuer


class ListRow(Protocol):
    """A row of a list, and the line on which it starts."""

    @property
    def line(self) -> int: ...


T = TypeVar("T")
R = TypeVar("R", bound=ListRow)
_FIRST = (25, 100)


class Answered(NamedTuple):
    """The answer to a chunk of rows: its text, its values' words for evidence, the number of failed rows."""

    text: bytes
    words: Sequence[str]
    failed: int


def chunked(rows: Iterable[T]) -> Iterator[list[T]]:
    """Yield the rows in order, in lists of at most `ROWS_AT_ONCE`."""
    left = iter(rows)
    for size in chain(_FIRST, repeat(ROWS_AT_ONCE)):
        chunk = list(islice(left, size))
        if not chunk:
            return
        yield chunk


class RowForm(Generic[R]):
    """A stock list in one form, read and written by subclasses. `ignored`: columns of unknown names."""

    ignored: Sequence[str] = ()

    def __init__(self, valuer: Valuer, terms: Terms) -> None:
        self._valuer, self._terms, self._run = valuer, terms, RefusedRun()
        self._last = 0  # the line of the last row that was answered

    def rows(self) -> Iterator[R]:
        """Yield the rows of the list."""
        raise NotImplementedError

    def asked(self, row: R) -> Asked | InputError:
        """Return what a row asks for, or what is wrong with it."""
        raise NotImplementedError

    def answer(
        self, row: R, asked: Any, result: Mapping[str, str] | BookmatchError
    ) -> tuple[bytes, str | None]:
        """Return a row's answer, and its value's word for evidence; None for a row that failed."""
        raise NotImplementedError

    def refusal(self, line: int, error: InputError) -> bytes:
        """Return the answer that says why the list is not read from this line on."""
        raise NotImplementedError

    def answers(self) -> Iterator[Answered]:
        """Yield the values of the rows, chunk by chunk; the last says if the list was not read to its end."""
        for chunk in chunked(self._read()):
            yield self._answered(chunk)
        if self._run.over:
            yield Answered(self.refusal(self._last + 1, STOPPED), (), 1)

    def _read(self) -> Iterator[tuple[R, Asked | InputError]]:
        for row in self.rows():
            asked = self.asked(row)
            self._run.read(faults=0 if isinstance(asked, Asked) else len(asked.faults))
            yield row, asked
            if self._run.over:
                return

    def _answered(self, chunk: Sequence[tuple[R, Asked | InputError]]) -> Answered:
        texts, words, failed = list[bytes](), list[str](), 0
        results = value_subjects([asked for _, asked in chunk], self._valuer, self._terms)
        for (row, asked), result in zip(chunk, results, strict=True):
            told = InputError(self._run.hinted(result)) if isinstance(result, InputError) else result
            text, word = self.answer(row, asked, told)
            self._last = row.line
            texts.append(text)
            if word is None:
                failed += 1
            else:
                words.append(word)
            if self._run.said(len(text), good=word is not None):
                break
        return Answered(b"".join(texts), words, failed)
