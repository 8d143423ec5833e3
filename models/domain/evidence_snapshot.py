"""The evidence that a bundle carries, so that a value can be shown against the sales behind it.

It holds each record's price, day, kind and channel, and the instrument's fields, with two exceptions. The
`source` is left out because it can name a person. The serial number is replaced by a digest, which only
tells whether two records are of one instrument. Serial numbers are short, so whoever holds a bundle can try
them all: the digest hides numbers from a reader, but a guessed number can be confirmed.
"""

import hashlib
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.domain.evidence import Evidence
from models.domain.instrument import Instrument, Value
from models.domain.parsing import parse_cell
from models.domain.vocabulary import BY_FLAT, FIELDS

EVIDENCE = "evidence.npz"  # Name of the evidence file in a bundle.

_OWN = ("id", "kind", "day", "price", "currency", "channel")
_FIELDS = tuple(f.flat for f in FIELDS if f.flat != "serial")
_COLUMNS = (*_OWN, *_FIELDS)


def specimen_digest(it: Instrument) -> int:
    """64 bits that two records of one instrument (maker, model, serial) share; 0 without a serial."""
    if it.specimen is None:
        return 0
    return int.from_bytes(hashlib.blake2b(it.specimen.encode(), digest_size=8).digest(), "big") or 1


@dataclass(frozen=True)
class EvidenceSnapshot:
    """n records in order of day, then id, kept column by column as (n,) codes into a list of distinct texts.

    `words`: column → its distinct CSV texts; an empty text means *not known*. `codes`: column → (n,)
    positions in the column's words. `specimens`: (n,) uint64 of `specimen_digest`.
    """

    words: Mapping[str, tuple[str, ...]]
    codes: Mapping[str, NDArray[Any]]
    specimens: NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.specimens)

    @classmethod
    def of(cls, rows: Iterable[Evidence]) -> "EvidenceSnapshot":
        """Make a snapshot of these records, whose names must be spelled as in the catalogue."""
        ordered = sorted(rows, key=lambda e: (e.day, e.id))
        words: dict[str, tuple[str, ...]] = {}
        codes: dict[str, NDArray[Any]] = {}
        written = [{**e.to_flat(), "day": e.day.isoformat()} for e in ordered]
        for name in _COLUMNS:
            cells = [row[name] for row in written]
            words[name] = tuple(dict.fromkeys(cells))
            position = {word: at for at, word in enumerate(words[name])}
            codes[name] = np.array([position[c] for c in cells], np.min_scalar_type(max(len(position), 1)))
        digests = np.array([specimen_digest(e.instrument) for e in ordered], np.uint64)
        return cls(words, codes, digests)

    def to_bytes(self) -> bytes:
        """Return the snapshot as npz: codes as integers, words as UTF-8 with a line feed between them."""
        arrays: dict[str, NDArray[Any]] = {"specimens": self.specimens}
        for name in _COLUMNS:
            text = "\n".join(self.words[name]).encode()
            arrays[f"{name}.words"] = np.frombuffer(text, np.uint8)
            arrays[f"{name}.codes"] = self.codes[name]
        out = io.BytesIO()
        np.savez_compressed(out, **arrays)  # type: ignore[arg-type]  # no array is named as its flag
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> "EvidenceSnapshot":
        """Read a snapshot that `to_bytes` wrote. Raises KeyError or ValueError for other data."""
        with np.load(io.BytesIO(data), allow_pickle=False) as npz:
            specimens = npz["specimens"]
            texts = {name: npz[f"{name}.words"].tobytes().decode() for name in _COLUMNS}
            codes = {name: npz[f"{name}.codes"] for name in _COLUMNS}
        words = {name: tuple(text.split("\n")) for name, text in texts.items()}
        for name, own in codes.items():
            if own.shape != specimens.shape or own.dtype.kind != "u" or (own >= len(words[name])).any():
                raise ValueError(f"the codes of {name} do not fit the records or the words")
        return cls(words, codes, specimens)

    def of_model(self, maker: str, model: str) -> NDArray[np.int64]:
        """Return the positions of the records of this model; names are spelled as in the catalogue."""
        makers, models = self.code("maker", maker), self.code("model", model)
        return np.flatnonzero((self.codes["maker"] == makers) & (self.codes["model"] == models))

    def of_specimen(self, it: Instrument) -> NDArray[np.int64]:
        """Return the positions of the records of this very instrument; none if it has no serial."""
        digest = specimen_digest(it)
        return np.flatnonzero(self.specimens == np.uint64(digest)) if digest else np.zeros(0, np.int64)

    def code(self, column: str, word: str) -> int:
        """Return the code of a text in a column; −1 if no record has that text."""
        return self._positions[column].get(word, -1)

    def values(self, flat: str) -> tuple[Value, ...]:
        """Return the value of each distinct text of a field, in the order of `words`; None if not known."""
        return tuple(parse_cell(BY_FLAT[flat], word) for word in self.words[flat])

    @cached_property
    def days(self) -> NDArray[np.int64]:
        """(n,) days of the records, as numbers of `date.toordinal`."""
        ordinals = np.array([date.fromisoformat(w).toordinal() for w in self.words["day"] if w], np.int64)
        return ordinals[self.codes["day"]] if len(self) else np.zeros(0, np.int64)

    @cached_property
    def _positions(self) -> Mapping[str, Mapping[str, int]]:
        few = {"maker", "model", "kind", "channel", *_FIELDS}
        return {name: {w: at for at, w in enumerate(self.words[name])} for name in few}

    def evidence(self, positions: Sequence[int] | NDArray[np.int64]) -> list[Evidence]:
        """Return the records at these positions, with no serial number and an empty source."""
        return [self._record(int(at)) for at in positions]

    def _word(self, column: str, at: int) -> str:
        return self.words[column][int(self.codes[column][at])]

    def _record(self, at: int) -> Evidence:
        it: dict[str, Any] = {flat: parse_cell(BY_FLAT[flat], self._word(flat, at)) for flat in _FIELDS}
        name, kind, day, price, currency, channel = (self._word(name, at) for name in _OWN)
        read = date.fromisoformat(day), Decimal(price)
        return Evidence(name, kind, *read, currency, channel, "", Instrument(**it))


NO_EVIDENCE = EvidenceSnapshot.of(())
