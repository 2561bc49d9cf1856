"""`digs.toml`: what will be dug, and what was seen when something was.

Lengths are metres in the job's frame, or in the unit that the file's first line names.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from typing import Any, TypedDict

import numpy as np
import numpy.typing as npt

from asfound.errors import InputError, SettingsError
from asfound.folder.layout import JobFolder
from asfound.folder.settings import Table, day, flag, number, positive, read_bytes, tables_in, text
from asfound.folder.settings import utility_word as utility
from asfound.model import Bore, Dig, Exposure, Pit, Post, Trench, Utility
from asfound.units import LengthUnit, length_unit

Floats = npt.NDArray[np.float64]

_KINDS = ("trench", "bore", "pit", "post", "exposure")


def digs_file(folder: JobFolder) -> str:
    """Name of the file, for messages."""
    return str(folder.path / "digs.toml")


def read_digs(folder: JobFolder) -> tuple[tuple[Dig, ...], tuple[Exposure, ...]]:
    """Planned digs and exposures of a job.

    Returns
    -------
    digs : tuple of Trench, Bore, Pit, Post
    exposures : tuple of Exposure

    Raises
    ------
    InputError
        If there is no `digs.toml`.
    SettingsError
        If it holds an unknown key or a value that can't be used.
    """
    where = digs_file(folder)
    path = folder.path / "digs.toml"
    if not path.is_file():
        raise InputError(
            "the job has no digs.toml.",
            where=str(folder.path),
            remedy="Write one; docs/reference/digs-file.md shows how.",
        )
    try:
        tree = tomllib.loads(read_bytes(path).decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"not readable as TOML: {error}.", where=where, remedy="Correct the line it names."
        ) from error
    unit = length_unit(str(tree.pop("unit", "m")), where=f"{where}, unit")
    for key in tree:
        if key not in _KINDS:
            raise SettingsError(
                f"unknown table [[{key}]].", where=where, remedy=f"Known: {', '.join(_KINDS)}."
            )
    digs: list[Dig] = []
    digs += [_trench(t, unit) for t in tables_in(tree, "trench", where)]
    digs += [_bore(t, unit) for t in tables_in(tree, "bore", where)]
    digs += [_pit(t, unit) for t in tables_in(tree, "pit", where)]
    digs += [_post(t, unit) for t in tables_in(tree, "post", where)]
    return tuple(digs), tuple(_exposure(t, unit) for t in tables_in(tree, "exposure", where))


def _length(unit: LengthUnit, check: Callable[[Any], float] = number) -> Callable[[Any], float]:
    return lambda value: check(value) * unit.metres


def _points(unit: LengthUnit, least: int) -> Callable[[Any], Floats]:
    def read(value: Any) -> Floats:
        points = np.asarray(value, np.float64)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < least:
            raise ValueError(f"at least {least} [easting, northing] pairs are needed")
        if not np.isfinite(points).all():
            raise ValueError("finite numbers are needed")
        return points * unit.metres

    return read


def _levels(table: Table, unit: LengthUnit, count: int) -> tuple[Floats, Floats]:
    """Depth and elevation at each of `count` points; the one that is not given is NaN."""
    given = [key for key in ("depth", "elevation") if key in table.values]
    table.asked |= {"depth", "elevation"}
    if len(given) != 1:
        raise SettingsError(
            "give either depth (below ground) or elevation.",
            where=table.where,
            remedy="One number for all points, or a list with one a point.",
        )

    def read(value: Any) -> Floats:
        level = np.asarray(value, np.float64) * unit.metres
        if level.ndim > 1 or (level.ndim == 1 and len(level) != count):
            raise ValueError(f"one number, or a list of {count}, is needed")
        return np.broadcast_to(level, (count,)).copy()

    level, nothing = table.take(given[0], read), np.full(count, np.nan)
    return (level, nothing) if given[0] == "depth" else (nothing, level)


class _Execution(TypedDict):
    horizontal_sd: float
    vertical_sd: float
    installs: Utility


def _execution(table: Table, unit: LengthUnit, horizontal: float) -> _Execution:
    """How well a dig keeps to the plan, and what will be laid in it."""
    return {
        "horizontal_sd": table.take("horizontal_sd", _length(unit, positive), horizontal),
        "vertical_sd": table.take("vertical_sd", _length(unit, positive), 0.05),
        "installs": table.take("installs", utility, Utility.UNKNOWN),
    }


def _trench(table: Table, unit: LengthUnit) -> Trench:
    points = table.take("points", _points(unit, 2))
    depth, elevation = _levels(table, unit, len(points))
    if np.isfinite(depth).all():
        points, depth = _along_the_ground(points, depth)
        elevation = np.full(len(points), np.nan)
    width = np.full(len(points), table.take("width", _length(unit, positive)))
    dig = Trench(
        name=table.take("name", text),
        easting=points[:, 0],
        northing=points[:, 1],
        width=width,
        depth=depth,
        elevation=elevation,
        **_execution(table, unit, 0.10),
        milling=table.take("milling", flag, False),
    )
    table.done()
    return dig


_STRIDE = 3.0
"""A trench of given depth follows the ground at least so often [m]."""


def _along_the_ground(points: Floats, depth: Floats) -> tuple[Floats, Floats]:
    """More points along a trench's axis, so that its bottom follows the ground between corners."""
    legs = np.hypot(*np.diff(points, axis=0).T)
    if not legs.any():
        return points, depth
    station = np.concatenate([[0.0], np.cumsum(legs)])
    pieces = [
        np.linspace(station[k], station[k + 1], int(np.ceil(legs[k] / _STRIDE)) + 1)[:-1]
        for k in range(len(legs))
        if legs[k] > 0
    ]
    at = np.concatenate([*pieces, station[-1:]])
    dense = np.stack([np.interp(at, station, points[:, axis]) for axis in (0, 1)], axis=1)
    return dense, np.interp(at, station, depth)


