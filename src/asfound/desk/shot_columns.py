"""All shots of a job as columns of bytes, so that a browser needs no parsing.

Places are whole tenths of a millimetre from the job's origin: exact where one pixel is 5 mm.
"""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.model import Results, Severity

Floats = npt.NDArray[np.float64]

MAGIC = b"ASFS"
SCALE = 1e-4
"""Metres of one unit in encoded places and lengths."""
MISSING_PLACE = -(2**31)
MISSING_LENGTH = 2**32 - 1


def shots_bytes(results: Results, origin: tuple[int, int]) -> bytes:
    """All shots as columns.

    Layout: ``ASFS``, the length of the header (uint32), the header (JSON, padded with spaces to a
    multiple of 8), then each column at the offset that the header names, counted from the end of
    the header, little-endian, aligned to 8.
    """
    columns = _columns(results, origin)
    parts, listed, offset = [], [], 0
    for name, values in columns.items():
        data = values.astype(values.dtype.newbyteorder("<"), copy=False).tobytes()
        listed.append({"name": name, "type": values.dtype.name, "offset": offset})
        padding = -len(data) % 8
        parts.append(data + b"\0" * padding)
        offset += len(data) + padding
    shots = results.intake.shots
    header = json.dumps(
        {
            "count": len(shots),
            "columns": listed,
            "scale": SCALE,
            "missing_place": MISSING_PLACE,
            "missing_length": MISSING_LENGTH,
            "uploads": [
                {"tag": source.tag, "file": source.file, "sha256": source.sha256}
                for source in results.intake.sources
            ],
            "hookups": list(shots.hookup.names),
            "receivers": list(shots.receiver.names),
            "controls": list(shots.control.names),
            "names": list(shots.name.names),
            "notes": list(shots.note.names),
        },
        ensure_ascii=False,
        allow_nan=False,
        separators=(",", ":"),
    ).encode("utf-8", "replace")
    header += b" " * (-(len(header) + 8) % 8)
    return b"".join([MAGIC, struct.pack("<I", len(header)), header, *parts])


def _columns(results: Results, origin: tuple[int, int]) -> dict[str, npt.NDArray[Any]]:
    shots, ground, budget = results.intake.shots, results.ground, results.budget
    assembly = results.assembly
    station = np.full(len(shots), np.nan)
    left_out = np.zeros(len(shots), bool)
    for line in results.lines:
        station[line.shots] = line.station
        left_out[line.shots] = ~line.used
    swept = np.zeros(len(shots), bool)
    swept[[c.shot for c in results.corrections]] = True
    doubts = np.zeros(len(shots), np.int64)
    for outcome in results.findings.outcomes:
        if outcome.rule.subject == "shot":
            grave = outcome.severity >= Severity.DOUBT
            np.add.at(doubts, outcome.index[grave], 1)
    decided = np.zeros(len(shots), bool)
    for item in results.decided:
        decided[list(item.shots)] = True
    seconds = np.where(np.isnat(shots.time), 0, shots.time.astype("datetime64[s]").astype(np.int64))
    flags = swept + 2 * left_out + 4 * decided
    return {
        "easting": _place(ground.easting - origin[0]),
        "northing": _place(ground.northing - origin[1]),
        "major": _length(budget.ellipse[:, 0]),
        "minor": _length(budget.ellipse[:, 1]),
        "bearing": _angle(budget.ellipse[:, 2]),
        "line_bearing": _angle(_half_turn(assembly.bearing)),
        "horizontal_95": _length(budget.horizontal_95),
        "vertical_95": _length(budget.vertical_95),
        "depth": _place(results.depth),
        "station": _place(station),
        "line": assembly.line.astype(np.int32),
        "rank": assembly.rank.astype(np.int32),
        "row": shots.row.astype(np.int32),
        "time": np.clip(seconds, 0, 2**32 - 1).astype(np.uint32),
        "hookup": shots.hookup.codes.astype(np.int32),
        "receiver": shots.receiver.codes.astype(np.int32),
        "control": shots.control.codes.astype(np.int32),
        "name": shots.name.codes.astype(np.int32),
        "note": shots.note.codes.astype(np.int32),
        "upload": shots.source.astype(np.uint16),
        "verdict": results.verdict.astype(np.uint8),
        "utility": shots.utility.astype(np.uint8),
        "fix": shots.fix.astype(np.int8),
        "doubts": np.minimum(doubts, 255).astype(np.uint8),
        "flags": flags.astype(np.uint8),
    }


def _place(metres: Floats) -> npt.NDArray[np.int32]:
    """Tenths of a millimetre; farther than 214 km counts as missing."""
    tenths = np.rint(metres / SCALE)
    usable = np.isfinite(tenths) & (np.abs(tenths) < 2**31 - 1)
    return np.where(usable, tenths, MISSING_PLACE).astype(np.int32)


def _length(metres: Floats) -> npt.NDArray[np.uint32]:
    tenths = np.rint(metres / SCALE)
    known = np.isfinite(tenths)
    capped = np.clip(np.where(known, tenths, 0), 0, MISSING_LENGTH - 1)
    return np.where(known, capped, MISSING_LENGTH).astype(np.uint32)


def _half_turn(bearing: Floats) -> Floats:
    """The same direction of a line as -pi/2 to pi/2, which fits the column."""
    return (bearing + np.pi / 2) % np.pi - np.pi / 2


def _angle(radians: Floats) -> npt.NDArray[np.int16]:
    return np.where(np.isfinite(radians), np.rint(np.nan_to_num(radians) / SCALE), -(2**15)).astype(
        np.int16
    )
