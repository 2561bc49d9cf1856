"""Cells of a block of rows to columns of shots, with a report for every row that is none."""

from __future__ import annotations

from collections.abc import Mapping as Dictionary
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from asfound.intake.angles import read_angles
from asfound.intake.clock import Moments, read_times
from asfound.intake.frames import FrameFacts
from asfound.intake.mapping import Mapping
from asfound.intake.numbers import Values, read_numbers, shown
from asfound.intake.positions import Centre, check_positions
from asfound.intake.quantities import QUANTITIES
from asfound.intake.reports import Reporter
from asfound.intake.words import LabelsBuilder, plain_words, read_codes, read_labels
from asfound.model import Labels, Shots, Utility

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

DEEP = 10.0
"""A larger depth is remarked on [m]; common practice: EM locators seldom reach deeper."""
TALL_POLE = 3.5
"""A larger antenna height is remarked on [m]; common practice: poles are 1.5 to 2.5 m."""
GRID_UNIT = "grid"
"""Unit of grid coordinates that are in the frame's own unit."""
_HEIGHTS = (-500.0, 9000.0)
_CLOCK_NOT_SET = np.datetime64("1990-01-01", "us")
_TOO_LATE = np.datetime64("2100-01-01", "us")

_FIX_VALUE = "Correct the value in a copy of the file and add that copy."
_LABEL_COLUMNS = ("line", "hookup", "receiver", "control", "note", "name")
_CODE_COLUMNS = ("utility", "method", "fix")

