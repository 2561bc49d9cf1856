"""Cells of a block of rows to columns of shots, with a report for every row that is none."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from asfound.intake.cell_reader import FIX_VALUE, CellReader, Cells
from asfound.intake.frames import FrameFacts
from asfound.intake.growing_column import GrowingColumn
from asfound.intake.mapping import Mapping
from asfound.intake.positions import Centre, check_positions
from asfound.intake.quantities import QUANTITIES
from asfound.intake.reports import Reporter
from asfound.intake.track import GAP, Track, place_by_time
from asfound.intake.words import LabelsBuilder
from asfound.model import Labels, Shots, Utility

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

DEEP = 10.0
"""A larger depth is remarked on [m]; common practice: EM locators seldom reach deeper."""
SD_FORMS: dict[str, tuple[float, float]] = {
    "1 sigma": (1.0, 1.0),
    "drms": (1.0, 1 / np.sqrt(2.0)),
    "2drms": (0.5, 0.5 / np.sqrt(2.0)),
    "95 percent": (1 / 1.959964, 1 / 2.447747),
    "cep": (1.0, 1 / 1.177410),
}
"""Factor to one standard deviation of an axis, from a value of one axis and from a radial one.

Source: the normal distribution: 95 % of one axis lies within 1.9600 sigma, of a circle within
2.4477 sigma, 50 % of a circle (CEP) within 1.1774; DRMS = sqrt(2) sigma for equal axes.
"""
_USUAL_SD = {"horizontal_sd": "drms"}
_HEIGHTS = (-500.0, 9000.0)
TEXT_COLUMNS = ("line", "hookup", "receiver", "control", "note", "name")
_CODE_COLUMNS = ("utility", "method", "fix")
_ELSEWHERE = ("height", "time", "date", "frame", "easting", "northing")


class ShotsBuilder:
    """Shots from many blocks of cells.

    Parameters
    ----------
    mapping : Mapping
    facts : FrameFacts
    reporter : Reporter
    source_index : int
    track : Track or None
        Gives the positions of readings that have none.

    Attributes
    ----------
    count : int
        Shots so far.
    expected_rows : int
        How many rows there will be about: columns are laid out for it from the start.
    """

    def __init__(
        self,
        mapping: Mapping,
        facts: FrameFacts,
        reporter: Reporter,
        source_index: int,
        track: Track | None = None,
    ) -> None:
        self._track = track
        self._mapping = mapping
        self._facts = facts
        self._reporter = reporter
        self._source = source_index
        self._centre = Centre()
        self._arrays: dict[str, GrowingColumn] = {}
        self._labels: dict[str, LabelsBuilder] = {}
        self.count = 0
        self.expected_rows = 0

    def add(self, cells: Cells) -> None:
        """Takes in one block; rows that are no shots go to the reporter."""
        block = _Block(cells, self._mapping, self._facts, self._reporter)
        columns, labels, accepted = block.read(self._centre, self._track)
        every = bool(accepted.all())
        for name, array in columns.items():
            column = self._arrays.setdefault(name, GrowingColumn(array.dtype, self.expected_rows))
            column.add(array if every else array[accepted])
        for name, words in labels.items():
            kept = words if every else words.filter(pa.array(accepted))
            self._labels.setdefault(name, LabelsBuilder()).add(kept)
        self.count += int(accepted.sum())

    def done(self) -> Shots:
        """All shots taken in."""
        columns: dict[str, object] = {}
        for name in list(self._arrays):
            columns[name] = self._arrays.pop(name).done()
        for name in list(self._labels):
            columns[name] = self._labels.pop(name).done()
        empty = np.empty(0)
        x, y = columns.pop("x", empty), columns.pop("y", empty)
        columns["source"] = self._source
        _share_missing(columns, self.count)
        return Shots.build(x, y, **columns)  # type: ignore[arg-type]


def _share_missing(columns: dict[str, object], count: int) -> None:
    """Fills columns that the file does not have from one array of NaN and one of no labels.

    Half of the columns of most files; sharing them saves a third of the memory. They can't be
    written to.
    """
    nothing = np.full(count, np.nan)
    nothing.flags.writeable = False
    no_words = Labels.missing(count)
    no_words.codes.flags.writeable = False
    for column in fields(Shots):
        if column.name not in columns and column.name not in ("x", "y"):
            if column.type == "Floats":
                columns[column.name] = nothing
            elif column.type == "Labels":
                columns[column.name] = no_words


class _Block(CellReader):
    """One block on its way from cells to columns of shots."""

    def read(
        self, centre: Centre, track: Track | None
    ) -> tuple[dict[str, npt.NDArray[Any]], dict[str, pa.Array], Flags]:
        mapped = self.mapping.columns
        columns: dict[str, npt.NDArray[Any]] = {
            "row": self.cells.row.astype(np.int32),
            "line_number": self.cells.line.astype(np.int32),
        }
        labels: dict[str, pa.Array] = {}
        if "frame" in mapped:
            self.check_frame()
        columns["time"] = self.time()
        if track is not None:
            self._place(columns["time"], track, columns)
        columns["x"], columns["y"], height = self._position(centre)
        if height is not None:
            columns["height"] = height
        for name in mapped:
            if name in TEXT_COLUMNS:
                labels[name] = self.column(name)
            elif name in _CODE_COLUMNS:
                columns[name] = self.codes(name)
            elif name == "depth":
                columns[name] = self._depth()
            elif name not in _ELSEWHERE and QUANTITIES[name].dimension not in (
                "geographic",
                "hemisphere",
            ):
                columns[name] = self.number(name)
        if "utility" not in columns and self.mapping.utility != Utility.UNKNOWN:
            columns["utility"] = np.full(len(self.cells.row), self.mapping.utility, np.int8)
        self._derive(columns)
        return columns, labels, ~self.rejected

    def _place(
        self, time: npt.NDArray[np.datetime64], track: Track, columns: dict[str, npt.NDArray[Any]]
    ) -> None:
        """Positions by time, with the quality of the track's epochs."""
        placed = place_by_time(time, track)
        timeless = np.isnat(time) & ~self.rejected
        self.reject(
            timeless,
            "time",
            "the row has no usable time, by which it would be placed.",
            FIX_VALUE,
            [""] * int(timeless.sum()),
        )
        lost = ~placed.found & ~self.rejected
        where = np.flatnonzero(lost)
        self.reject(
            lost,
            "time",
            f"the track has no positions within {GAP:g} s around {{value}} UTC.",
            "Check the time zone and the receiver's clock, or give the log of that time.",
            np.datetime_as_string(time[where], unit="ms").tolist(),
        )
        own = self.mapping.columns
        columns.update({key: col for key, col in placed.columns.items() if key not in own})
        if "horizontal_sd" in own:
            columns.pop("east_sd", None)
            columns.pop("north_sd", None)
        self.position = (placed.longitude, placed.latitude, placed.height)

    def _depth(self) -> Floats:
        values = self.values("depth")
        number = values.number
        if self.mapping.columns["depth"].form == "negative":
            number = -number
        with np.errstate(invalid="ignore"):
            negative = number < 0
        if values.bad.any():
            self.reject(
                values.bad,
                "depth",
                "the depth '{value}' can't be read.",
                FIX_VALUE,
                values.shown(np.flatnonzero(values.bad)),
            )
        if negative.any():
            self.reject(
                negative,
                "depth",
                "the depth {value} points upwards: a depth is measured downwards from the ground.",
                'If the file writes depths as negative numbers, set form = "negative" under '
                "[columns.depth] in the mapping file; if the line is above ground, log it as a "
                "note.",
                values.shown(np.flatnonzero(negative)),
            )
        self.remark(
            number == 0,
            "depth",
            "a depth of 0 often stands for no reading.",
            "Leave the cell empty in a copy of the file if there was no depth reading.",
            values.text,
        )
        self.remark(
            np.nan_to_num(number) > DEEP,
            "depth",
            f"a depth of '{{value}}' {self.mapping.columns['depth'].unit} is deeper than "
            f"{DEEP:g} m.",
            "Check the unit of the depth column and the reading.",
            values.text,
        )
        return number

    def _derive(self, columns: dict[str, npt.NDArray[Any]]) -> None:
        """Columns as `Shots` has them, from those that files have."""
        for name in ("east_sd", "north_sd", "up_sd", "horizontal_sd"):
            if name in columns and name in self.mapping.columns:
                form = self.mapping.columns[name].form or _USUAL_SD.get(name, "1 sigma")
                columns[name] = columns[name] * SD_FORMS[form][name == "horizontal_sd"]
        both = columns.pop("horizontal_sd", None)
        if both is not None:
            columns.setdefault("east_sd", both)
            columns.setdefault("north_sd", both)
        if "satellites" in columns:
            count = np.nan_to_num(columns["satellites"].astype(float), nan=-1.0)
            columns["satellites"] = np.clip(count, -1, 999).astype(np.int16)
        if "peak_null_separation" in columns:
            columns["peak_null_separation"] = np.abs(columns["peak_null_separation"])
        if "tilt_bearing" in columns:
            # A negative tilt leans the other way.
            turn = np.where(columns["tilt"] < 0, np.pi, 0.0) if "tilt" in columns else 0.0
            columns["tilt_bearing"] = (columns["tilt_bearing"] + turn) % (2 * np.pi)
        if "tilt" in columns:
            columns["tilt"] = np.abs(columns["tilt"])

    def _position(self, centre: Centre) -> tuple[Floats, Floats, Floats | None]:
        height = self._height() if "height" in self.mapping.columns else None
        if self.position is not None:
            x, y, up = self.position
            if height is None and not np.isnan(up).all():
                height = up
            nowhere = ~(np.isfinite(x) & np.isfinite(y)) & ~self.rejected
            self.reject(
                nowhere,
                "position",
                "no position: a coordinate is missing, NaN or infinite.",
                FIX_VALUE,
                [""] * int(nowhere.sum()),
            )
        else:
            x, y = self.axis("longitude", "easting"), self.axis("latitude", "northing")
        x, y = x.copy(), y.copy()  # Arrow's own memory can't be written to
        wrong = check_positions(x, y, self.facts, centre, ~self.rejected)
        for mask, field, reason, remedy, values in wrong.rejected:
            self.reject(mask, field, reason, remedy, values)
        for mask, field, reason, remedy, values in wrong.remarks:
            texts = np.full(len(mask), "", object)
            texts[mask] = values
            self.remark(mask, field, reason, remedy, pa.array(texts.tolist(), pa.string()))
        return x, y, height

    def _height(self) -> Floats:
        values = self.values("height")
        with np.errstate(invalid="ignore"):
            wrong = values.bad | (values.number < _HEIGHTS[0]) | (values.number > _HEIGHTS[1])
        self.remark(
            wrong,
            "height",
            "the height '{value}' can't be used and is left out.",
            "Correct it in a copy of the file if heights matter.",
            values.text,
        )
        return np.where(wrong, np.nan, values.number)
