"""The catalogue of makers, models and editions: read from TOML, searched by name, and written again."""

from models.domain.catalogue.entries import BODIES, Catalogue, Edition, Finish, Model, Watchpoint
from models.domain.catalogue.reading import keys_beside, read_catalogue, read_entry
from models.domain.catalogue.writing import as_toml, entry_of

__all__ = [
    "BODIES",
    "Catalogue",
    "Edition",
    "Finish",
    "Model",
    "Watchpoint",
    "as_toml",
    "entry_of",
    "keys_beside",
    "read_catalogue",
    "read_entry",
]
