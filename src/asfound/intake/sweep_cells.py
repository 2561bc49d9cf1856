"""Cells of rows to sweeps: readings gathered by the sweep's name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.intake.ceilings import at_the_ceiling
from asfound.intake.cell_reader import FIX_VALUE, CellReader, Cells
from asfound.intake.frames import FrameFacts
from asfound.intake.mapping import Mapping
from asfound.intake.positions import Centre, check_positions
from asfound.intake.reports import Reporter
from asfound.intake.words import read_codes, read_flags, read_labels
from asfound.model import Method, Sweep, Utility

Floats = npt.NDArray[np.float64]

ENDS = ("start", "end")
MIN_HEIGHT, MAX_HEIGHT = 0.0, 3.0
"""Coil heights outside are remarked on [m]; common practice: receivers are carried by hand."""


@dataclass(frozen=True, eq=False)
class _Readings:
    """Columns of all rows of an upload, one array each."""

    columns: dict[str, npt.NDArray[Any]]
    words: dict[str, npt.NDArray[np.object_]]
    rejected: npt.NDArray[np.bool_]


class SweepsBuilder:
    """Sweeps from blocks of cells.

    Rows of a sweep need not stand together, and the ends of its tape need to be given only once.
    """

    def __init__(
        self, mapping: Mapping, facts: FrameFacts, reporter: Reporter, source_index: int
    ) -> None:
        self._mapping, self._facts, self._reporter = mapping, facts, reporter
        self._source = source_index
        self._parts: list[_Readings] = []
        self.count = 0

    def add(self, cells: Cells) -> None:
        """Takes in one block; rows that are no readings go to the reporter."""
        block = _Block(cells, self._mapping, self._facts, self._reporter)
        self._parts.append(block.read())

    def done(self) -> tuple[Sweep, ...]:
        """All sweeps, in the order of their first rows."""
        if not self._parts:
            return ()
        first = self._parts[0]
        columns = {
            key: np.concatenate([part.columns[key] for part in self._parts])
            for key in first.columns
        }
        words = {
            key: np.concatenate([part.words[key] for part in self._parts]) for key in first.words
        }
        rejected = np.concatenate([part.rejected for part in self._parts])
        names = words["sweep"]
        groups: dict[str, list[int]] = {}
        for index, name in enumerate(names.tolist()):
            groups.setdefault(str(name), []).append(index)
        sweeps = []
        for name, members in groups.items():
            rows = np.array(members)
            sweep = self._sweep(name, rows, rejected, columns, words)
            if sweep is not None:
                sweeps.append(sweep)
                self.count += len(sweep.value)
        return tuple(sweeps)

    def _sweep(
        self,
        name: str,
        rows: npt.NDArray[np.int64],
        rejected: npt.NDArray[np.bool_],
        columns: dict[str, npt.NDArray[Any]],
        words: dict[str, npt.NDArray[np.object_]],
    ) -> Sweep | None:
        """One sweep; None, with a report for each row, if it can't be placed."""
        good = rows[~rejected[rows]]
        if not len(good):
            return None
        ends = {end: _first(columns, end, rows) for end in ENDS}
        fault = self._fault_of_ends(ends)
        lengths = columns["length"][rows]
        known = lengths[np.isfinite(lengths)]
        length = float(known[0]) if len(known) else float(np.max(columns["position"][good]))
        if not fault and not length > 0:
            fault = f"the tape's far end is at {length:g} m, not beyond its zero."
        if fault:
            self._reporter.reject(
                columns["row"][good],
                columns["line"][good],
                "sweep",
                f"sweep '{name}' can't be placed: {fault}",
                "Give the coordinates of the tape's zero and far end, and the tape reading there, "
                "in one row of the sweep at least.",
                [name] * len(good),
            )
            return None
        if not len(known):
            self._remark_length(name, length, good, columns)
        saturated = columns["saturated"][good]
        if "saturated" not in self._mapping.columns:
            saturated = self._ceiling(good, columns)
        times = columns["time"][rows]
        some_time = times[~np.isnat(times)]
        return Sweep(
            name=name,
            source=self._source,
            rows=columns["row"][good].astype(np.int32),
            position=columns["position"][good],
            coil_height=columns["coil_height"][good],
            coil=columns["coil"][good].astype(np.int8),
            value=columns["value"][good],
            saturated=saturated,
            unit=self._mapping.columns["reading"].unit,
            start=ends["start"],
            end=ends["end"],
            length=length,
            time=some_time[0] if len(some_time) else np.datetime64("NaT", "us"),
            utility=Utility(int(_usual(columns["utility"][rows], Utility.UNKNOWN))),
            method=Method(int(_usual(columns["method"][rows], Method.UNKNOWN))),
            frequency=float(_usual(columns["frequency"][rows], np.nan)),
            receiver=_word(words["receiver"][rows]),
            hookup=_word(words["hookup"][rows]),
            line=_word(words["line"][rows]),
        )

    def _ceiling(
        self, rows: npt.NDArray[np.int64], columns: dict[str, npt.NDArray[Any]]
    ) -> npt.NDArray[np.bool_]:
        """Readings that must be cut off at the top, each with a remark."""
        value, unit = columns["value"][rows], self._mapping.columns["reading"].unit
        position, height, coil = (
            columns[name][rows] for name in ("position", "coil_height", "coil")
        )
        saturated = at_the_ceiling(position, height, coil, value, unit)
        cut = rows[saturated]
        texts = [f"{number:g}" for number in value[saturated].tolist()]
        self._reporter.remark(
            columns["row"][cut],
            columns["line"][cut],
            "reading",
            "the reading '{value}' stands at the top of the scale; as it may be cut off there, it "
            "is taken as at least that much.",
            "Lower the gain and take the sweep again. If the reading is right, add a column "
            "'Saturated' with no in these rows.",
            lambda part: texts[part],
        )
        return saturated

    def _fault_of_ends(self, ends: dict[str, Floats]) -> str:
        x = np.array([ends[end][0] for end in ENDS])
        y = np.array([ends[end][1] for end in ENDS])
        if not (np.isfinite(x).all() and np.isfinite(y).all()):
            return "the coordinates of both ends of the tape are needed."
        wrong = check_positions(x, y, self._facts, Centre(), np.ones(2, bool))
        for _, _, reason, _, values in wrong.rejected:
            return reason.replace("{value}", values[0])
        ends["start"][0], ends["end"][0] = x  # longitudes beyond 180 were brought back
        if x[0] == x[1] and y[0] == y[1]:
            return "both ends of the tape have the same coordinates."
        return ""

    def _remark_length(
        self,
        name: str,
        length: float,
        rows: npt.NDArray[np.int64],
        columns: dict[str, npt.NDArray[Any]],
    ) -> None:
        self._reporter.remark(
            columns["row"][rows[:1]],
            columns["line"][rows[:1]],
            "length",
            f"sweep '{name}' does not say the tape reading at its far end; taken as {length:g} m, "
            "its last reading.",
            "Map a column with the tape's length.",
            lambda part: [name][part],
        )


