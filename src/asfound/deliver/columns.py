"""The tables of a hand-over, defined once for every format.

A `Column` knows its name, heading, quantity, description and how to get it from a `Delivery`.
CSV, GeoJSON, GeoPackage, Shapefile, `results.json` and the documentation all read these
definitions, so a column can't mean two things in two files. Lengths are in the job's length unit
and grid coordinates in the CRS's own unit; the unit is part of the column's name
(``depth_ftUS``), never left to be remembered.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from asfound.deliver.about import About
from asfound.deliver.delivery import Delivery

Kind = Literal["text", "integer", "number", "time"]
Quantity = Literal["", "length", "grid", "degree", "year", "hertz", "ampere"]
Value = str | int | float | None
Values = npt.NDArray[np.generic] | Sequence[Value]

_FIXED_SUFFIXES = {
    "degree": "deg",
    "year": "year",
    "hertz": "Hz",
    "ampere": "mA",
}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Without its unit: ``'depth'``.
    short : str
        For Shapefile, without its unit; at most 10 characters with it.
    heading : str
        For people.
    kind : 'text', 'integer', 'number' or 'time'
    description : str
        What it is; one or two sentences, no unit.
    get : callable
        From a `Delivery`: SI values (n,), or sequence of str, int or None.
    quantity : str
        Which unit the number is in; empty for a pure number or text.
    decimals : int
        Digits after the point.
    """

    name: str
    short: str
    heading: str
    kind: Kind
    description: str
    get: Callable[[Delivery], Values]
    quantity: Quantity = ""
    decimals: int = 3

    def unit(self, about: About) -> str:
        """Symbol of its unit in this job; empty for a pure number or text."""
        if self.quantity == "length":
            return about.unit.symbol
        if self.quantity == "grid":
            return about.grid_unit.symbol
        return _FIXED_SUFFIXES.get(self.quantity, "")

    def field(self, about: About) -> str:
        """Name with its unit: ``'depth_ftUS'``."""
        unit = self.unit(about)
        return f"{self.name}_{unit}" if unit else self.name

    def short_field(self, about: About) -> str:
        """Name for Shapefile, at most 10 characters."""
        unit = self.unit(about) if self.quantity in ("length", "grid") else ""
        return (f"{self.short}_{unit}" if unit else self.short)[:10]

    def title(self, about: About) -> str:
        """Heading with its unit: ``'Depth [ftUS]'``."""
        unit = self.unit(about)
        return f"{self.heading} [{unit}]" if unit else self.heading


@dataclass(frozen=True)
class Table:
    """One table: a name, what a row is, its columns."""

    name: str
    title: str
    row: str
    columns: tuple[Column, ...]

    @property
    def file(self) -> str:
        """Name of its own file, without ending."""
        return self.name.replace("_", "-")


@dataclass(frozen=True, eq=False)
class Cells:
    """A table's values in this job, rounded and in output units; None where not known.

    Parameters
    ----------
    table : Table
    columns : tuple of list
        One list a column; str, int, float or None.
    about : About
    """

    table: Table
    columns: tuple[list[Value], ...]
    about: About

    def __len__(self) -> int:
        return len(self.columns[0])

    @cached_property
    def fields(self) -> tuple[str, ...]:
        """Names with units."""
        return tuple(column.field(self.about) for column in self.table.columns)

    def column(self, name: str) -> list[Value]:
        """Values of a column by its name without unit."""
        for column, values in zip(self.table.columns, self.columns, strict=True):
            if column.name == name:
                return values
        raise KeyError(name)

    def records(self) -> list[dict[str, Value]]:
        """Each row as a dictionary."""
        return [dict(zip(self.fields, row, strict=True)) for row in zip(*self.columns, strict=True)]


def cells(delivery: Delivery, table: Table) -> Cells:
    """Values of a table, computed once per delivery."""
    if table.name not in delivery.cells:
        columns = tuple(_column_values(delivery, column) for column in table.columns)
        delivery.cells[table.name] = Cells(table, columns, delivery.about)
    return delivery.cells[table.name]


def _column_values(delivery: Delivery, column: Column) -> list[Value]:
    values = column.get(delivery)
    if column.kind == "number":
        number = np.asarray(values, np.float64)
        if column.quantity == "length":
            number = delivery.length(number)
        elif column.quantity == "grid":
            number = delivery.grid(number)
        return rounded(number, column.decimals)
    if isinstance(values, np.ndarray):
        return list(values.tolist())
    return list(values)


def rounded(values: npt.NDArray[np.float64], decimals: int) -> list[Value]:
    """Rounded numbers, None for NaN and infinity, never minus zero."""
    # Adding 0.0 turns -0.0 into 0.0, so that no file shows a "-0.000".
    numbers = (np.round(values, decimals) + 0.0).tolist()
    if np.isfinite(values).all():
        return list(numbers)
    return [x if abs(x) < float("inf") else None for x in numbers]


def time_text(time: npt.NDArray[np.datetime64]) -> list[Value]:
    """ISO 8601 in UTC to the millisecond; None for NaT."""
    words = np.datetime_as_string(time.astype("datetime64[ms]"), unit="ms").tolist()
    return [None if word == "NaT" else word + "Z" for word in words]


def text(
    heading: str, name: str, short: str, description: str, get: Callable[[Delivery], Values]
) -> Column:
    """A text column."""
    return Column(name, short, heading, "text", description, get)


def integer(
    heading: str, name: str, short: str, description: str, get: Callable[[Delivery], Values]
) -> Column:
    """A column of whole numbers."""
    return Column(name, short, heading, "integer", description, get)


def length(
    heading: str, name: str, short: str, description: str, get: Callable[[Delivery], Values]
) -> Column:
    """A column of lengths in the job's unit."""
    return Column(name, short, heading, "number", description, get, "length", 3)


def grid(
    heading: str, name: str, short: str, description: str, get: Callable[[Delivery], Values]
) -> Column:
    """A column of grid coordinates in the CRS's own unit."""
    return Column(name, short, heading, "number", description, get, "grid", 3)


def degrees(
    heading: str,
    name: str,
    short: str,
    description: str,
    get: Callable[[Delivery], Values],
    decimals: int = 1,
) -> Column:
    """A column of angles in degrees."""
    return Column(name, short, heading, "number", description, get, "degree", decimals)


def number(
    heading: str,
    name: str,
    short: str,
    description: str,
    get: Callable[[Delivery], Values],
    decimals: int = 3,
    quantity: Quantity = "",
) -> Column:
    """A column of other numbers."""
    return Column(name, short, heading, "number", description, get, quantity, decimals)
