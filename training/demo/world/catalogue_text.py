"""The demo world's recorded facts, written as a catalogue that `models.domain.catalogue` reads."""

from collections.abc import Iterator

from training.demo.world.names import PARTS_TO_CHECK
from training.demo.world.workshops import World, WorldEdition, WorldModel


def catalogue_text(world: World) -> str:
    """Return the catalogue in TOML, with one table per model."""
    lines = ["# The demo market of the Sundry Reach: every name is invented.", ""]
    for number, model in enumerate(world.models):
        lines += [*_model_lines(number, model), ""]
    return "\n".join(lines)


def _model_lines(number: int, model: WorldModel) -> Iterator[str]:
    yield "[[model]]"
    yield f'maker = "{model.maker.name}"'
    yield f'name = "{model.named.name}"'
    yield f"first_year = {model.first_year}"
    yield f"last_year = {model.last_year}"
    yield f'body = "{model.named.body}"'
    yield f"figured_top = {str(model.named.figured).lower()}"
    for finish, share in zip(model.maker.finishes, model.shares, strict=True):
        if share > 0:
            yield "[[model.finish]]"
            yield f'name = "{finish}"'
            if model.shares_known:
                yield f"share = {share:.2f}"
    for edition in model.editions:
        yield from _edition_lines(edition)
    part, note = PARTS_TO_CHECK[number % len(PARTS_TO_CHECK)]
    yield "[[model.watchpoint]]"
    yield f'part = "{part}"'
    yield f'note = "{note}"'


def _edition_lines(edition: WorldEdition) -> Iterator[str]:
    yield "[[model.edition]]"
    yield f'name = "{edition.named.name}"'
    yield f"first_year = {edition.first_year}"
    yield f"last_year = {edition.last_year}"
    yield f"production_total = {edition.recorded}"
    yield f"numbered = {str(edition.named.numbered).lower()}"