class _Block(CellReader):
    """One block on its way from cells to readings."""

    def read(self) -> _Readings:
        count = len(self.cells.row)
        mapped = self.mapping.columns
        nothing = np.full(count, np.nan)
        if "frame" in mapped:
            self.check_frame()
        columns: dict[str, npt.NDArray[Any]] = {
            "row": self.cells.row,
            "line": self.cells.line,
            "time": self.time(),
            "position": self._needed("position"),
            "coil_height": self._needed("coil_height"),
            "coil": self._coil(),
        }
        columns["saturated"] = self._saturated()
        columns["value"] = self._value(columns["saturated"])
        columns["length"] = self.number("length") if "length" in mapped else nothing
        columns["frequency"] = self.number("frequency") if "frequency" in mapped else nothing
        for name in ("utility", "method"):
            columns[name] = self.codes(name) if name in mapped else np.zeros(count, np.int8)
        if "utility" not in mapped:
            columns["utility"] = np.full(count, self.mapping.utility, np.int8)
        for end in ENDS:
            columns[f"{end}_x"] = self._coordinate(end, "longitude", "easting")
            columns[f"{end}_y"] = self._coordinate(end, "latitude", "northing")
            has_height = f"{end}_height" in mapped
            columns[f"{end}_height"] = self.number(f"{end}_height") if has_height else nothing
        words = {
            name: read_labels(self.column(name)).words()
            if name in mapped
            else np.full(count, "", object)
            for name in ("sweep", "receiver", "hookup", "line")
        }
        if "sweep" in mapped:
            unnamed = words["sweep"] == ""
            self.reject(
                unnamed,
                "sweep",
                "the row does not say which sweep it belongs to.",
                FIX_VALUE,
                [""] * int(unnamed.sum()),
            )
        return _Readings(columns, words, self.rejected)

    def _needed(self, name: str) -> Floats:
        """A quantity without which a reading is none."""
        values = self.values(name)
        wrong = values.bad | values.missing
        if name == "coil_height":
            with np.errstate(invalid="ignore"):
                wrong = wrong | (values.number < MIN_HEIGHT)
                self.remark(
                    values.number > MAX_HEIGHT,
                    name,
                    "a coil height of '{value}' is higher than a receiver is carried.",
                    "Check its unit.",
                    values.text,
                )
        where = np.flatnonzero(wrong)
        title = name.replace("_", " ")
        self.reject(
            wrong,
            name,
            f"the {title} '{{value}}' can't be used.",
            FIX_VALUE,
            values.shown(where),
        )
        return values.number

    def _coil(self) -> npt.NDArray[np.int8]:
        codes = read_codes(self.column("coil"), "coil", self.mapping.values.get("coil", {}))
        wrong = codes.unknown | (codes.code < 0)
        self.reject(
            wrong,
            "coil",
            "the coil orientation '{value}' is neither horizontal nor vertical.",
            "Say what it means under [values.coil] in the mapping file.",
            codes.labels.words()[wrong].tolist(),
        )
        return codes.code

    def _saturated(self) -> npt.NDArray[np.bool_]:
        if "saturated" not in self.mapping.columns:
            return np.zeros(len(self.cells.row), bool)
        cells = self.column("saturated")
        yes, neither = read_flags(cells)
        self.remark(
            neither,
            "saturated",
            "'{value}' is neither yes nor no; the reading is taken as saturated.",
            "Write yes or no.",
            cells,
        )
        return yes | neither

    def _value(self, saturated: npt.NDArray[np.bool_]) -> Floats:
        values = self.values("reading")
        # A saturated receiver may show no number.
        wrong = (values.bad | values.missing) & ~saturated
        self.reject(
            wrong,
            "reading",
            "the reading '{value}' can't be used.",
            FIX_VALUE,
            values.shown(np.flatnonzero(wrong)),
        )
        return np.where(values.bad, np.nan, values.number)

    def _coordinate(self, end: str, angle: str, length: str) -> Floats:
        """A coordinate of an end of the tape; NaN in rows that don't repeat it."""
        if f"{end}_{angle}" in self.mapping.columns:
            values = self.angle(f"{end}_{angle}")
        elif f"{end}_{length}" in self.mapping.columns:
            values = self.grid_values(f"{end}_{length}")
        else:
            return np.full(len(self.cells.row), np.nan)
        self.remark(
            values.bad,
            f"{end}_{angle}",
            "the coordinate '{value}' can't be read.",
            FIX_VALUE,
            values.text,
        )
        return np.where(values.bad, np.nan, values.number)


def _first(columns: dict[str, npt.NDArray[Any]], end: str, rows: npt.NDArray[np.int64]) -> Floats:
    """x, y, height of the first row that gives both coordinates of an end."""
    x, y, height = (columns[f"{end}_{name}"][rows] for name in ("x", "y", "height"))
    found = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if not len(found):
        return np.full(3, np.nan)
    k = found[0]
    return np.array([x[k], y[k], height[k]])


def _usual(values: npt.NDArray[Any], nothing: Any) -> Any:
    """The first value that says something."""
    said = values[np.isfinite(values)] if values.dtype.kind == "f" else values[values != nothing]
    return said[0] if len(said) else nothing


def _word(words: npt.NDArray[np.object_]) -> str:
    return next((str(word) for word in words if word), "")
