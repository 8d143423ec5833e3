"""The sales that stand closest to an instrument, each brought line by line to it."""

from models.insights.comparables.choice import comparables
from models.insights.comparables.grid import Grid, Line, Step, adjust, reconcile
from models.insights.comparables.kinds import Comparable, Comparables

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
