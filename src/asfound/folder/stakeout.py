"""`stakeout.toml`: stakeout lists that are written each time the job is processed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import tomli_w

from asfound.errors import AsfoundError, InputError, SettingsError
from asfound.files import write_whole
from asfound.folder.layout import JobFolder
from asfound.folder.settings import Table, day, flag, number, positive, tables_of, text
from asfound.model import Frame, LineChoice, StakeoutRequest
from asfound.stakeout import LEAST_SPACING, check_request
from asfound.units import LENGTH_UNITS, LengthUnit

_HEAD = (
    "# Stakeout lists: what to find again, for which correction service, on which day.\n"
    "# asfound process writes each to out/stakeout/; docs/how-to/come-back-to-a-point.md.\n"
)
_LENGTH = re.compile(r"\s*([0-9]+(?:\.[0-9]*)?|\.[0-9]+)\s*([A-Za-z\-_ ]*)")
_SPELLINGS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "ft": "ft", "ft-int": "ft", "ftintl": "ft", "feet-international": "ft",
    "ftus": "ftUS", "ft-us": "ftUS", "us-ft": "ftUS", "usft": "ftUS", "feet-us": "ftUS",
}  # fmt: skip


def stakeout_file(folder: JobFolder) -> Path:
    """Where lists stand."""
    return folder.path / "stakeout.toml"


def read_stakeouts(folder: JobFolder) -> tuple[StakeoutRequest, ...]:
    """Lists of a job; none without the file.

    Raises
    ------
    SettingsError
        If `stakeout.toml` can't be used.
    """
    path = stakeout_file(folder)
    where = str(path)
    found = tuple(_request(table) for table in tables_of(path, "list"))
    names = [item.name.casefold() for item in found]
    for name in names:
        if names.count(name) > 1:
            raise SettingsError(
                f"two lists are called '{name}'.", where=where, remedy="Give each its own name."
            )
    return found


def store_stakeout(folder: JobFolder, request: StakeoutRequest) -> None:
    """Put a list on file; one of the same name is replaced.

    Raises
    ------
    InputError
        If the list can't be named or written so.
    """
    check_request(request)
    kept = [
        item for item in read_stakeouts(folder) if item.name.casefold() != request.name.casefold()
    ]
    write_whole(stakeout_file(folder), stakeouts_text([*kept, request]).encode())


def stakeouts_text(requests: Sequence[StakeoutRequest]) -> str:
    """The text of a `stakeout.toml`."""
    return _HEAD + tomli_w.dumps({"list": [_tree(item) for item in requests]})


def parse_spacing(words: str, *, where: str = "", least: float = 0.0) -> tuple[float, str]:
    """Metres and unit code of a distance such as ``5m`` or ``10ft-us``.

    Raises
    ------
    InputError
        If it has no unit, or none that is known, or is less than `least` [m].
    """
    match = _LENGTH.fullmatch(words)
    code = _SPELLINGS.get(match[2].strip().replace(" ", "-").casefold()) if match else None
    if match is None or code is None:
        raise InputError(
            f"'{words}' is not a distance with its unit.",
            where=where,
            remedy="Write it like 5m, 10ft (international foot) or 10ft-us (US survey foot).",
        )
    metres = float(match[1]) * LENGTH_UNITS[code].metres
    if metres < least:
        raise InputError(
            f"'{words}' is too little.", where=where, remedy=f"Give {least:g} m or more."
        )
    return metres, code


def _spacing_text(metres: float, unit: LengthUnit) -> str:
    return f"{round(metres / unit.metres, 9):g} {unit.code}"


def _tree(item: StakeoutRequest) -> dict[str, Any]:
    tree: dict[str, Any] = {"name": item.name, "service": item.service.crs, "day": item.day}
    if item.service.epoch is not None:
        tree["service_epoch"] = item.service.epoch
    if item.service.height_kind != "ellipsoidal":
        tree["heights"] = item.service.height_kind
    if item.service.geoid:
        tree["geoid"] = item.service.geoid
    if item.shots:
        tree["shots"] = list(item.shots)
    if item.lines:
        tree["line"] = [_line_tree(line) for line in item.lines]
        tree["bends"], tree["ends"] = item.bends, item.ends
    for key in ("tees", "crossings", "exposures", "control"):
        if getattr(item, key):
            tree[key] = True
    if item.digs:
        tree["digs"] = list(item.digs)
    if item.start:
        kind, first, second = item.start
        names = ("easting", "northing") if kind == "grid" else ("latitude", "longitude")
        tree["start"] = dict(zip(names, (first, second), strict=True))
    tree["formats"] = list(item.formats)
    if item.columns:
        tree["columns"] = list(item.columns)
    if item.unit:
        tree["unit"] = item.unit
    if item.plate:
        tree["plate"] = item.plate
    if item.position_accuracy:
        tree["position_accuracy"] = item.position_accuracy
    return tree


def _line_tree(line: LineChoice) -> dict[str, Any]:
    unit = LENGTH_UNITS[line.unit]
    tree: dict[str, Any] = {"line": line.line}
    if line.every:
        tree["every"] = _spacing_text(line.every, unit)
    if line.start:
        tree["from"] = _spacing_text(line.start, unit)
    if line.end == line.end:
        tree["to"] = _spacing_text(line.end, unit)
    return tree


def _request(table: Table) -> StakeoutRequest:
    epoch = table.take("service_epoch", number) if "service_epoch" in table.values else None
    table.asked |= {"service_epoch", "line", "start"}
    trees = table.take("line", _tables) if "line" in table.values else []
    lines = [Table(item, f"{table.where}, line") for item in trees]
    request = StakeoutRequest(
        name=table.take("name", text),
        service=Frame(
            table.take("service", text),
            epoch,
            table.take("heights", text, "ellipsoidal"),
            table.take("geoid", text, ""),
        ),
        day=table.take("day", day, date.min),
        shots=table.take("shots", _words, ()),
        lines=tuple(_line(line) for line in lines),
        bends=table.take("bends", flag, True),
        ends=table.take("ends", flag, True),
        tees=table.take("tees", flag, False),
        crossings=table.take("crossings", flag, False),
        digs=table.take("digs", _words, ()),
        exposures=table.take("exposures", flag, False),
        control=table.take("control", flag, False),
        start=_start(table),
        formats=table.take("formats", _words, ("csv",)),
        columns=table.take("columns", _words, ()),
        unit=table.take("unit", _unit, ""),
        plate=table.take("plate", text, ""),
        position_accuracy=table.take("position_accuracy", positive, 0.0),
    )
    if "day" not in table.values:
        raise SettingsError("'day' is missing.", where=table.where, remedy="Add: day = 2026-12-01")
    table.done()
    try:
        check_request(request)
    except AsfoundError as error:
        raise SettingsError(error.what, where=table.where, remedy=error.remedy) from error
    return request


def _line(table: Table) -> LineChoice:
    name = table.take("line", text)
    units: list[str] = []

    def spacing(value: Any, least: float = 0.0) -> float:
        metres, unit = parse_spacing(text(value), where=table.where, least=least)
        units.append(unit)
        return metres

    def told(key: str, least: float = 0.0) -> float:
        table.asked.add(key)
        if key not in table.values:
            return float("nan")
        return table.take(key, lambda value: spacing(value, least))

    every, start, end = told("every", LEAST_SPACING), told("from"), told("to")
    table.done()
    return LineChoice(
        name,
        0.0 if every != every else every,
        units[0] if units else "m",
        0.0 if start != start else start,
        end,
    )


def _start(table: Table) -> tuple[str, float, float] | tuple[()]:
    if "start" not in table.values:
        return ()
    under = Table(table.take("start", _one_table), f"{table.where}, start")
    if "latitude" in under.values:
        return ("degrees", under.take("latitude", number), under.take("longitude", number))
    return ("grid", under.take("easting", number), under.take("northing", number))


def _tables(value: Any) -> list[dict[str, Any]]:
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise TypeError("a list of tables is needed: [[list.line]]")
    return value


def _one_table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise TypeError("a table is needed: start = {easting = 1.0, northing = 2.0}")
    return value


def _words(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise TypeError("a list of texts is needed")
    return tuple(value)


def _unit(value: Any) -> str:
    code = _SPELLINGS.get(text(value).casefold())
    if code is None:
        raise ValueError("one of m, ft, ftUS is needed")
    return code
