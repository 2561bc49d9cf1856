"""Shots as they came in: one array per quantity, SI units, nothing judged and nothing moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from asfound.model.labels import Labels

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Shots:
    """n logged points over lines, or on control points, as received.

    Every array has shape (n,). A quantity that was not recorded is NaN (floats), NaT (time),
    -1 (fix, satellites) or a missing label.

    Parameters
    ----------
    source : int16
        Index of the upload (`Source`) the row came from.
    row, line_number : int32
        Data row in that upload (from 1) and the physical line (or feature number) it starts on.
    name : Labels
        The upload's own point name or number.
    x, y : float64
        Position in the upload's frame, easting or longitude first, in that CRS's own unit
        (degrees for geographic CRS, metres or feet for projected ones).
    height : float64
        Height of the same point [m], ellipsoidal or orthometric as the source declares.
    time : datetime64[us]
        UTC.
    utility : int8
        `Utility` codes.
    line, hookup, receiver, control : Labels
        Line name given in the field; hook-up (transmitter, method, frequency, target) name;
        receiver serial; name of the control point this row was a check on.
    note : Labels
        Free text.
    method : int8
        `Method` codes.
    depth : float64
        Reading: ground to the centre of the current [m].
    current, frequency, signal : float64
        Current reading [A], frequency [Hz], signal strength or gain [dB].
    peak_null_separation : float64
        Horizontal distance between peak and null position, unsigned [m].
    fix, satellites : int8, int16
        `Fix` codes; satellites in use.
    east_sd, north_sd, up_sd : float64
        Standard deviations of the GNSS position as the receiver reports them, 1 sigma [m].
    pdop, hdop : float64
        Dilution of precision.
    correction_age : float64
        Age of the differential correction [s].
    base_distance : float64
        To the reference station [m].
    antenna_height : float64
        Antenna phase centre above the pole's tip, along the pole [m].
    tilt, tilt_bearing : float64
        Angle of the pole from the vertical, and the true bearing towards which the antenna
        leans from the tip [rad].
    speed : float64
        Over ground at the time of logging [m/s].
    """

    source: npt.NDArray[np.int16]
    row: npt.NDArray[np.int32]
    line_number: npt.NDArray[np.int32]
    name: Labels
    x: Floats
    y: Floats
    height: Floats
    time: npt.NDArray[np.datetime64]
    utility: npt.NDArray[np.int8]
    line: Labels
    hookup: Labels
    receiver: Labels
    control: Labels
    note: Labels
    method: npt.NDArray[np.int8]
    depth: Floats
    current: Floats
    frequency: Floats
    signal: Floats
    peak_null_separation: Floats
    fix: npt.NDArray[np.int8]
    satellites: npt.NDArray[np.int16]
    east_sd: Floats
    north_sd: Floats
    up_sd: Floats
    pdop: Floats
    hdop: Floats
    correction_age: Floats
    base_distance: Floats
    antenna_height: Floats
    tilt: Floats
    tilt_bearing: Floats
    speed: Floats

    def __len__(self) -> int:
        return len(self.x)

    @staticmethod
    def build(x: Floats, y: Floats, **columns: object) -> Shots:
        """Shots with the given columns; every other column is filled with "not recorded".

        Scalars are spread over all rows; sequences of str become `Labels`.

        Raises
        ------
        TypeError
            If a column name is unknown.
        ValueError
            If a column's length is not that of `x`.
        """
        count = len(x)
        given: dict[str, object] = {"x": x, "y": y, **columns}
        unknown = given.keys() - {field.name for field in fields(Shots)}
        if unknown:
            raise TypeError(f"Shots has no column {sorted(unknown)}")
        full: dict[str, object] = {}
        for field in fields(Shots):
            kind = str(field.type)
            value = given.get(field.name)
            if kind == "Labels":
                full[field.name] = _as_labels(value, count)
                continue
            if value is None:
                value = _MISSING.get(field.name, _missing_of(kind, count))
            array = np.broadcast_to(np.asarray(value, _DTYPES[kind]), (count,))
            full[field.name] = np.ascontiguousarray(array)
        return Shots(**full)  # type: ignore[arg-type]

    @staticmethod
    def join(parts: Sequence[Shots]) -> Shots:
        """All rows of several tables, one after the other."""
        joined: dict[str, object] = {}
        for field in fields(Shots):
            columns = [getattr(part, field.name) for part in parts]
            if field.type == "Labels":
                joined[field.name] = Labels.join(columns)
            else:
                joined[field.name] = np.concatenate(columns)
        return Shots(**joined)  # type: ignore[arg-type]

    def take(self, rows: npt.NDArray[np.integer] | npt.NDArray[np.bool_]) -> Shots:
        """The same columns for chosen rows (indices or a mask)."""
        picked = np.arange(len(self))[rows]
        taken: dict[str, object] = {}
        for field in fields(Shots):
            column = getattr(self, field.name)
            taken[field.name] = (
                column.take(picked) if isinstance(column, Labels) else column[picked]
            )
        return Shots(**taken)  # type: ignore[arg-type]


_DTYPES: dict[str, str] = {
    "Floats": "float64",
    "npt.NDArray[np.int8]": "int8",
    "npt.NDArray[np.int16]": "int16",
    "npt.NDArray[np.int32]": "int32",
    "npt.NDArray[np.datetime64]": "datetime64[us]",
}
_MISSING: dict[str, object] = {"fix": -1, "satellites": -1}


def _missing_of(kind: str, count: int) -> object:
    if kind == "Floats":
        return np.nan
    if kind == "npt.NDArray[np.datetime64]":
        return np.datetime64("NaT", "us")
    if kind == "npt.NDArray[np.int32]":
        return np.arange(1, count + 1, dtype=np.int32)
    return 0


def _as_labels(value: object, count: int) -> Labels:
    if value is None:
        return Labels.missing(count)
    if isinstance(value, Labels):
        labels = value
    elif isinstance(value, str):
        labels = Labels.of([value] * count)
    else:
        labels = Labels.of(list(value))  # type: ignore[call-overload]
    if len(labels) != count:
        raise ValueError(f"a column has {len(labels)} rows, x has {count}")
    return labels
