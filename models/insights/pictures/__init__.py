"""Pictures of a valuation as SVG text: self-contained, readable without colour and by a screen reader."""

from models.insights.pictures.index import index_picture
from models.insights.pictures.span import span_picture
from models.insights.pictures.walk import walk_picture

__all__ = ["index_picture", "span_picture", "walk_picture"]
