"""Comparable sales: the sales most like a subject, each adjusted to the subject line by line."""

from models.insights.comparables.choice import comparables
from models.insights.comparables.grid import Adjustment, Grid, Step, adjust, reconcile
from models.insights.comparables.kinds import Comparable, Comparables

__all__ = [
    "Adjustment",
    "Comparable",
    "Comparables",
    "Grid",
    "Step",
    "adjust",
    "comparables",
    "reconcile",
]
