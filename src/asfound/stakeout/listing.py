"""A stakeout list as a table of text: the columns every writer draws from."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.budget import circular_factor, principal_axes
from asfound.errors import InputError
from asfound.model import CAUTIONS, ServiceTargets
from asfound.stakeout.targets import utility_words
from asfound.units import length_unit

Floats = npt.NDArray[np.float64]

COLUMNS = (
    "order",
    "name",
    "kind",
    "line",
    "utility",
    "station",
    "x",
    "y",
    "height",
    "longitude",
    "latitude",
    "depth",
    "horizontal_95",
    "frame",
    "epoch",
)
"""Columns of a list, in the usual order. x, y: easting and northing, or longitude and latitude,
as the service has them; height: of the ground; horizontal_95: radius."""
_LENGTHS = ("station", "height", "depth", "horizontal_95")


def horizontal_95(covariance: Floats) -> Floats:
    """(n,) 95 % radius [m] of (n, 3, 3) covariances; NaN where not known."""
    known = np.asarray(np.isfinite(covariance[:, :2, :2].reshape(-1, 4)).all(axis=1))
    safe = np.where(known[:, None, None], covariance, np.eye(3))
    major, minor, _ = principal_axes(safe[:, 0, 0], safe[:, 1, 1], safe[:, 0, 1])
    ratio = np.divide(minor, major, out=np.ones(len(major)), where=major > 0)
    return np.where(known, major * circular_factor(ratio), np.nan)


def list_columns(
    targets: ServiceTargets, *, unit: str = "m", decimals: int = 4
) -> dict[str, list[str]]:
    """Every column as text; empty where not known.

    Parameters
    ----------
    targets : ServiceTargets
        In walking order, if there is one.
    unit : str
        Of stations, heights, depths and uncertainties: ``'m'``, ``'ft'`` or ``'ftUS'``.
    decimals : int
        Of lengths; degrees have nine (0.1 mm).
    """
    own = targets.targets
    metres = length_unit(unit, where="the stakeout list").metres
    lengths = {
        "station": own.station,
        "height": targets.height,
        "depth": own.depth,
        "horizontal_95": horizontal_95(targets.covariance),
    }
    places = decimals if targets.projected else 9
    epoch = f"{targets.epoch:.2f}" if np.isfinite(targets.epoch) else ""
    columns: dict[str, list[str]] = {
        "order": [str(k) for k in range(1, len(targets) + 1)],
        "name": list(own.name),
        "kind": list(own.kind),
        "line": list(own.line),
        "utility": list(utility_words(own)),
        "x": _texts(targets.x, places),
        "y": _texts(targets.y, places),
        "longitude": _texts(targets.longitude, 9),
        "latitude": _texts(targets.latitude, 9),
        "frame": [targets.crs] * len(targets),
        "epoch": [epoch] * len(targets),
    }
    for name, values in lengths.items():
        columns[name] = _texts(values / metres, decimals)
    return {name: columns[name] for name in COLUMNS}


def _texts(values: Floats, decimals: int) -> list[str]:
    return [f"{v:.{decimals}f}" if np.isfinite(v) else "" for v in values.tolist()]


def csv_list(
    targets: ServiceTargets,
    *,
    columns: Sequence[str] | None = None,
    unit: str = "m",
    header: bool = True,
    separator: str = ",",
    decimals: int = 4,
) -> bytes:
    """The list as delimited text, in UTF-8 with CRLF (RFC 4180).

    Parameters
    ----------
    targets : ServiceTargets
    columns : sequence of str, optional
        Any of `COLUMNS` in any order, as the controller wants them; None: all of them, but x and
        y only where they are not longitude and latitude anyway.
    unit, decimals
        As `list_columns`.
    header : bool
        Names of the columns first, with their units.
    separator : str

    Raises
    ------
    InputError
        If a column is none, or the separator is not one character.
    """
    if columns is None:
        columns = [name for name in COLUMNS if targets.projected or name not in ("x", "y")]
    unknown = [name for name in columns if name not in COLUMNS]
    if unknown or not columns:
        raise InputError(
            f"'{unknown[0] if unknown else ''}' is not a column of a stakeout list.",
            remedy=f"Choose from: {', '.join(COLUMNS)}.",
        )
    if len(separator) != 1 or separator in '"\r\n':
        raise InputError(
            f"'{separator}' can't separate columns.", remedy="Use a comma, semicolon or tab."
        )
    table = list_columns(targets, unit=unit, decimals=decimals)
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator="\r\n")
    if header:
        writer.writerow(_heading(name, targets, unit) for name in columns)
    writer.writerows(zip(*(table[name] for name in columns), strict=True))
    return text.getvalue().encode("utf-8")


def _heading(name: str, targets: ServiceTargets, unit: str) -> str:
    if name in _LENGTHS:
        return f"{name}_{unit}"
    if name in ("x", "y"):
        plane = {"x": "easting", "y": "northing"}[name]
        globe = {"x": "longitude", "y": "latitude"}[name]
        return f"{plane}_{short_unit(targets)}" if targets.projected else f"{globe}_deg"
    if name in ("longitude", "latitude"):
        return f"{name}_deg"
    return name


def short_unit(targets: ServiceTargets) -> str:
    """Unit of x and y in short: m, ft, ftUS or deg."""
    if not targets.projected:
        return "deg"
    for code in ("m", "ft", "ftUS"):
        if abs(targets.unit_metres / length_unit(code).metres - 1.0) < 1e-9:
            return code
    return targets.unit.replace(" ", "_")


def about_list(targets: ServiceTargets) -> tuple[str, ...]:
    """Sentences that every list carries: frame, heights, operation, what is left out, cautions."""
    when = f" at epoch {targets.epoch:.2f}" if np.isfinite(targets.epoch) else ""
    accuracy = f", good to {targets.accuracy:.3g} m" if targets.accuracy > 0 else ""
    change = f"Change of frame: {targets.operation}{accuracy}."
    return (
        f"Coordinates are in {targets.crs}{when}. A receiver on another frame stands elsewhere.",
        f"Heights: {targets.height_reference}, of the ground above the spot.",
        "No change of frame." if targets.operation == "no change of frame" else change,
        *targets.unmodelled,
        *CAUTIONS,
    )


def describe(table: dict[str, list[str]], row: int) -> str:
    """One target in words, for formats that have a description."""
    parts = [table["kind"][row]]
    if table["line"][row]:
        parts.append(f"line {table['line'][row]} ({table['utility'][row]})")
    for name, words in (("station", "station"), ("depth", "depth to centre")):
        if table[name][row]:
            parts.append(f"{words} {table[name][row]} m")
    if table["horizontal_95"][row]:
        parts.append(f"known to {table['horizontal_95'][row]} m (95 %)")
    return ", ".join(parts)