# Quantity, what is wrong, which values: such a value is left out, the row is kept.
_NOT_BELOW_ZERO = (
    "current", "frequency", "pdop", "hdop", "correction_age", "base_distance", "antenna_height",
    "speed",
)  # fmt: skip
_ABOVE_ZERO = ("east_sd", "north_sd", "up_sd", "horizontal_sd")


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells of a block of rows.

    Parameters
    ----------
    columns : dict of str or int to Arrow array
        By name or number, as the mapping has them.
    row, line : (n,) int64
    position : tuple of (x, y, height) or None
        Positions that do not stand in columns: of a geometry, or found by time.
    """

    columns: Dictionary[str | int, pa.Array]
    row: npt.NDArray[np.int64]
    line: npt.NDArray[np.int64]
    position: tuple[Floats, Floats, Floats] | None = None


class ShotsBuilder:
    """Shots from many blocks of cells.

    Parameters
    ----------
    mapping : Mapping
    facts : FrameFacts
    reporter : Reporter
    source_index : int
    """

    def __init__(
        self, mapping: Mapping, facts: FrameFacts, reporter: Reporter, source_index: int
    ) -> None:
        self._mapping = mapping
        self._facts = facts
        self._reporter = reporter
        self._source = source_index
        self._centre = Centre()
        self._arrays: dict[str, list[npt.NDArray[Any]]] = {}
        self._labels: dict[str, LabelsBuilder] = {}
        self.count = 0

    def add(self, cells: Cells) -> None:
        """Takes in one block; rows that are no shots go to the reporter."""
        block = _Block(cells, self._mapping, self._facts, self._reporter)
        columns, labels, accepted = block.read(self._centre)
        every = bool(accepted.all())
        for name, array in columns.items():
            self._arrays.setdefault(name, []).append(array if every else array[accepted])
        for name, words in labels.items():
            kept = words if every else words.take(np.flatnonzero(accepted))
            self._labels.setdefault(name, LabelsBuilder()).add(kept)
        self.count += int(accepted.sum())

    def done(self) -> Shots:
        """All shots taken in."""
        columns: dict[str, object] = {}
        for name in list(self._arrays):
            columns[name] = np.concatenate(self._arrays.pop(name))
        for name in list(self._labels):
            columns[name] = self._labels.pop(name).done()
        empty = np.empty(0)
        x, y = columns.pop("x", empty), columns.pop("y", empty)
        columns["source"] = self._source
        return Shots.build(x, y, **columns)  # type: ignore[arg-type]


class _Block:
    """One block on its way from cells to columns."""

    def __init__(
        self, cells: Cells, mapping: Mapping, facts: FrameFacts, reporter: Reporter
    ) -> None:
        self.cells, self.mapping, self.facts, self.reporter = cells, mapping, facts, reporter
        self.rejected = np.zeros(len(cells.row), bool)

    def read(self, centre: Centre) -> tuple[dict[str, npt.NDArray[Any]], dict[str, Labels], Flags]:
        mapped = self.mapping.columns
        columns: dict[str, npt.NDArray[Any]] = {
            "row": self.cells.row.astype(np.int32),
            "line_number": self.cells.line.astype(np.int32),
        }
        labels: dict[str, Labels] = {}
        if "frame" in mapped:
            self._check_frame()
        columns["time"] = self._time()
        columns["x"], columns["y"], height = self._position(centre)
        if height is not None:
            columns["height"] = height
        for name in mapped:
            quantity = QUANTITIES[name]
            if name in _LABEL_COLUMNS:
                labels[name] = read_labels(self._column(name))
            elif name in _CODE_COLUMNS:
                columns[name] = self._codes(name)
            elif name in ("height", "time", "date", "frame") or quantity.dimension in (
                "geographic",
                "hemisphere",
            ):
                continue
            elif name not in ("easting", "northing"):
                columns[name] = self._number(name)
        if "utility" not in columns and self.mapping.utility != Utility.UNKNOWN:
            columns["utility"] = np.full(len(self.cells.row), self.mapping.utility, np.int8)
        self._derive(columns)
        return columns, labels, ~self.rejected

    def _column(self, name: str) -> pa.Array:
        return self.cells.columns[self.mapping.columns[name].column]

    # Saying what is wrong

    def _reject(
        self, mask: Flags, field: str, reason: str, remedy: str, values: Sequence[str]
    ) -> None:
        where = np.flatnonzero(mask)
        self.reporter.reject(
            self.cells.row[where], self.cells.line[where], field, reason, remedy, values
        )
        self.rejected |= mask

    def _remark(self, mask: Flags, field: str, reason: str, remedy: str, cells: pa.Array) -> None:
        where = np.flatnonzero(mask & ~self.rejected)
        if len(where):
            self.reporter.remark(
                self.cells.row[where],
                self.cells.line[where],
                field,
                reason,
                remedy,
                lambda part: shown(cells, where[part]),
            )

    # Quantities

    def _check_frame(self) -> None:
        words = self.mapping.columns["frame"].only
        labels = read_labels(self._column("frame"))
        known = {plain_words(word) for word in words}
        other = np.array([plain_words(name) not in known for name in labels.names] + [False])
        mask = other[labels.codes]
        self._reject(
            mask,
            "frame",
            f"the row is in frame '{{value}}', the upload in {' or '.join(words)}.",
            "Put the rows of each frame into their own file and add each with its frame.",
            labels.words()[mask].tolist(),
        )

    def _values(self, name: str) -> Values:
        column = self.mapping.columns[name]
        dimension = QUANTITIES[name].dimension
        values = read_numbers(
            self.cells.columns[column.column],
            dimension,
            "m" if column.unit == GRID_UNIT else column.unit,
            column.form if column.form == "feet-inches" else "",
            self.mapping.decimal,
        )
        if not column.plus:
            return values
        number, missing, bad = values.number.copy(), values.missing.copy(), values.bad.copy()
        sign = np.where(np.signbit(number), -1.0, 1.0)
        for part in column.plus:
            more = read_numbers(
                self.cells.columns[part.column], dimension, part.unit, "", self.mapping.decimal
            )
            number = np.where(missing & ~more.missing, 0.0, number)
            number = number + sign * np.nan_to_num(more.number)
            missing &= more.missing
            bad |= more.bad | (np.nan_to_num(more.number) < 0)
        return Values(number, missing, bad, values.text)

    def _number(self, name: str) -> Floats:
        values = self._values(name)
        number = values.number
        title = QUANTITIES[name].title
        if name == "depth":
            return self._depth(values)
        unusable = values.bad
        with np.errstate(invalid="ignore"):
            if name in _NOT_BELOW_ZERO:
                unusable = unusable | (number < 0)
            elif name in _ABOVE_ZERO:
                unusable = unusable | (number <= 0)
            elif name == "tilt":
                unusable = unusable | (np.abs(number) > np.pi / 2)
        if unusable.any():
            self._remark(
                unusable,
                name,
                f"{title} '{{value}}' can't be used and is left out.",
                "Correct it if it matters.",
                values.text,
            )
            number = np.where(unusable, np.nan, number)
        if name == "antenna_height":
            tall = np.nan_to_num(number) > TALL_POLE
            unit = self.mapping.columns[name].unit
            self._remark(
                tall,
                name,
                f"an antenna height of '{{value}}' {unit} is taller than a pole; "
                "it may be in feet.",
                "If so, set the unit under [columns.antenna_height] in the mapping file.",
                values.text,
            )
        return number

    def _depth(self, values: Values) -> Floats:
        number = values.number
        with np.errstate(invalid="ignore"):
            negative = number < 0
        if values.bad.any():
            self._reject(
                values.bad,
                "depth",
                "the depth '{value}' can't be read.",
                _FIX_VALUE,
                values.shown(np.flatnonzero(values.bad)),
            )
        if negative.any():
            self._reject(
                negative,
                "depth",
                "the depth {value} is negative: a depth is measured downwards from the ground.",
                "If the file writes depths as negative heights, remove the sign in a copy; "
                "if the line is above ground, log it as a note.",
                values.shown(np.flatnonzero(negative)),
            )
        self._remark(
            number == 0,
            "depth",
            "a depth of 0 often stands for no reading.",
            "Leave the cell empty in a copy of the file if there was no depth reading.",
            values.text,
        )
        self._remark(
            np.nan_to_num(number) > DEEP,
            "depth",
            f"a depth of '{{value}}' {self.mapping.columns['depth'].unit} is deeper than "
            f"{DEEP:g} m.",
            "Check the unit of the depth column and the reading.",
            values.text,
        )
        return number

    def _codes(self, name: str) -> npt.NDArray[np.int8]:
        codes = read_codes(self._column(name), name, self.mapping.values.get(name, {}))
        if codes.unknown.any():
            self._remark(
                codes.unknown,
                name,
                f"the {QUANTITIES[name].title} '{{value}}' is not a word asfound knows.",
                f"Say what it means under [values.{name}] in the mapping file.",
                pa.array(codes.labels.words().tolist(), pa.string()),
            )
        code = codes.code
        if name == "utility" and self.mapping.utility != Utility.UNKNOWN:
            code = np.where(codes.labels.codes < 0, np.int8(self.mapping.utility), code)
        return code

    def _derive(self, columns: dict[str, npt.NDArray[Any]]) -> None:
        """Columns as `Shots` has them, from those that files have."""
        for name in ("east_sd", "north_sd", "up_sd", "horizontal_sd"):
            if name in columns:
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

    # Time

    def _time(self) -> npt.NDArray[np.datetime64]:
        moments = self.moments()
        if moments is None:
            nothing = np.full(len(self.cells.row), np.datetime64("NaT", "us"))
            if self.facts.needs_time:
                self._reject(
                    np.ones(len(nothing), bool),
                    "time",
                    "there is no time, and the frame moves with time.",
                    "Declare the epoch of the coordinates (epoch under [frame]; --epoch).",
                    [""] * len(nothing),
                )
            return nothing
        time = moments.time
        early = time < _CLOCK_NOT_SET
        late = time >= _TOO_LATE
        unusable = moments.bad | early | late
        if self.facts.needs_time:
            for mask, reason in (
                (moments.missing, "there is no time, and the frame moves with time."),
                (
                    moments.bad | late,
                    "the time '{value}' can't be read, and the frame moves with time.",
                ),
                (
                    early,
                    "the time '{value}' is before 1990, as if the clock was not set, and the frame "
                    "moves with time.",
                ),
            ):
                if mask.any():
                    self._reject(
                        mask,
                        "time",
                        reason,
                        "Correct the time, or declare the epoch of the coordinates (epoch under "
                        "[frame]; --epoch).",
                        shown(moments.text, np.flatnonzero(mask)),
                    )
        else:
            self._remark(
                moments.bad | late,
                "time",
                "the time '{value}' can't be read and is left out.",
                "Set form under [columns.time] to the order of day, month and year.",
                moments.text,
            )
            self._remark(
                early,
                "time",
                "the time '{value}' is before 1990, as if the clock was not set; it is left out.",
                "Correct it if the order of shots matters.",
                moments.text,
            )
        self._remark(
            moments.doubtful & ~unusable,
            "time",
            "the local time '{value}' was shown twice or not at all when the clock was changed.",
            "Log in UTC; the earlier of the two was taken.",
            moments.text,
        )
        if self.mapping.received is not None:
            latest = np.datetime64(self.mapping.received, "us") + np.timedelta64(2, "D")
            self._remark(
                (time >= latest) & ~unusable,
                "time",
                "the time '{value}' is later than the day on which the file was added.",
                "Check the receiver's clock, the time zone and the order of day and month.",
                moments.text,
            )
        return np.where(unusable, np.datetime64("NaT", "us"), time)

    def moments(self) -> Moments | None:
        """Times of the rows; None where the file has no time."""
        mapped = self.mapping.columns
        if "time" not in mapped:
            if "date" not in mapped:
                return None
            noon = pa.array(["12:00"] * len(self.cells.row))
            return self._moments(noon, self._column("date"), mapped["date"].form)
        date = self._column("date") if "date" in mapped else None
        form = mapped["date"].form if date is not None else mapped["time"].form
        return self._moments(self._column("time"), date, form)

    def _moments(self, time: pa.Array, date: pa.Array | None, form: str) -> Moments:
        return read_times(time, date, form or "iso", self.mapping.time_zone, self.mapping.decimal)

    # Position

    def _position(self, centre: Centre) -> tuple[Floats, Floats, Floats | None]:
        height = self._height() if "height" in self.mapping.columns else None
        if self.cells.position is not None:
            x, y, up = self.cells.position
            if height is None and not np.isnan(up).all():
                height = up
        else:
            x, y = self._axis("longitude", "easting"), self._axis("latitude", "northing")
        x, y = x.copy(), y.copy()  # Arrow's own memory can't be written to
        wrong = check_positions(x, y, self.facts, centre, ~self.rejected)
        for mask, field, reason, remedy, values in wrong.rejected:
            self._reject(mask, field, reason, remedy, values)
        for mask, field, reason, remedy, values in wrong.remarks:
            texts = np.full(len(mask), "", object)
            texts[mask] = values
            self._remark(mask, field, reason, remedy, pa.array(texts.tolist(), pa.string()))
        return x, y, height

    def _axis(self, angle: str, length: str) -> Floats:
        name = angle if angle in self.mapping.columns else length
        if name == angle:
            values = self._angle(angle)
        else:
            values = self._values(length)
            own = self.mapping.columns[length].unit == GRID_UNIT
            if self.facts.unit_metres != 1.0 and not own:
                values = Values(
                    values.number / self.facts.unit_metres,
                    values.missing,
                    values.bad,
                    values.text,
                )
        if values.bad.any():
            self._reject(
                values.bad,
                name,
                f"the {name} '{{value}}' can't be read.",
                _FIX_VALUE,
                values.shown(np.flatnonzero(values.bad)),
            )
        absent = values.missing & ~values.bad
        if absent.any():
            texts = values.shown(np.flatnonzero(absent))
            self._reject(
                absent,
                name,
                f"no position: the {name} is missing ('{{value}}')."
                if any(texts)
                else f"no position: the {name} is missing.",
                "Nothing to mend if the receiver had no position; else correct a copy of the file.",
                texts,
            )
        return values.number

    def _angle(self, name: str) -> Values:
        column = self.mapping.columns[name]
        letters = None
        if f"{name}_hemisphere" in self.mapping.columns:
            letters = self._column(f"{name}_hemisphere")
        if column.plus:
            return self._values(name)
        return read_angles(
            self.cells.columns[column.column],
            name,
            column.unit,
            column.form,
            column.hemisphere,
            letters,
            self.mapping.decimal,
        )

    def _height(self) -> Floats:
        values = self._values("height")
        with np.errstate(invalid="ignore"):
            wrong = values.bad | (values.number < _HEIGHTS[0]) | (values.number > _HEIGHTS[1])
        self._remark(
            wrong,
            "height",
            "the height '{value}' can't be used and is left out.",
            "Correct it in a copy of the file if heights matter.",
            values.text,
        )
        return np.where(wrong, np.nan, values.number)


# Factor to one standard deviation: of one axis, and of each of two horizontal axes. Source:
# normal distribution: 1.9600 for 95 % of one axis; circular 95 % 2.4477, 50 % (CEP) 1.1774;
# DRMS = sqrt(2) sigma for equal axes.
SD_FORMS: dict[str, tuple[float, float]] = {
    "1 sigma": (1.0, 1.0),
    "drms": (1.0, 1 / np.sqrt(2.0)),
    "2drms": (0.5, 0.5 / np.sqrt(2.0)),
    "95 percent": (1 / 1.959964, 1 / 2.447747),
    "cep": (1.0, 1 / 1.177410),
}
_USUAL_SD = {"horizontal_sd": "drms"}

__all__ = ["GRID_UNIT", "SD_FORMS", "Cells", "ShotsBuilder"]
