"""The sales that stand closest to an instrument, each brought line by line to it."""

from models.comparables.choice import comparables
from models.comparables.grid import Grid, Line, Step, adjust, reconcile
from models.comparables.kinds import Comparable, Comparables

__all__ = [
    "Comparable",
    "Comparables",
    "Grid",
    "Line",
    "Step",
    "adjust",
    "comparables",
    "reconcile",
]
