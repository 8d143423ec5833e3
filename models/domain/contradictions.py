"""Find the details of an instrument that contradict the catalogue; they are reported, not refused."""

from collections.abc import Sequence
from dataclasses import dataclass

from models.domain.catalogue import Catalogue, Edition, Model
from models.domain.instrument import Instrument
from models.domain.names import nearest


@dataclass(frozen=True)
class Contradiction:
    """One field on which an instrument and the catalogue disagree. `code`: of the caution that reports it.

    `then`: sentences that say how the instrument was valued all the same and suggest the nearest names.
    """

    code: str
    field: str
    detail: str
    then: str = ""


def contradictions(catalogue: Catalogue, it: Instrument) -> tuple[Contradiction, ...]:
    """List the fields on which the instrument contradicts its catalogue entry. Raises UnknownNameError."""
    model = catalogue.find(it.maker, it.model)
    found: list[Contradiction] = []
    name = f"{model.maker} {model.name}"
    if it.year is not None and not model.first_year <= it.year <= model.last_year:
        detail = f"year {it.year} ({name} is recorded for {model.first_year}–{model.last_year})"
        nearest_year = min(max(it.year, model.first_year), model.last_year)
        then = f"It was valued as one of {nearest_year}."
        found.append(Contradiction("year_outside_production", "year", detail, then))
    if it.finish is not None and model.lacks_finish(it.finish):
        offered = [f.name for f in model.finishes]
        detail = f"finish {it.finish} ({name} is recorded in {', '.join(offered)})"
        then = f"It was valued as if the finish were not known.{_nearest(it.finish, offered)}"
        found.append(Contradiction("finish_not_offered", "finish", detail, then))
    if it.figure is not None and it.figure > 0 and model.figured_top is False:
        detail = f"figure {it.figure:g} (no figured tops are recorded for {name})"
        found.append(Contradiction("figure_not_offered", "figure", detail, "It was valued as a plain top."))
    return (*found, *_edition_contradictions(model, it))


def _nearest(name: str, among: Sequence[str]) -> str:
    close = nearest(name, among)
    return f" Did you mean {' or '.join(close)}?" if close else ""


def _edition_contradictions(model: Model, it: Instrument) -> list[Contradiction]:
    found: list[Contradiction] = []
    edition, number = model.edition(it.edition), it.edition_number
    if it.edition is not None and edition is None:
        known = [e.name for e in model.editions]
        detail = f"edition {it.edition} (the catalogue records {', '.join(known) or 'no edition'})"
        then = _nearest(it.edition, known).strip()
        found.append(Contradiction("edition_not_recorded", "edition", detail, then))
    if number is None:
        return found + _edition_year(edition, it)
    if edition is None or edition.numbered is False:
        what = f"the {edition.name}" if edition else "this edition" if it.edition else "the standard model"
        detail = f"number {number} ({what} has no recorded numbers)"
        found.append(Contradiction("edition_not_numbered", "edition_number", detail))
    elif edition.production_total is not None and number > edition.production_total:
        detail = f"number {number} ({edition.production_total} of the {edition.name} are recorded)"
        found.append(Contradiction("edition_number_above_total", "edition_number", detail))
    return found + _edition_year(edition, it)


def _edition_year(edition: Edition | None, it: Instrument) -> list[Contradiction]:
    if edition is None or it.year is None:
        return []
    first, last = edition.first_year, edition.last_year
    if (first is None or it.year >= first) and (last is None or it.year <= last):
        return []
    span = f"{first or '?'}–{last or '?'}"
    detail = f"year {it.year} (the {edition.name} edition is recorded for {span})"
    return [Contradiction("year_outside_edition", "year", detail)]
