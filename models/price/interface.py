"""The questions that the rest of the project may ask of a price model, whatever is inside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

from models.domain.instrument import Subject
from models.domain.vocabulary import FIELDS, Family
from models.practice.reliance import Reliance
from models.price.core.basis import Floats

# The players of an attribution, in the one order that every effects array has.
FACTORS: tuple[str, ...] = (*(field.path for field in FIELDS), "day", "channel")
FAMILY_OF: Mapping[str, Family] = dict.fromkeys(FACTORS, Family.MARKET) | {f.path: f.family for f in FIELDS}


@dataclass(frozen=True)
class EvidenceWeight:
    """The amount of evidence behind one value.

    `direct_sales`: closed sales of the same model, edition and build. `effective_sales`: the number of sales
    that would fix the value as well as all evidence does. `word`: see `EVIDENCE_WORDS`.
    """

    word: str
    direct_sales: int
    effective_sales: float


# From most to least; the definitions are what the service and the documents print.
EVIDENCE_WORDS: Mapping[str, str] = {
    "many": "ten or more closed sales of the same model, edition and build",
    "several": "three to nine closed sales of the same model, edition and build",
    "few": "one or two closed sales of the same model, edition and build",
    "none": (
        "no closed sale of the same model, edition and build; "
        "the value is estimated from sales of similar instruments"
    ),
}


def evidence_word(direct_sales: int) -> str:
    """The word of `EVIDENCE_WORDS` for this many direct sales."""
    if direct_sales >= 10:
        return "many"
    return "several" if direct_sales >= 3 else "few" if direct_sales >= 1 else "none"


@dataclass(frozen=True)
class Estimate:
    """Values and ranges of n subjects, in log US dollars.

    `center`: (n,) median. `low`, `high`: (n, levels) ends of the central interval of each level, all from one
    distribution, so that low ≤ center ≤ high and levels nest. `weights`: one per subject.
    """

    center: Floats
    low: Floats
    high: Floats
    weights: tuple[EvidenceWeight, ...]


@dataclass(frozen=True)
class Assessment(Estimate):
    """The same with reasons.

    `reference_center`: (n,) median of each subject's typical instrument, of `references`. `effects`:
    (n, len(FACTORS)) baseline Shapley effects whose row sums are center − reference_center to 1e-9.
    """

    reference_center: Floats
    effects: Floats
    references: tuple[Subject, ...]


class PriceModel(Protocol):
    """A fitted price model. Every answer of a batch equals, to the bit, the answer of its row alone."""

    @property
    def first_evidence(self) -> date | None:
        """The day of the oldest evidence it was fitted on."""

    @property
    def last_evidence(self) -> date | None:
        """The day of the newest evidence it was fitted on."""

    @property
    def reliance(self) -> Reliance:
        """The shares of its fields' effects that rest on common practice."""

    def center(self, subjects: Sequence[Subject]) -> Floats:
        """(n,) median log price in US dollars. Subjects must be canonical (`Catalogue.canonical`)."""

    def assess(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Assessment:
        """Value, intervals at these levels (each in (0, 1)), reference and effects of each subject."""

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        """Value and intervals of each subject: those of `assess`, for less work."""

    def reference(self, subject: Subject) -> Subject:
        """The typical instrument that the subject is explained from: same model, day and channel."""

    def effects(self, subjects: Sequence[Subject], references: Sequence[Subject]) -> Floats:
        """(n, len(FACTORS)) baseline Shapley effects in log, pairwise, between two subjects of one model.

        Raises ValueError where their models differ.
        """

    def difference_sd(self, subjects: Sequence[Subject], others: Sequence[Subject]) -> Floats:
        """(n,) standard deviation in log of what is not known about the difference of two values, pairwise.

        What the two share, the noise of a sale above all, is not in it. A single other stands for all.
        """

    def noise_sd(self, subjects: Sequence[Subject]) -> Floats:
        """(n,) standard deviation in log of a sale of each subject around its value, were that known.

        What is not known of the instrument counts: a poorly described sale says less.
        """

    def warm(self) -> None:
        """Make ready what first answers would wait for; optional, and answers are the same without."""

    def to_files(self) -> dict[str, bytes]:
        """Everything needed to read it back: text, JSON and npz only."""