def _bore(table: Table, unit: LengthUnit) -> Bore:
    points = table.take("points", _points(unit, 2))
    depth, elevation = _levels(table, unit, len(points))
    final = table.take("final_diameter", _length(unit, positive))
    dig = Bore(
        name=table.take("name", text),
        easting=points[:, 0],
        northing=points[:, 1],
        depth=depth,
        elevation=elevation,
        pilot_diameter=table.take("pilot_diameter", _length(unit, positive), min(final, 0.10)),
        final_diameter=final,
        **_execution(table, unit, 0.05),
    )
    table.done()
    return dig


def _pit(table: Table, unit: LengthUnit) -> Pit:
    points = table.take("corners", _points(unit, 3))
    depth, elevation = _levels(table, unit, 1)
    dig = Pit(
        name=table.take("name", text),
        easting=points[:, 0],
        northing=points[:, 1],
        depth=float(depth[0]),
        elevation=float(elevation[0]),
        **_execution(table, unit, 0.10),
    )
    table.done()
    return dig


def _post(table: Table, unit: LengthUnit) -> Post:
    depth, elevation = _levels(table, unit, 1)
    dig = Post(
        name=table.take("name", text),
        easting=table.take("easting", _length(unit)),
        northing=table.take("northing", _length(unit)),
        diameter=table.take("diameter", _length(unit, positive)),
        depth=float(depth[0]),
        elevation=float(elevation[0]),
        **_execution(table, unit, 0.05),
    )
    table.done()
    return dig


def _exposure(table: Table, unit: LengthUnit) -> Exposure:
    table.asked.add("when")
    exposure = Exposure(
        name=table.take("name", text),
        line=table.take("line", text),
        easting=table.take("easting", _length(unit)),
        northing=table.take("northing", _length(unit)),
        top_depth=table.take("top_depth", _length(unit, positive)),
        ground_height=table.take("ground_height", _length(unit), float("nan")),
        outside_diameter=table.take("outside_diameter", _length(unit, positive), float("nan")),
        material=table.take("material", text, ""),
        photo=table.take("photo", text, ""),
        who=table.take("who", text, ""),
        method=table.take("method", text, ""),
        when=table.take("when", day) if "when" in table.values else None,
        horizontal_sd=table.take("horizontal_sd", _length(unit, positive), 0.02),
        vertical_sd=table.take("vertical_sd", _length(unit, positive), 0.02),
    )
    table.done()
    return exposure
