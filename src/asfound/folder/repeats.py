"""`repeats.toml`: spots that were measured again, as stored by return checks."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tomli_w

from asfound.files import write_whole
from asfound.folder.layout import JobFolder
from asfound.folder.settings import Table, number, tables_of, text
from asfound.model import Repeat, ShotKey

Floats = npt.NDArray[np.float64]

_HEAD = (
    "# Spots measured again: return checks as they were stored. Positions are easting, northing,\n"
    "# ground height in the job's frame [m]; covariances are east, north, up [m2], row by row.\n"
)


def repeats_file(folder: JobFolder) -> Path:
    """Where repeats stand."""
    return folder.path / "repeats.toml"


def read_repeats(folder: JobFolder) -> tuple[Repeat, ...]:
    """Repeats of a job, in the order they were stored; none without the file.

    Raises
    ------
    SettingsError
        If `repeats.toml` can't be used.
    """
    return tuple(_repeat(table) for table in tables_of(repeats_file(folder), "repeat"))


def add_repeat(folder: JobFolder, repeat: Repeat) -> Repeat:
    """Put a repeat on file under the next free name, which it comes back with."""
    before = read_repeats(folder)
    used = {item.id for item in before}
    number_ = len(before) + 1
    while f"r{number_}" in used:
        number_ += 1
    stored = replace(repeat, id=f"r{number_}")
    trees = [_tree(item) for item in (*before, stored)]
    write_whole(repeats_file(folder), (_HEAD + tomli_w.dumps({"repeat": trees})).encode())
    return stored


def _tree(item: Repeat) -> dict[str, Any]:
    tree: dict[str, Any] = {"id": item.id, "target": item.target}
    if item.shot is not None:
        tree["shot"] = f"{item.shot.upload}:{item.shot.row}"
    tree["target_position"] = _plain(item.target_position)
    tree["target_covariance"] = _plain(item.target_covariance.ravel())
    if item.measured is not None:
        tree["measured"] = f"{item.measured.upload}:{item.measured.row}"
    tree["position"] = _plain(item.position)
    tree["covariance"] = _plain(item.covariance.ravel())
    tree |= {"frame": item.frame, "epoch": item.epoch, "when": item.when, "who": item.who}
    tree |= {"receiver": item.receiver, "outcome": item.outcome}
    if item.tolerance == item.tolerance:
        tree["tolerance"] = item.tolerance
    if item.note:
        tree["note"] = item.note
    return tree


def _plain(values: Floats) -> list[float]:
    return [float(value) for value in values]


def _repeat(table: Table) -> Repeat:
    table.asked |= {"shot", "measured", "tolerance"}
    repeat = Repeat(
        id=table.take("id", text),
        target=table.take("target", text),
        shot=table.take("shot", _key) if "shot" in table.values else None,
        target_position=table.take("target_position", _row),
        target_covariance=table.take("target_covariance", _matrix),
        measured=table.take("measured", _key) if "measured" in table.values else None,
        position=table.take("position", _row),
        covariance=table.take("covariance", _matrix),
        frame=table.take("frame", text),
        epoch=table.take("epoch", number),
        when=table.take("when", _moment),
        who=table.take("who", text, ""),
        receiver=table.take("receiver", text, ""),
        outcome=table.take("outcome", text, ""),
        tolerance=table.take("tolerance", number, float("nan")),
        note=table.take("note", text, ""),
    )
    table.done()
    return repeat


def _key(value: Any) -> ShotKey:
    upload, _, row = text(value).rpartition(":")
    if len(upload) != 64 or not row.isdigit():
        raise ValueError("SHA-256:row is needed")
    return ShotKey(upload, int(row))


def _row(value: Any) -> Floats:
    row = np.asarray(value, np.float64)
    if row.shape != (3,) or not np.isfinite(row[:2]).all():
        raise ValueError("easting, northing and height are needed")
    return row


def _matrix(value: Any) -> Floats:
    matrix = np.asarray(value, np.float64)
    if matrix.shape != (9,):
        raise ValueError("nine numbers are needed")
    matrix = matrix.reshape(3, 3)
    plane = matrix[:2, :2]
    if np.isfinite(plane).all() and float(np.linalg.eigvalsh(plane)[0]) < -1e-12:
        raise ValueError("no covariance: it has a negative variance")
    return matrix


def _moment(value: Any) -> datetime:
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise TypeError("a time with its zone, such as 2026-11-17T14:00:00Z, is needed")
    return value
