"""The evidence a bundle carries, so that a value can be shown against the sales behind it.

Kept are what the market said and the instrument's fields. Two things are not: `source`, which can name a
person, and the serial number as written: only its digest is kept, for the one question asked of it, whether
two records are of one instrument. Serial numbers are short, so whoever holds a bundle can try each of them:
the digest keeps numbers from being read out of a bundle, not from being confirmed.
"""

from __future__ import annotations

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

EVIDENCE = "evidence.npz"  # its name in a bundle

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
    """n records in order of day, then id; each column is a list of words and (n,) codes into it.

    `words`: column → its distinct CSV texts. `codes`: column → (n,) integers. `specimens`: (n,) uint64.
    A column whose text is empty is not known.
    """

    words: Mapping[str, tuple[str, ...]]
    codes: Mapping[str, NDArray[Any]]
    specimens: NDArray[np.uint64]

    def __len__(self) -> int:
        return len(self.specimens)

    @classmethod
    def of(cls, rows: Iterable[Evidence]) -> EvidenceSnapshot:
        """Keep these canonical rows."""
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
        """As npz: codes as integers, words as UTF-8 with a line feed between them."""
        arrays: dict[str, NDArray[Any]] = {"specimens": self.specimens}
        for name in _COLUMNS:
            text = "\n".join(self.words[name]).encode()
            arrays[f"{name}.words"] = np.frombuffer(text, np.uint8)
            arrays[f"{name}.codes"] = self.codes[name]
        out = io.BytesIO()
        np.savez_compressed(out, **arrays)  # type: ignore[arg-type]  # no array is named as its flag
        return out.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> EvidenceSnapshot:
        """Read what `to_bytes` wrote. Raises KeyError or ValueError for anything else."""
        with np.load(io.BytesIO(data), allow_pickle=False) as npz:
            specimens = npz["specimens"]
            texts = {name: npz[f"{name}.words"].tobytes().decode() for name in _COLUMNS}
            codes = {name: npz[f"{name}.codes"] for name in _COLUMNS}
        words = {name: tuple(text.split("\n")) for name, text in texts.items()}
        return cls(words, codes, specimens)

    # ── asking ───────────────────────────────────────────────────────────────

    def of_model(self, maker: str, model: str) -> NDArray[np.int64]:
        """Positions of the records of this model, spelled as in the catalogue, in order."""
        makers, models = self.code("maker", maker), self.code("model", model)
        return np.flatnonzero((self.codes["maker"] == makers) & (self.codes["model"] == models))

    def of_specimen(self, it: Instrument) -> NDArray[np.int64]:
        """Positions of the records of this very instrument, in order; none without a serial."""
        digest = specimen_digest(it)
        return np.flatnonzero(self.specimens == np.uint64(digest)) if digest else np.zeros(0, np.int64)

    def code(self, column: str, word: str) -> int:
        """The code of a text in a column, −1 where no record has it."""
        return self._positions[column].get(word, -1)

    def values(self, flat: str) -> tuple[Value, ...]:
        """The values of a field's words, in their order; None for not known."""
        return tuple(parse_cell(BY_FLAT[flat], word) for word in self.words[flat])

    @cached_property
    def days(self) -> NDArray[np.int64]:
        """(n,) ordinals."""
        ordinals = np.array([date.fromisoformat(w).toordinal() for w in self.words["day"] if w], np.int64)
        return ordinals[self.codes["day"]] if len(self) else np.zeros(0, np.int64)

    @cached_property
    def _positions(self) -> Mapping[str, Mapping[str, int]]:
        few = {"maker", "model", "kind", "channel", *_FIELDS}
        return {name: {w: at for at, w in enumerate(self.words[name])} for name in few}

    def evidence(self, positions: Sequence[int] | NDArray[np.int64]) -> list[Evidence]:
        """The records at these positions; serial and source are empty."""
        return [self._record(int(at)) for at in positions]

    def _word(self, column: str, at: int) -> str:
        return self.words[column][int(self.codes[column][at])]

    def _record(self, at: int) -> Evidence:
        it: dict[str, Any] = {flat: parse_cell(BY_FLAT[flat], self._word(flat, at)) for flat in _FIELDS}
        own = {name: self._word(name, at) for name in _OWN}
        return Evidence(
            id=own["id"],
            kind=own["kind"],
            day=date.fromisoformat(own["day"]),
            price=Decimal(own["price"]),
            currency=own["currency"],
            channel=own["channel"],
            source="",
            instrument=Instrument(**it),
        )


NO_EVIDENCE = EvidenceSnapshot.of(())
