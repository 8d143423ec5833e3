"""The one owner of the instrument's fields: their types, terms, meanings, families and order of loss.

Web forms, schemas, readers, feature columns and explanations are all made from `FIELDS`.
"""

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property


class Kind(StrEnum):
    """The type of a field's value."""

    TEXT = "text"
    INTEGER = "integer"
    NUMBER = "number"
    GRADE = "grade"  # A number from 0 to 5, not always whole.
    TERM = "term"
    FLAG = "flag"


class Family(StrEnum):
    """A group of fields whose effects on the price are added up in an explanation."""

    IDENTITY = "identity"
    RARITY = "rarity"
    CONDITION = "condition"
    ORIGINALITY = "originality"
    PROVENANCE = "provenance"
    MARKET = "market"


@dataclass(frozen=True)
class Term:
    """One allowed word of a field, or one grade of a scale, with what it means."""

    name: str
    meaning: str


@dataclass(frozen=True)
class Field:
    """A field of an instrument. `path`: name in JSON (condition.neck); `flat`: in CSV (condition_neck)."""

    path: str
    kind: Kind
    family: Family
    label: str
    meaning: str
    terms: tuple[Term, ...] = ()
    low: float | None = None
    high: float | None = None
    # True where terms run from best to worst, or grades from no wear to most: a step along them is a loss.
    loss_ordered: bool = False

    @cached_property
    def flat(self) -> str:
        return self.path.replace(".", "_")

    @cached_property
    def names(self) -> tuple[str, ...]:
        return tuple(term.name for term in self.terms)


MAX_TEXT = 200

# Texts that are read as "not known" instead of a value, compared in the form of `models.domain.names.normal`.
PLACEHOLDERS = frozenset({
    "unknown", "not known", "none known", "not sure", "n/a", "n.a.", "na", "tbc", "tbd",
    "?", "??", "???", "-", "--", "---", "–", "—",
})  # fmt: skip
# Words that mean the standard model in the field `edition`.
NO_EDITION = frozenset({"standard", "none"})


def _grades(*meanings: str) -> tuple[Term, ...]:
    return tuple(Term(str(grade), meaning) for grade, meaning in enumerate(meanings))


WEAR = _grades("none", "traces", "light", "moderate", "heavy", "worn through")
FIGURE = _grades("plain", "faint", "mild", "clear", "strong", "exceptional")
PART = (
    Term("original", "the part it left the maker with"),
    Term("period", "replaced with a part correct for the period"),
    Term("modern", "replaced with any other part"),
    Term("missing", "not there"),
)


def _wear(part: str, label: str) -> Field:
    meaning = f"wear of the {part}: 0 none, 1 traces, 2 light, 3 moderate, 4 heavy, 5 worn through"
    return Field(
        f"condition.{part}", Kind.GRADE, Family.CONDITION, f"{label} wear", meaning, WEAR, 0, 5, True
    )


def _part(part: str, label: str) -> Field:
    meaning = (
        f"{label}: as it left the maker, replaced with a part of the period or with any other, or missing"
    )
    return Field(
        f"originality.{part}", Kind.TERM, Family.ORIGINALITY, label, meaning, PART, loss_ordered=True
    )


def _terms(path: str, label: str, meaning: str, **terms: str) -> Field:
    """Make a field of these terms; those of condition and originality run from best to worst."""
    family = Family(path.partition(".")[0])
    found = tuple(Term(*term) for term in terms.items())
    return Field(path, Kind.TERM, family, label, meaning, found, loss_ordered=family != Family.PROVENANCE)


