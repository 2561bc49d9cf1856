"""Files of digs in a job: kept as received in `digs/`, each named by a `[[file]]` table."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import tomli_w

from asfound.errors import InputError, SettingsError
from asfound.files import read_bytes, write_whole
from asfound.folder.dig_tables import Floats, following_ground, length_in, points_in
from asfound.folder.layout import JobFolder, plain_name
from asfound.folder.settings import Table, number, positive, read_settings, text
from asfound.folder.settings import utility_word as utility
from asfound.intake.digs import DigDefaults, read_digs
from asfound.model import Dig, Frame, JobSettings, Utility
from asfound.units import LengthUnit, length_unit

_HEAD = (
    "# What will be dug. docs/reference/digs-file.md lists what can stand here.\n"
    "# Lengths and coordinates are metres in the job's frame unless a line unit = ... says so.\n"
)
_SIZES = ("width", "depth", "diameter", "pilot_diameter", "final_diameter")


@dataclass(frozen=True)
class DigFile:
    """How a file of digs is to be read.

    Parameters
    ----------
    format : str
        One of `asfound.intake.digs.DIG_FORMATS`; empty: by the name's ending.
    unit : str
        Of its sizes and heights; empty: metres, and the frame's own for heights of shapes.
    frame : Frame or None
        Of its coordinates; None: the job's.
    defaults : DigDefaults
        For shapes that don't say.
    axis : (m, 2) float64 or None
        Axis that a table of stations counts along, job's frame [m].
    """

    format: str = ""
    unit: str = ""
    frame: Frame | None = None
    defaults: DigDefaults = field(default_factory=DigDefaults)
    axis: Floats | None = None


@dataclass(frozen=True)
class AddedDigs:
    """What `add_dig_file` did: the stored file, its digs, and whether it was there before."""

    path: Path
    sha256: str
    digs: tuple[Dig, ...]
    known: bool


def file_inside(folder: JobFolder, name: str, where: str) -> Path:
    """The path of a file of the job by its name in `digs.toml`.

    Raises
    ------
    SettingsError
        If it points outside the job's folder.
    """
    parts = PurePosixPath(name.replace("\\", "/"))
    path = folder.path / parts
    inside = not parts.is_absolute() and ".." not in parts.parts and ":" not in name
    if not inside or not path.resolve().is_relative_to(folder.path.resolve()):
        raise SettingsError(
            f"'{name}' lies outside the job's folder.",
            where=where,
            remedy="Copy the file into the job's folder and name it from there: digs/plan.dxf",
        )
    return path


def file_bytes(path: Path) -> bytes:
    """The bytes of a file.

    Raises
    ------
    InputError
        If it can't be read.
    """
    if not path.is_file():
        raise InputError(
            "there is no such file.", where=str(path), remedy="Check the name; put it there."
        )
    return read_bytes(path)


def read_dig_file(
    content: bytes, name: str, how: DigFile, settings: JobSettings
) -> tuple[Dig, ...]:
    """Digs of a file's bytes.

    Parameters
    ----------
    content, name
        Of the file.
    how : DigFile
    settings : JobSettings

    Raises
    ------
    InputError
        As `asfound.intake.digs.read_digs`.
    """
    if name.lower().endswith(".shp"):
        raise InputError(
            "a shapefile is several files.",
            where=name,
            remedy="Pack the .shp with .shx, .dbf and .prj into one zip archive, and give that.",
        )
    digs = read_digs(
        content, name, settings, kind=how.format, frame=how.frame, unit=how.unit,
        defaults=how.defaults, axis=how.axis,
    )  # fmt: skip
    return tuple(following_ground(dig) for dig in digs)


def file_digs(
    folder: JobFolder, table: Table, unit: LengthUnit, settings: JobSettings
) -> tuple[str, tuple[Dig, ...]]:
    """Digs of a `[[file]]` table, and the file's name without its ending.

    Raises
    ------
    SettingsError
        If the table can't be used.
    InputError
        If the file is missing, changed or can't be read.
    """
    name = table.take("path", text)
    path = file_inside(folder, name, table.where)
    content = file_bytes(path)
    digest = table.take("sha256", text, "")
    if digest and hashlib.sha256(content).hexdigest() != digest:
        raise InputError(
            "the file has changed since it was added.",
            where=name,
            remedy="Add the new file with asfound digs JOB --add FILE, and take this table out.",
        )
    length = length_in(unit, positive)
    defaults = DigDefaults(
        **{key: table.take(key, length, float("nan")) for key in _SIZES},
        installs=table.take("installs", utility, Utility.UNKNOWN),
        kind=table.take("kind", text, ""),
    )
    crs = table.take("crs", text, "")
    own = settings.frame
    frame = Frame(
        crs,
        table.take("epoch", number) if "epoch" in table.values else None,
        table.take("heights", text, own.height_kind),
        table.take("geoid", text, own.geoid),
    )
    table.asked.add("epoch")
    axis = table.take("axis", points_in(unit, 2)) if "axis" in table.values else None
    table.asked.add("axis")
    how = DigFile(
        table.take("format", text, ""), table.take("unit", text, ""), frame if crs else None,
        defaults, axis,
    )  # fmt: skip
    table.done()
    digs = read_dig_file(content, path.name, how, settings)
    return path.stem, digs


def add_dig_file(
    folder: JobFolder,
    file: Path,
    how: DigFile,
    check: Callable[[str, tuple[Dig, ...]], object] | None = None,
) -> AddedDigs:
    """Store a file of digs in the job, byte for byte, and name it in `digs.toml`.

    Parameters
    ----------
    folder : JobFolder
    file : Path
    how : DigFile
    check : callable, optional
        Given the name's stem and the digs before anything is stored, unless the file is known;
        what it raises keeps the file out.

    Raises
    ------
    InputError
        If the file can't be read as digs; nothing is stored then.
    SettingsError
        If `digs.toml` can't be used.
    """
    settings = read_settings(folder)
    content = file_bytes(file)
    digs = read_dig_file(content, file.name, how, settings)
    digest = hashlib.sha256(content).hexdigest()
    plan = folder.path / "digs.toml"
    before = read_bytes(plan).decode("utf-8-sig") if plan.is_file() else _HEAD
    try:
        tree = tomllib.loads(before)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(
            f"not readable as TOML: {error}.", where=str(plan), remedy="Correct the line it names."
        ) from error
    unit = length_unit(str(tree.get("unit", "m")), where=f"{plan}, unit")
    entry = {"sha256": digest, **_entry(how, unit)}
    for known in tree.get("file", []):
        if {key: value for key, value in known.items() if key != "path"} == entry:
            return AddedDigs(folder.path / known["path"], digest, digs, True)
    path = _free_name(folder, plain_name(file.name), content)
    if check is not None:
        check(path.stem, digs)
    write_whole(path, content)
    table = {"path": path.relative_to(folder.path).as_posix(), **entry}
    text_after = before.rstrip("\n") + "\n\n" + tomli_w.dumps({"file": [table]})
    write_whole(plan, text_after.encode())
    return AddedDigs(path, digest, digs, False)


def _free_name(folder: JobFolder, name: str, content: bytes) -> Path:
    """Where the bytes go: under their own name, or with a number if another file has it."""
    stem, dot, suffix = name.rpartition(".")
    number = 1
    while True:
        path = folder.path / "digs" / (name if number == 1 else f"{stem}-{number}{dot}{suffix}")
        if not path.exists() or path.read_bytes() == content:
            return path
        number += 1


def _entry(how: DigFile, unit: LengthUnit) -> dict[str, Any]:
    """A `[[file]]` table without its path and hash; sizes in the unit of `digs.toml`."""
    entry: dict[str, Any] = {"format": how.format, "unit": how.unit}
    if how.frame is not None:
        entry |= {
            "crs": how.frame.crs,
            "heights": how.frame.height_kind,
            "geoid": how.frame.geoid,
        }
        if how.frame.epoch is not None:
            entry["epoch"] = how.frame.epoch
    usual = how.defaults
    entry["kind"] = usual.kind
    if usual.installs is not Utility.UNKNOWN:
        entry["installs"] = usual.installs.word
    for size in fields(usual):
        value = getattr(usual, size.name)
        if isinstance(value, float) and value == value:
            entry[size.name] = round(value / unit.metres, 9)
    if how.axis is not None:
        entry["axis"] = np.round(how.axis / unit.metres, 9).tolist()
    return {key: value for key, value in entry.items() if value != ""}
