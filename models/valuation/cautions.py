"""The cautions that accompany a value, and the conditions of each; their texts: `caution_texts`."""

from collections.abc import Iterator
from datetime import date
from functools import cache, lru_cache
from typing import NamedTuple

from models.domain.catalogue import Catalogue, Watchpoint
from models.domain.contradictions import contradictions
from models.domain.instrument import Instrument, Subject
from models.domain.parsing import Note
from models.domain.vocabulary import BY_PATH, NO_EDITION
from models.valuation.caution_texts import WORDING, Caution

# Shorter gaps are ordinary (holidays, a quiet season), so no caution is given for them.
_FRESH_EVIDENCE_DAYS = 31
_FRESH_RATE_DAYS = 7


class Grounds(NamedTuple):
    """The facts about a value's evidence that decide which cautions apply.

    `direct_sales`: number of closed sales of the same model, edition and build. `first_evidence`,
    `last_evidence`: days of the oldest and newest evidence. `rate_day`: the day of the exchange rate.
    `claimed`: whether the value has claims (`models.valuation.claims`). `provisional`: whether the price
    model is provisional.
    """

    direct_sales: int
    first_evidence: date | None
    last_evidence: date | None
    rate_day: date | None = None
    claimed: bool = False
    provisional: bool = False


def cautions_for(subject: Subject, catalogue: Catalogue, grounds: Grounds) -> tuple[Caution, ...]:
    """Return all cautions on a value, contradictions with the catalogue first. Raises UnknownNameError."""
    model = catalogue.find(subject.instrument.maker, subject.instrument.model)
    differing = [
        Caution(
            c.code,
            f"This differs from the catalogue: {c.detail}. The catalogue may be incomplete: have a qualified "
            f"appraiser check the instrument. {c.then}".strip(),
            c.field,
        )
        for c in contradictions(catalogue, subject.instrument)
    ]
    found = [
        *differing,
        *map(_about_note, subject.notes),
        *_about_value(subject, grounds),
    ]
    found += [*_about_instrument(subject.instrument), *_watchpoints(model.watchpoints)]
    found.append(_plain("estimate_not_appraisal"))
    return tuple(found)


# Added to a caution on a word that was read as another one.
_CORRECT = "If that is wrong, the owner can correct it."


@cache
def _plain(code: str, field: str | None = None) -> Caution:
    return Caution(code, WORDING[code], field)


def _about_note(note: Note) -> Caution:
    head = f"{BY_PATH[note.field].label.capitalize()}: “{note.word}” was read as"
    if note.field == "edition" and note.word in NO_EDITION:
        return Caution(
            "edition_word_means_none", f"{head} no edition: the standard model. {_CORRECT}", note.field
        )
    return Caution("placeholder_not_known", f"{head} not known. {_CORRECT}", note.field)


def _about_value(subject: Subject, grounds: Grounds) -> Iterator[Caution]:
    it, day = subject.instrument, subject.day
    first, last = grounds.first_evidence, grounds.last_evidence
    if it.originality_pickups == "missing" and it.condition_electronics == "working":
        yield _plain("missing_pickups_cannot_work", "condition.electronics")
    if it.year is not None and it.year > day.year:
        yield _plain("year_after_value_date", "year")
    if grounds.provisional:
        yield _plain("provisional_price_model")
    if grounds.claimed:
        yield _plain("claims_need_documents")
    if grounds.direct_sales == 0:
        yield _plain("no_direct_sale")
    if last is not None and (day - last).days > _FRESH_EVIDENCE_DAYS:
        yield _plain("value_date_after_evidence")
    if first is not None and day < first:
        yield _plain("value_date_before_evidence")
    if grounds.rate_day is not None and (day - grounds.rate_day).days > _FRESH_RATE_DAYS:
        yield _plain("rate_older_than_value")


def _about_instrument(it: Instrument) -> Iterator[Caution]:
    changed = any(part not in (None, "original") for part in _recognisable_parts(it))
    if it.edition and changed:
        yield _plain("edition_part_changed", "edition")
    if it.edition and (it.provenance_paperwork or it.provenance_case == "original"):
        yield _plain("accessories_counterfeited", "provenance.case")
    if it.condition_electronics is None:
        yield _plain("electronics_untested", "condition.electronics")
    if it.condition_electronics != "working":
        yield _plain("mains_amplifier", "condition.electronics")
    if None in (it.originality_finish, it.originality_pickups, it.originality_wiring, it.originality_routing):
        yield _plain("do_not_dismantle")
    for code in ("protected_materials", "old_materials_in_repair", "shipping"):
        yield _plain(code)
    yield _plain("do_not_clean_first", "originality.finish")
    yield _plain("check_serial_and_title", "serial")
    yield _plain("seller_receives_less")


def _recognisable_parts(it: Instrument) -> tuple[str | None, ...]:
    return (
        it.originality_pickups,
        it.originality_tuners,
        it.originality_bridge,
        it.originality_tailpiece,
        it.originality_pickguard,
    )


_ASK = "A qualified technician can tell for certain."


@lru_cache(maxsize=4096)
def _watchpoints(points: tuple[Watchpoint, ...]) -> tuple[Caution, ...]:
    return tuple(
        Caution("watchpoint", f"Look at the {point.part}: {point.note.rstrip('.')}. {_ASK}")
        for point in points
    )
