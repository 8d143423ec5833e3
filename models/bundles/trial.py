"""The trial of a bundle before its promotion: each model of its catalogue is valued once, with reasons."""

from datetime import UTC, datetime

import numpy as np

from models.bundles.bundle import Bundle
from models.domain.instrument import Instrument, Subject
from models.domain.vocabulary import DEFAULT_CHANNEL, DEFAULT_LEVELS
from models.errors import BundleDamagedError
from models.price.interface import Assessment
from models.valuation.valuer import Valuer


def check_values(bundle: Bundle) -> None:
    """Value the reference of every model, and an instrument of which nothing else is known.

    Raises BundleDamagedError if one of them has no value, or none that is a number inside its ranges.
    """
    try:
        with np.errstate(all="ignore"):
            wrong = _first_wrong(bundle.valuer)
    except Exception as error:  # a damaged bundle can raise anything
        raise BundleDamagedError(f"bundle {bundle.version}: it cannot value its models: {error!r}") from error
    if wrong is not None:
        name = f"{wrong.instrument.maker} {wrong.instrument.model}"
        raise BundleDamagedError(
            f"bundle {bundle.version}: its value of {name} is no number inside its ranges"
        )


def _first_wrong(valuer: Valuer) -> Subject | None:
    day = valuer.model.last_evidence or datetime.now(UTC).date()
    blank = [Subject(Instrument(m.maker, m.name), day, DEFAULT_CHANNEL) for m in valuer.catalogue.models]
    subjects = [*map(valuer.model.reference, blank), *blank]
    sound = _sound(valuer.model.assess(subjects, DEFAULT_LEVELS))
    if not sound.all():
        return subjects[int(np.argmin(sound))]
    valuer.value_all(subjects)
    return None


def _sound(found: Assessment) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return (n,) True where all figures of a subject are finite, and its value lies inside its ranges."""
    center = found.center[:, None]
    figures = np.concatenate(
        [center, found.reference_center[:, None], found.low, found.high, found.effects], 1
    )
    inside = (found.low <= center) & (center <= found.high)
    return np.asarray(np.isfinite(figures).all(axis=1) & inside.all(axis=1))
