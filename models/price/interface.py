"""The interface of a price model, and the types of its answers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Protocol

from models.domain.instrument import Subject
from models.domain.vocabulary import FIELDS, Family
from models.practice.reliance import Reliance
from models.price.core.basis import Floats

# The factors that a value is explained by, in the order of the columns of every array of effects.
FACTORS: tuple[str, ...] = (*(field.path for field in FIELDS), "day", "channel")
FAMILY_OF: Mapping[str, Family] = dict.fromkeys(FACTORS, Family.MARKET) | {f.path: f.family for f in FIELDS}


@dataclass(frozen=True)
class EvidenceWeight:
    """The amount of evidence behind one value.

    `direct_sales`: number of closed sales of the same model, edition and build. `effective_sales`: number of
    sales of just such an instrument that would pin the value down as well as all the evidence does. `word`: a
    key of `EVIDENCE_WORDS`.
    """

    word: str
    direct_sales: int
    effective_sales: float


# The words for the amount of evidence, from most to least, with the meanings that users are shown.
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
    """Return the word of `EVIDENCE_WORDS` for this many direct sales."""
    if direct_sales >= 10:
        return "many"
    return "several" if direct_sales >= 3 else "few" if direct_sales >= 1 else "none"


@dataclass(frozen=True)
class Estimate:
    """Values and ranges of n subjects, in log US dollars.

    `center`: (n,) median prices. `low`, `high`: (n, levels) ends of the central interval of each level. All
    ends come from one distribution, so that low ≤ center ≤ high and a wider level contains a narrower one.
    `weights`: the amount of evidence behind each value.
    """

    center: Floats
    low: Floats
    high: Floats
    weights: tuple[EvidenceWeight, ...]


@dataclass(frozen=True)
class Assessment(Estimate):
    """Values and ranges of n subjects, with the effects that explain each value from a reference.

    `references`: the typical instrument that each subject is explained from. `reference_center`: (n,) their
    medians, in log US dollars. `effects`: (n, len(FACTORS)) baseline Shapley effects, in log; each row sums
    to center − reference_center within 1e-9.
    """

    reference_center: Floats
    effects: Floats
    references: tuple[Subject, ...]


class PriceModel(Protocol):
    """A fitted price model. A subject's answer is the same, to the bit, alone or among others in a call."""

    @property
    def first_evidence(self) -> date | None:
        """The day of the oldest evidence that the model was fitted on."""

    @property
    def last_evidence(self) -> date | None:
        """The day of the newest evidence that the model was fitted on."""

    @property
    def reliance(self) -> Reliance:
        """The share of each field's effect that rests on rules of common practice, not on evidence."""

    def center(self, subjects: Sequence[Subject]) -> Floats:
        """(n,) median log price in US dollars. Subjects must be canonical (`Catalogue.canonical`)."""

    def assess(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Assessment:
        """Return value, intervals, reference and effects of each subject; levels lie between 0 and 1."""

    def estimate(self, subjects: Sequence[Subject], levels: Sequence[float]) -> Estimate:
        """Return the values and intervals that `assess` gives, without the work of explaining them."""

    def reference(self, subject: Subject) -> Subject:
        """Return the typical instrument of the subject's model, on the same day and in the same channel."""

    def effects(self, subjects: Sequence[Subject], references: Sequence[Subject]) -> Floats:
        """Return (n, len(FACTORS)) baseline Shapley effects, in log, from each reference to its subject.

        Raises ValueError for a pair whose models (of instrument) differ.
        """

    def difference_sd(self, subjects: Sequence[Subject], others: Sequence[Subject]) -> Floats:
        """Return (n,) standard deviations, in log, of the difference in value of each subject and its other.

        Subjects and `others` are paired in order; a single other is paired with every subject. Uncertainty
        that both values share, above all the noise of a sale, does not count.
        """

    def noise_sd(self, subjects: Sequence[Subject]) -> Floats:
        """Return (n,) standard deviations, in log, of a sale price of each subject around its true value.

        Fields that are not known add to it, so that a poorly described sale counts for less.
        """

    def loadings(self, subjects: Sequence[Subject]) -> Floats:
        """Return (n, k) loadings, in log, of the errors that n ≥ 1 values of one day share.

        The product of two rows is the covariance of the errors of their two values. k is the same in every
        call. The part of a value's scatter that no other value shares is not in it.
        """

    def warm(self) -> None:
        """Fill caches so that the first answers are fast. Calling this is optional and changes no answer."""

    def to_files(self) -> dict[str, bytes]:
        """Return the model as files, name → content: text, JSON and npz only."""
