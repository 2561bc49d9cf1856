"""`job.toml`: what a job declares, read with care and written with comments."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from asfound.accuracy import KNOWN_BY, scheme
from asfound.errors import InputError, SettingsError
from asfound.files import read_bytes
from asfound.folder.layout import JobFolder
from asfound.model import (
    AccuracySettings,
    ControlPoint,
    Frame,
    JobSettings,
    NominalSize,
    Receiver,
    Utility,
)
from asfound.units import LENGTH_UNITS

T = TypeVar("T")

_TOP = {
    "job",
    "frame",
    "units",
    "work_area",
    "control",
    "receiver",
    "size",
    "accuracy",
    "profile",
}


class Table:
    """A TOML table that knows where it stands and which of its keys were asked for."""

    def __init__(self, values: Mapping[str, Any], where: str) -> None:
        self.values = values
        self.where = where
        self.asked: set[str] = set()

    def take(self, key: str, kind: Callable[[Any], T], default: T | None = None) -> T:
        self.asked.add(key)
        if key not in self.values:
            if default is None:
                raise SettingsError(
                    f"'{key}' is missing.", where=self.where, remedy=f"Add a line: {key} = ..."
                )
            return default
        try:
            return kind(self.values[key])
        except (ValueError, TypeError) as error:
            raise SettingsError(
                f"{key} = {self.values[key]!r} can't be used: {error}.",
                where=self.where,
                remedy="Correct the value; "
                f"docs/reference/{_page(self.where)}.md lists what each key takes.",
            ) from error

    def done(self) -> None:
        unknown = sorted(self.values.keys() - self.asked)
        if unknown:
            raise SettingsError(
                f"unknown key '{unknown[0]}'.",
                where=self.where,
                remedy=f"Known here: {', '.join(sorted(self.asked))}.",
            )


def _page(where: str) -> str:
    return "digs-file" if "digs.toml" in where else "job-file"


def text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError("text in quotes is needed")
    return value


def number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("a number is needed")
    if not np.isfinite(value):
        raise ValueError("a finite number is needed")
    return float(value)


def positive(value: Any) -> float:
    result = number(value)
    if result < 0:
        raise ValueError("it can't be negative")
    return result


def flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError("true or false is needed")
    return value


def day(value: Any) -> date:
    if type(value) is not date:
        raise TypeError("a date such as 2026-11-17 is needed")
    return value


def _one_of(*words: str) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if value not in words:
            raise ValueError(f"one of {', '.join(words)} is needed")
        return str(value)

    return check


def utility_word(value: Any) -> Utility:
    word = text(value).upper()
    if word not in Utility.__members__:
        raise ValueError(f"one of {', '.join(u.word for u in Utility)} is needed")
    return Utility[word]


def _epoch(value: Any) -> float:
    year = number(value)
    if not 1980.0 <= year <= 2100.0:
        raise ValueError("a decimal year from 1980 to 2100 is needed")
    return year


def _diameter(value: Any) -> float:
    metres = positive(value)
    if metres > 4.0:
        raise ValueError("more than 4 m: diameters are in metres")
    return metres


def _ring(value: Any) -> np.ndarray[Any, np.dtype[np.float64]]:
    ring = np.asarray(value, np.float64)
    if ring.ndim != 2 or ring.shape[1] != 2 or len(ring) < 3 or not np.isfinite(ring).all():
        raise ValueError("at least three [longitude, latitude] pairs are needed")
    if (np.abs(ring[:, 0]) > 180).any() or (np.abs(ring[:, 1]) > 90).any():
        raise ValueError("longitude comes first, both in degrees")
    return ring


def read_settings(folder: JobFolder) -> JobSettings:
    """The settings of a job.

    Raises
    ------
    SettingsError
        If `job.toml` is no TOML or holds an unknown key or a value that can't be used.
    """
    path = folder.settings_file
    try:
        tree = tomllib.loads(read_bytes(path).decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"not readable as TOML: {error}.",
            where=str(path),
            remedy="Correct the line it names.",
        ) from error
    return settings_from_tree(tree, str(path), grids=(str(folder.grids),))


def settings_from_tree(
    tree: Mapping[str, Any], where: str, *, grids: tuple[str, ...] = ()
) -> JobSettings:
    """Settings of a parsed `job.toml`.

    Raises
    ------
    SettingsError
        As `read_settings`.
    """
    for key in tree:
        if key not in _TOP:
            raise SettingsError(
                f"unknown table [{key}].", where=where, remedy=f"Known: {', '.join(sorted(_TOP))}."
            )
    job = table_in(tree, "job", where)
    frame = table_in(tree, "frame", where)
    units = table_in(tree, "units", where)
    work_area = table_in(tree, "work_area", where)
    epoch = frame.take("epoch", _epoch, float("nan"))
    ring = work_area.take("ring", _ring, np.empty((0, 2)))
    vertical = frame.take("heights", _one_of("ellipsoidal", "orthometric", "none"), "ellipsoidal")
    settings = JobSettings(
        name=job.take("name", text),
        client=job.take("client", text, ""),
        place=job.take("place", text, ""),
        crew=job.take("crew", text, ""),
        notice=job.take("notice", text, ""),
        purpose=job.take("purpose", text, ""),
        invented=job.take("invented", flag, False),
        processed_on=job.take("today", day, date.min) if "today" in job.values else None,
        frame=Frame(
            crs=frame.take("crs", text),
            epoch=None if np.isnan(epoch) else epoch,
            height_kind=vertical,
            geoid=frame.take("geoid", text, ""),
        ),
        length_unit=units.take("length", _one_of(*LENGTH_UNITS), "m"),
        work_area=ring if len(ring) else None,
        control=tuple(_control(t) for t in tables_in(tree, "control", where)),
        receivers=tuple(_receiver(t) for t in tables_in(tree, "receiver", where)),
        sizes=tuple(_size(t) for t in tables_in(tree, "size", where)),
        accuracy=_accuracy(table_in(tree, "accuracy", where)),
        profile=dict(tree.get("profile", {})),
        grids=grids,
    )
    job.asked.add("today")
    for table in (job, frame, units, work_area):
        table.done()
    if vertical == "orthometric" and not settings.frame.geoid:
        raise SettingsError(
            "orthometric heights need a geoid model.",
            where=f"{where} [frame]",
            remedy='Put the grid file into grids/ and name it: geoid = "FILE.tif"; or set '
            'heights = "ellipsoidal".',
        )
    return settings


def table_in(tree: Mapping[str, Any], key: str, where: str) -> Table:
    values = tree.get(key, {})
    if not isinstance(values, Mapping):
        raise SettingsError(f"{key} must be a table.", where=where, remedy=f"Write [{key}].")
    return Table(values, f"{where} [{key}]")


def tables_in(tree: Mapping[str, Any], key: str, where: str) -> list[Table]:
    values = tree.get(key, [])
    if not isinstance(values, list) or not all(isinstance(v, Mapping) for v in values):
        raise SettingsError(
            f"{key} must be a list of tables.", where=where, remedy=f"Write [[{key}]]."
        )
    return [Table(v, f"{where} [[{key}]] number {k}") for k, v in enumerate(values, 1)]


def toml_tree(path: Path) -> dict[str, Any]:
    """The content of a TOML file, with or without a byte order mark.

    Raises
    ------
    InputError
        If it can't be read.
    SettingsError
        If it is no TOML.
    """
    try:
        return tomllib.loads(read_bytes(path).decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"not readable as TOML: {error}.", where=str(path), remedy="Correct the line it names."
        ) from error


def tables_of(path: Path, key: str) -> list[Table]:
    """The ``[[key]]`` tables of a file that holds nothing else; none without the file.

    Raises
    ------
    SettingsError
        If it is no TOML, or holds something else.
    """
    if not path.is_file():
        return []
    tree = toml_tree(path)
    for other in tree:
        if other != key:
            raise SettingsError(
                f"unknown table [[{other}]].", where=str(path), remedy=f"Known: {key}."
            )
    return tables_in(tree, key, str(path))


def _schemes(value: Any) -> tuple[str, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list):
        raise TypeError("a scheme, or a list of schemes, is needed")
    for name in names:
        try:
            scheme(name)
        except InputError as error:
            raise ValueError(f"{error.what} {error.remedy}") from error
    return tuple(dict.fromkeys(names))


def _confidence(value: Any) -> float:
    share = number(value)
    if not 0.5 <= share <= 0.999:
        raise ValueError("a share from 0.5 to 0.999 is needed")
    return share


def _accuracy(table: Table) -> AccuracySettings:
    usual = AccuracySettings()
    settings = AccuracySettings(
        schemes=table.take("schemes", _schemes, usual.schemes),
        confidence=table.take("confidence", _confidence, usual.confidence),
        gaps_known_by=table.take("gaps_known_by", _one_of(*KNOWN_BY[2:]), usual.gaps_known_by),
    )
    table.done()
    return settings


def _control(table: Table) -> ControlPoint:
    point = ControlPoint(
        name=table.take("name", text),
        easting=table.take("easting", number),
        northing=table.take("northing", number),
        height=table.take("height", number, float("nan")),
        horizontal_sd=table.take("horizontal_sd", positive, 0.01),
        vertical_sd=table.take("vertical_sd", positive, 0.015),
    )
    table.done()
    return point


def _receiver(table: Table) -> Receiver:
    verified = table.take("verified", day, date.min)
    receiver = Receiver(
        serial=table.take("serial", text),
        horizontal=table.take("horizontal", positive, 0.008),
        vertical=table.take("vertical", positive, 0.015),
        ppm=table.take("ppm", positive, 1.0),
        verified=None if verified == date.min else verified,
        note=table.take("note", text, ""),
    )
    table.done()
    return receiver


def _size(table: Table) -> NominalSize:
    size = NominalSize(
        outside_diameter=table.take("outside_diameter", _diameter),
        utility=table.take("utility", utility_word, Utility.UNKNOWN),
        line=table.take("line", text, ""),
        basis=table.take("basis", text, ""),
    )
    table.done()
    return size


def _toml_text(value: str) -> str:
    """A TOML basic string."""
    escaped = "".join(
        f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c
        for c in value.replace("\\", "\\\\").replace('"', '\\"')
    )
    return f'"{escaped}"'


def settings_text(settings: JobSettings) -> str:
    """`job.toml` for settings, with a comment where a technician may want to fill something in."""
    frame = settings.frame
    lines = [
        "# A job's declarations. docs/reference/job-file.md explains each key.",
        "[job]",
        f"name = {_toml_text(settings.name)}",
        f"client = {_toml_text(settings.client)}",
        f"place = {_toml_text(settings.place)}",
        f"crew = {_toml_text(settings.crew)}",
        f"notice = {_toml_text(settings.notice)}    # the dig notice's number",
        f"purpose = {_toml_text(settings.purpose)}",
        f"invented = {str(settings.invented).lower()}",
    ]
    if settings.processed_on is not None:
        lines.append(f"today = {settings.processed_on.isoformat()}")
    lines += ["", "[frame]    # the frame of the results", f"crs = {_toml_text(frame.crs)}"]
    if frame.epoch is not None:
        lines.append(f"epoch = {frame.epoch!r}")
    lines.append(f"heights = {_toml_text(frame.height_kind)}")
    if frame.geoid:
        lines.append(f"geoid = {_toml_text(frame.geoid)}")
    lines += [
        "",
        "[units]",
        f"length = {_toml_text(settings.length_unit)}    # m, ft (international) or ftUS (survey)",
    ]
    if settings.work_area is not None:
        lines += ["", "[work_area]", "ring = ["]
        lines += [f"    [{lon:.7f}, {lat:.7f}]," for lon, lat in settings.work_area]
        lines.append("]")
    for point in settings.control:
        lines += [
            "",
            "[[control]]    # in the job's CRS, metres",
            f"name = {_toml_text(point.name)}",
            f"easting = {point.easting:.4f}",
            f"northing = {point.northing:.4f}",
        ]
        if np.isfinite(point.height):
            lines.append(f"height = {point.height:.4f}")
        lines += [f"horizontal_sd = {point.horizontal_sd}", f"vertical_sd = {point.vertical_sd}"]
    for receiver in settings.receivers:
        lines += [
            "",
            "[[receiver]]",
            f"serial = {_toml_text(receiver.serial)}",
            f"horizontal = {receiver.horizontal}    # RTK class, metres + ppm of the base distance",
            f"vertical = {receiver.vertical}",
            f"ppm = {receiver.ppm}",
        ]
        if receiver.verified is not None:
            lines.append(f"verified = {receiver.verified.isoformat()}")
        if receiver.note:
            lines.append(f"note = {_toml_text(receiver.note)}")
    for size in settings.sizes:
        lines += ["", "[[size]]", f"outside_diameter = {size.outside_diameter}    # metres"]
        if size.utility is not Utility.UNKNOWN:
            lines.append(f"utility = {_toml_text(size.utility.word)}")
        if size.line:
            lines.append(f"line = {_toml_text(size.line)}")
        if size.basis:
            lines.append(f"basis = {_toml_text(size.basis)}")
    if settings.accuracy != AccuracySettings():
        chosen = settings.accuracy
        lines += ["", "[accuracy]"]
        if chosen.schemes:
            lines.append(f"schemes = [{', '.join(_toml_text(name) for name in chosen.schemes)}]")
        lines.append(f"confidence = {chosen.confidence}")
        lines.append(f"gaps_known_by = {_toml_text(chosen.gaps_known_by)}")
    if settings.profile:
        import tomli_w

        lines += ["", tomli_w.dumps({"profile": settings.profile}).rstrip()]
    return "\n".join(lines) + "\n"
