"""Reading the cells of a block of rows by a mapping, with a word on every one that is wrong.

What shots and sweeps have in common.
"""

from __future__ import annotations

from collections.abc import Mapping as Dictionary
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from asfound.intake.angles import read_angles
from asfound.intake.clock import Moments, read_times
from asfound.intake.frames import FrameFacts
from asfound.intake.mapping import Mapping
from asfound.intake.numbers import Values, read_numbers, shown
from asfound.intake.quantities import QUANTITIES
from asfound.intake.reports import Reporter
from asfound.intake.words import plain_words, read_codes, read_labels
from asfound.model import Utility

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Fault = tuple[Flags, str, str, str, list[str]]

GRID_UNIT = "grid"
"""Unit of grid coordinates that are in the frame's own unit."""
TALL_POLE = 3.5
"""A larger antenna height is remarked on [m]; common practice: poles are 1.5 to 2.5 m."""
FIX_VALUE = "Correct the value in a copy of the file and add that copy."

_CLOCK_NOT_SET = np.datetime64("1990-01-01", "us")
_TOO_LATE = np.datetime64("2100-01-01", "us")

# A value below (or not above) zero is left out; the row is kept.
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
    faults : tuple of (mask, field, reason, remedy, values)
        Rows that are known to be no good already.
    """

    columns: Dictionary[str | int, pa.Array]
    row: npt.NDArray[np.int64]
    line: npt.NDArray[np.int64]
    position: tuple[Floats, Floats, Floats] | None = None
    faults: tuple[Fault, ...] = ()


class CellReader:
    """Cells of one block, read quantity by quantity.

    Parameters
    ----------
    cells : Cells
    mapping : Mapping
    facts : FrameFacts
        Of the mapping's frame.
    reporter : Reporter

    Attributes
    ----------
    rejected : (n,) bool
        Rows that can't be used.
    """

    def __init__(
        self, cells: Cells, mapping: Mapping, facts: FrameFacts, reporter: Reporter
    ) -> None:
        self.cells, self.mapping, self.facts, self.reporter = cells, mapping, facts, reporter
        self.position = cells.position
        self.rejected = np.zeros(len(cells.row), bool)
        for fault in cells.faults:
            self.reject(*fault)

    def column(self, name: str) -> pa.Array:
        return self.cells.columns[self.mapping.columns[name].column]

    # Saying what is wrong

    def reject(
        self, mask: Flags, field: str, reason: str, remedy: str, values: Sequence[str]
    ) -> None:
        where = np.flatnonzero(mask)
        self.reporter.reject(
            self.cells.row[where], self.cells.line[where], field, reason, remedy, values
        )
        self.rejected |= mask

    def remark(self, mask: Flags, field: str, reason: str, remedy: str, cells: pa.Array) -> None:
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

    def check_frame(self) -> None:
        words = self.mapping.columns["frame"].only
        labels = read_labels(self.column("frame"))
        known = {plain_words(word) for word in words}
        other = np.array([plain_words(name) not in known for name in labels.names] + [False])
        mask = other[labels.codes]
        self.reject(
            mask,
            "frame",
            f"the row is in frame '{{value}}', the upload in {' or '.join(words)}.",
            "Put the rows of each frame into their own file and add each with its frame.",
            labels.words()[mask].tolist(),
        )

    def values(self, name: str) -> Values:
        column = self.mapping.columns[name]
        dimension = QUANTITIES[name].dimension
        values = read_numbers(
            self.cells.columns[column.column],
            dimension,
            "m" if column.unit == GRID_UNIT else column.unit,
            self.mapping.decimal,
        )
        if not column.plus:
            return values
        number, missing, bad = values.number.copy(), values.missing.copy(), values.bad.copy()
        sign = np.where(np.signbit(number), -1.0, 1.0)
        for part in column.plus:
            more = read_numbers(
                self.cells.columns[part.column], dimension, part.unit, self.mapping.decimal
            )
            number = np.where(missing & ~more.missing, 0.0, number)
            number = number + sign * np.nan_to_num(more.number)
            missing &= more.missing
            bad |= more.bad | (np.nan_to_num(more.number) < 0)
        return Values(number, missing, bad, values.text)

    def number(self, name: str) -> Floats:
        values = self.values(name)
        number = values.number
        title = QUANTITIES[name].title
        unusable = values.bad
        with np.errstate(invalid="ignore"):
            if name in _NOT_BELOW_ZERO:
                unusable = unusable | (number < 0)
            elif name in _ABOVE_ZERO:
                unusable = unusable | (number <= 0)
            elif name == "tilt":
                unusable = unusable | (np.abs(number) > np.pi / 2)
        if unusable.any():
            self.remark(
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
            self.remark(
                tall,
                name,
                f"an antenna height of '{{value}}' {unit} is taller than a pole; "
                "it may be in another unit.",
                "If so, set the unit under [columns.antenna_height] in the mapping file.",
                values.text,
            )
        return number

    def codes(self, name: str) -> npt.NDArray[np.int8]:
        codes = read_codes(self.column(name), name, self.mapping.values.get(name, {}))
        if codes.unknown.any():
            self.remark(
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

    def time(self) -> npt.NDArray[np.datetime64]:
        moments = self.moments()
        if moments is None:
            nothing = np.full(len(self.cells.row), np.datetime64("NaT", "us"))
            if self.facts.needs_time:
                self.reject(
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
        future = np.zeros(len(time), bool)
        if self.mapping.received is not None:
            # A day's grace for time zones.
            latest = np.datetime64(self.mapping.received, "us") + np.timedelta64(2, "D")
            future = (time >= latest) & ~late
        unusable = moments.bad | early | late | future
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
                (
                    future,
                    "the time '{value}' is later than the day on which the file was added, and the "
                    "frame moves with time.",
                ),
            ):
                if mask.any():
                    self.reject(
                        mask,
                        "time",
                        reason,
                        "Correct the time, or declare the epoch of the coordinates (epoch under "
                        "[frame]; --epoch).",
                        shown(moments.text, np.flatnonzero(mask)),
                    )
        else:
            self.remark(
                moments.bad | late,
                "time",
                "the time '{value}' can't be read and is left out.",
                "Set form under [columns.time] to the order of day, month and year.",
                moments.text,
            )
            self.remark(
                early,
                "time",
                "the time '{value}' is before 1990, as if the clock was not set; it is left out.",
                "Correct it if the order of shots matters.",
                moments.text,
            )
            self.remark(
                future,
                "time",
                "the time '{value}' is later than the day on which the file was added; it is left "
                "out.",
                "Check the receiver's clock, the time zone and the order of day and month.",
                moments.text,
            )
        self.remark(
            moments.doubtful & ~unusable,
            "time",
            "the local time '{value}' was shown twice or not at all when the clock was changed.",
            "Log in UTC; the earlier of the two was taken.",
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
            return self._moments(noon, self.column("date"), mapped["date"].form)
        date = self.column("date") if "date" in mapped else None
        form = mapped["date"].form if date is not None else mapped["time"].form
        return self._moments(self.column("time"), date, form)

    def _moments(self, time: pa.Array, date: pa.Array | None, form: str) -> Moments:
        return read_times(time, date, form or "iso", self.mapping.time_zone, self.mapping.decimal)

    def axis(self, angle: str, length: str) -> Floats:
        name = angle if angle in self.mapping.columns else length
        values = self.angle(angle) if name == angle else self.grid_values(length)
        if values.bad.any():
            where = np.flatnonzero(values.bad)
            texts = values.shown(where)
            letter = self.mapping.columns[name].hemisphere
            twice = np.array([bool(letter) and text[:1] in "-\u2212" for text in texts])
            for part, reason, remedy in (
                (~twice, f"the {name} '{{value}}' can't be read.", FIX_VALUE),
                (
                    twice,
                    f"the {name} '{{value}}' has a minus sign, but the column is declared {letter} "
                    "without signs.",
                    f"If the signs are right, leave {letter} out of --unit (hemisphere under "
                    f"[columns.{name}] in the mapping file).",
                ),
            ):
                mask = np.zeros(len(values.bad), bool)
                mask[where[part]] = True
                self.reject(
                    mask,
                    name,
                    reason,
                    remedy,
                    [t for t, own in zip(texts, part, strict=True) if own],
                )
        absent = values.missing & ~values.bad
        if absent.any():
            texts = values.shown(np.flatnonzero(absent))
            self.reject(
                absent,
                name,
                f"no position: the {name} is missing ('{{value}}')."
                if any(texts)
                else f"no position: the {name} is missing.",
                "Nothing to mend if the receiver had no position; else correct a copy of the file.",
                texts,
            )
        return values.number

    def grid_values(self, name: str) -> Values:
        """Easting or northing in the frame's own unit."""
        values = self.values(name)
        if self.facts.unit_metres == 1.0 or self.mapping.columns[name].unit == GRID_UNIT:
            return values
        number = values.number / self.facts.unit_metres
        return Values(number, values.missing, values.bad, values.text)

    def angle(self, name: str) -> Values:
        column = self.mapping.columns[name]
        letters = None
        if f"{name}_hemisphere" in self.mapping.columns:
            letters = self.column(f"{name}_hemisphere")
        if column.plus:
            return self.values(name)
        return read_angles(
            self.cells.columns[column.column],
            name.split("_")[-1],
            column.unit,
            column.form,
            column.hemisphere,
            letters,
            self.mapping.decimal,
        )
