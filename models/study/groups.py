"""Groups of sales for which figures are given: by price, channel, build, edition, blanks and evidence."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from models.domain.evidence import Evidence
from models.domain.vocabulary import CHANNEL_NAMES, FIELDS, Family
from models.price.core.basis import Floats
from models.price.interface import EVIDENCE_WORDS, EvidenceWeight

Labels = list[str]

# Upper limits of the share of blank fields (of condition and originality) in each group, with its name.
_UNKNOWN_EDGES = ((0.1, "up to a tenth unknown"), (0.3, "up to three tenths"), (0.6, "up to six tenths"))
_MOST_UNKNOWN = "more than six tenths"
_JUDGED = tuple(f for f in FIELDS if f.family in (Family.CONDITION, Family.ORIGINALITY))
THIRDS = ("lower third", "middle third", "upper third")


def price_thirds(estimate: Floats) -> Labels:
    """Label each sale with the third of all estimates that its own estimate lies in.

    Thirds of prices would bias the figures: a sale at a chance high price would enter the upper group.
    """
    edges = np.quantile(estimate, [1 / 3, 2 / 3])
    return [THIRDS[int(k)] for k in np.searchsorted(edges, estimate, side="left")]


def unknown_share(sale: Evidence) -> str:
    """Return the name of the sale's group by its share of blank fields of condition and originality."""
    missing = sum(sale.instrument.get(field) is None for field in _JUDGED) / len(_JUDGED)
    return next((word for edge, word in _UNKNOWN_EDGES if missing <= edge), _MOST_UNKNOWN)


# Grouping → (names of its groups in order, function that returns the group of a sale).
_BY_SALE: Mapping[str, tuple[tuple[str, ...], Callable[[Evidence], str]]] = {
    "channel": (CHANNEL_NAMES, lambda sale: sale.channel),
    "build": (
        ("production", "prototype", "custom_order"),
        lambda sale: sale.instrument.build or "production",
    ),
    "edition": (
        ("standard model", "an edition"),
        lambda sale: "an edition" if sale.instrument.edition else "standard model",
    ),
    "unknown": ((*(word for _, word in _UNKNOWN_EDGES), _MOST_UNKNOWN), unknown_share),
}


def groupings(
    sales: Sequence[Evidence], estimate: Floats, weights: Sequence[EvidenceWeight]
) -> dict[str, dict[str, np.ndarray]]:
    """Group n sales in several ways: grouping → group → (n,) bool mask; empty groups are left out.

    `estimate`: (n,) values in money. `weights`: the amount of evidence behind each value.
    """
    labels: dict[str, tuple[Sequence[str], Labels]] = {"price": (THIRDS, price_thirds(estimate))}
    labels |= {name: (order, [of(sale) for sale in sales]) for name, (order, of) in _BY_SALE.items()}
    labels["evidence"] = (tuple(EVIDENCE_WORDS), [weight.word for weight in weights])
    out: dict[str, dict[str, np.ndarray]] = {}
    for name, (order, given) in labels.items():
        masks = {group: np.array([label == group for label in given]) for group in order}
        out[name] = {group: mask for group, mask in masks.items() if mask.any()}
    return out
