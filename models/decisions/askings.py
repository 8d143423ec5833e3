"""The evidence of asking prices and declined offers: what such prices came down to, or were declined at."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.decisions.resale import quantiles
from models.domain.evidence import Evidence
from models.domain.evidence_snapshot import EvidenceSnapshot
from models.domain.instrument import Subject
from models.price.core.basis import Floats, Ints
from models.valuation.valuer import Valuer

LEAST_RECORDS = 5  # Fewer records say nothing: one odd price would move their median.
_MOST_RECORDS = 60  # The newest records that are valued, as of comparables (`models.insights.comparables`).
_SOLD_WITHIN = 365  # Days from an asking price to the sale that counts as what became of it.
_QUARTERS = (0.25, 0.5, 0.75)
OF_MODEL, OF_ALL = "model", "all_models"


@dataclass(frozen=True)
class PriceShares:
    """Shares that records of one kind say, by quartile: `low`, `median` and `high`.

    `records`: their number. `of`: `OF_MODEL` if all are of the instrument's model, else `OF_ALL`.
    """

    records: int
    of: str
    low: float
    median: float
    high: float


@dataclass(frozen=True)
class PriceTalk:
    """The evidence about prices that were not paid; None where it holds fewer than `LEAST_RECORDS`.

    `asked`: value / asking price, by the price model on the day of the asking, in its channel. `sold`: price
    paid / asking price of one instrument that sold within a year. `declined`: offer / value, likewise.
    """

    asked: PriceShares | None
    sold: PriceShares | None
    declined: PriceShares | None


def price_talk(valuer: Valuer, subject: Subject, asked_in: str | None = None) -> PriceTalk:
    """Return what records up to the subject's day say. `asked_in`: only askings of this channel count.

    Records of the subject's model are used, or of all models where it has too few.
    """
    snapshot = valuer.snapshot
    it = valuer.canonical(subject).instrument
    earlier = snapshot.days <= subject.day.toordinal() if len(snapshot) else np.zeros(0, bool)
    asking, offer = (earlier & _is(snapshot, "kind", kind) for kind in ("asking", "offer"))
    if asked_in is not None:
        asking &= _is(snapshot, "channel", asked_in)
    of_model = np.zeros(len(snapshot), bool)
    of_model[snapshot.of_model(it.maker, it.model)] = True
    asked, asked_of = _newest(asking, of_model)
    declined, declined_of = _newest(offer, of_model)
    shares = _over_value(valuer, [*asked, *declined])
    pairs = _sold(snapshot, np.flatnonzero(asking), earlier & _is(snapshot, "kind", "sale"))
    own = [pair for pair in pairs if of_model[pair[0]]]
    sold, sold_of = (own, OF_MODEL) if len(own) >= LEAST_RECORDS else (pairs, OF_ALL)
    return PriceTalk(
        _shares(1 / shares[: len(asked)], asked_of),
        _shares(_paid_over_asked(valuer, sold[-_MOST_RECORDS:]), sold_of),
        _shares(shares[len(asked) :], declined_of),
    )


def _is(snapshot: EvidenceSnapshot, column: str, word: str) -> np.ndarray:
    return np.asarray(snapshot.codes[column] == snapshot.code(column, word))


def _newest(wanted: np.ndarray, of_model: np.ndarray) -> tuple[Ints, str]:
    """Return the positions of the newest wanted records: of the model if it has enough, else of all."""
    own = np.flatnonzero(wanted & of_model)
    enough = len(own) >= LEAST_RECORDS
    found = own if enough else np.flatnonzero(wanted)
    return found[-_MOST_RECORDS:], OF_MODEL if enough else OF_ALL


def _over_value(valuer: Valuer, positions: Sequence[int]) -> Floats:
    """Return (n,) prices of these records over their values."""
    if not positions:
        return np.zeros(0)
    records = valuer.snapshot.evidence(positions)
    return np.exp(_logs(valuer, records) - valuer.model.center([record.subject for record in records]))


def _sold(snapshot: EvidenceSnapshot, asking: Ints, sale: np.ndarray) -> list[tuple[int, int]]:
    """Return the positions of asking prices and of the next sale of the same instrument within a year."""
    sales: dict[int, list[int]] = {}
    for at in np.flatnonzero(sale & (snapshot.specimens != 0)).tolist():
        sales.setdefault(int(snapshot.specimens[at]), []).append(at)
    out = []
    for at in asking.tolist():
        later = (
            s for s in sales.get(int(snapshot.specimens[at]), ()) if snapshot.days[s] > snapshot.days[at]
        )
        first = next(later, None)
        if first is not None and snapshot.days[first] - snapshot.days[at] <= _SOLD_WITHIN:
            out.append((at, first))
    return out


def _paid_over_asked(valuer: Valuer, pairs: Sequence[tuple[int, int]]) -> Floats:
    asked, paid = (_logs(valuer, valuer.snapshot.evidence([p[k] for p in pairs])) for k in (0, 1))
    return np.exp(paid - asked)


def _logs(valuer: Valuer, records: Sequence[Evidence]) -> Floats:
    return np.log([record.usd(valuer.rates) for record in records]) if records else np.zeros(0)


def _shares(found: Floats, of: str) -> PriceShares | None:
    if len(found) < LEAST_RECORDS:
        return None
    return PriceShares(len(found), of, *quantiles(np.sort(found), _QUARTERS))