FIELDS: tuple[Field, ...] = (
    Field("maker", Kind.TEXT, Family.IDENTITY, "maker", "the maker, as the catalogue names it"),
    Field("model", Kind.TEXT, Family.IDENTITY, "model", "the model, as the catalogue names it"),
    Field(
        "edition",
        Kind.TEXT,
        Family.RARITY,
        "edition",
        "a limited or commemorative edition of the model; empty: the standard model",
    ),
    Field("year", Kind.INTEGER, Family.IDENTITY, "year", "year of manufacture", (), 1800, 2100),
    Field("finish", Kind.TEXT, Family.RARITY, "finish colour", "the finish colour as the maker named it"),
    Field(
        "serial", Kind.TEXT, Family.IDENTITY, "serial number", "serial number, as it stands on the instrument"
    ),
    Field(
        "edition_number",
        Kind.INTEGER,
        Family.RARITY,
        "number in the edition",
        "the instrument's own number within a numbered edition",
        low=1,
        high=10_000_000,
    ),
    Field(
        "build",
        Kind.TERM,
        Family.RARITY,
        "build",
        "what kind of build it is; empty counts as production and is reported as assumed",
        (
            Term("production", "made in the ordinary run"),
            Term("prototype", "made to try the design out"),
            Term("custom_order", "made to one buyer's order"),
        ),
    ),
    Field(
        "figure",
        Kind.GRADE,
        Family.RARITY,
        "figure of the top",
        "strength of the figure in a figured top: 0 plain to 5 exceptional",
        FIGURE,
        0,
        5,
    ),
    Field("weight_kg", Kind.NUMBER, Family.IDENTITY, "weight", "weight in kilograms", (), 0.5, 20),
    _wear("top", "top"),
    _wear("back", "back"),
    _wear("neck", "neck"),
    _wear("headstock", "headstock"),
    _wear("frets", "fret"),
    _wear("hardware", "hardware"),
    _terms(
        "condition.electronics",
        "electronics",
        "whether every coil, switch and control works",
        working="everything works",
        partial="some coil, switch or control does not work",
        dead="nothing works",
    ),
    _terms(
        "condition.structure",
        "structure",
        "cracks and breaks of the wood; the worst that applies",
        sound="no crack and no break",
        repaired_crack="a crack that was repaired",
        open_crack="a crack that is open",
        repaired_headstock="a headstock that broke and was repaired",
        broken_headstock="a headstock that is broken",
    ),
    _terms(
        "originality.finish",
        "finish originality",
        "whether the finish is the one it left the maker with",
        original="the maker's own finish",
        oversprayed="lacquer added over the maker's finish",
        refinished="stripped and finished again",
    ),
    _part("pickups", "pickups"),
    _part("wiring", "wiring"),
    _part("tuners", "tuners"),
    _part("bridge", "bridge"),
    _part("tailpiece", "tailpiece"),
    _part("nut", "nut"),
    _part("pickguard", "pickguard"),
    _terms(
        "originality.frets",
        "fret originality",
        "whether the frets were replaced",
        original="the maker's own frets",
        refretted="frets were replaced",
    ),
    _terms(
        "originality.routing",
        "extra holes or routing",
        "extra holes or routing, filled or open",
        none="no wood was cut",
        filled="extra holes or routing, filled again",
        open="extra holes or routing, open",
    ),
    _terms(
        "provenance.history",
        "ownership history",
        "the best documented level of ownership history",
        none="nothing documented",
        one_owner="one owner from new",
        documented="a documented chain of owners",
        notable="a documented owner or use of note",
    ),
    Field(
        "provenance.paperwork",
        Kind.FLAG,
        Family.PROVENANCE,
        "period paperwork",
        "whether receipts, tags or certificates of the period are with it",
    ),
    _terms(
        "provenance.case",
        "case",
        "the case that comes with it",
        original="the case it was sold with",
        period="a case correct for the period",
        modern="any other case",
        none="no case",
    ),
)

BY_PATH = {field.path: field for field in FIELDS}
BY_FLAT = {field.flat: field for field in FIELDS}

PARTS = tuple(field for field in FIELDS if field.terms is PART)  # Fields of parts that can be replaced.
GROUPS = ("condition", "originality", "provenance")  # Names of the nested objects in the JSON form.

CHANNELS = (
    Term("private", "between private persons"),
    Term("dealer", "from a dealer"),
    Term("auction", "at an auction, premium included"),
    Term("online", "on a website"),
)
CHANNEL_NAMES = tuple(term.name for term in CHANNELS)
DEFAULT_CHANNEL = "private"

KINDS = (
    Term("sale", "a closed sale at this price"),
    Term("asking", "listed at this price and not known to sell: worth about that or less"),
    Term("offer", "a buyer offered this price and the seller declined: worth about that or more"),
)
KIND_NAMES = tuple(term.name for term in KINDS)

DEFAULT_LEVELS = (0.5, 0.8, 0.9, 0.95)
