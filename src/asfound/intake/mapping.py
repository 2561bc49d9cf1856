"""How a file is to be read: which column holds what, in which unit, in which frame.

A mapping holds declarations only. A value that could not be decided is ``'?'`` (`OPEN`); a file
is not read before every open value has been filled in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from asfound.model import Frame, Utility

OPEN = "?"
"""Stands in a mapping where asfound could not decide."""

NOT_GIVEN = float("nan")
"""The one NaN that mappings use, so that equal mappings compare equal."""

FORMATS = ("delimited", "nmea", "geojson", "geopackage", "shapefile", "kml")
KINDS = ("shots", "sweeps", "track", "readings without position")


@dataclass(frozen=True)
class Part:
    """A further column whose value is added, such as the inches beside a column of feet."""

    column: str | int
    unit: str


@dataclass(frozen=True)
class Column:
    """Where a quantity stands in the file, and in which unit and form.

    Parameters
    ----------
    column : str or int
        Header word, or number of the column from 1.
    unit : str
        One of the quantity's units; empty for words.
    form : str
        How the text is written: of angles ``'decimal'``, ``'dms'``, ``'packed-dms'`` or
        ``'packed-dm'``; the order of dates; what a standard deviation means; ``'negative'`` of
        depths written as negative numbers.
    hemisphere : str
        ``'N'``, ``'S'``, ``'E'``, ``'W'`` of values that carry neither sign nor letter.
    plus : tuple of Part
        Columns added to this one.
    only : tuple of str
        For the frame column: the words that mean the declared frame.
    """

    column: str | int
    unit: str = ""
    form: str = ""
    hemisphere: str = ""
    plus: tuple[Part, ...] = ()
    only: tuple[str, ...] = ()


@dataclass(frozen=True)
class Mapping:
    """How one file is to be read.

    Parameters
    ----------
    format, kind : str
        One of `FORMATS` and `KINDS`.
    encoding : str
        Of text; ``'utf-8'`` also takes a byte order mark.
    separator : str
        One character; a blank stands for any run of blanks.
    decimal : str
        ``'.'`` or ``','``.
    header_line : int
        Physical line of the header, from 1; 0: the file has none.
    layer : str
        Of a GeoPackage with several.
    columns : dict of str to Column
        By quantity (see `asfound.intake.quantities`).
    values : dict of str to dict
        Words of the file to words of asfound, by quantity.
    time_zone : str
        Of times without their own: ``'UTC'``, ``'GPS'``, ``'+hh:mm'`` or a zone name.
    frame : Frame
        Of the coordinates.
    position_accuracy : float
        1-sigma of the frame's label [m].
    position_of : str
        ``'antenna'`` or ``'ground'``.
    depth_to : str
        ``'centre'`` or ``'top'``.
    receiver, hookup, crew, antenna_height, utility
        For rows that don't say; antenna height in metres, NaN for none.
    short_rows : str
        ``'report'``, or ``'fill'`` where the writer leaves out empty fields at the end of a row.
    received : date or None
        Day the file came in: later times can't be right and are not used.
    assumed : tuple of str
        What the guess took for granted, in sentences; results repeat them.
    """

    format: str = "delimited"
    kind: str = "shots"
    encoding: str = "utf-8"
    separator: str = ","
    decimal: str = "."
    header_line: int = 1
    layer: str = ""
    columns: dict[str, Column] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    time_zone: str = ""
    frame: Frame = field(default_factory=lambda: Frame(OPEN))
    position_accuracy: float = 0.0
    position_of: str = "antenna"
    depth_to: str = "centre"
    receiver: str = ""
    hookup: str = ""
    crew: str = ""
    antenna_height: float = NOT_GIVEN
    utility: Utility = Utility.UNKNOWN
    short_rows: str = "report"
    received: date | None = None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Doubt:
    """Something about a file that could be understood otherwise.

    Parameters
    ----------
    field : str
        Quantity or setting it is about.
    what, why : str
        What was assumed or can't be decided, and what speaks for and against.
    remedy : str
        The key of the mapping file that settles it, and the option that sets it.
    """

    field: str
    what: str
    why: str
    remedy: str
