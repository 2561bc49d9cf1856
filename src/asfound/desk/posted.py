"""Shots posted one by one over the API, and the delimited file they are frozen as.

Before a job is processed, what one receiver posted is written out as one upload with a known
mapping, so that a shot's key (SHA-256 of its upload, and row) never changes afterwards.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping as Dictionary
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from asfound.intake import Column, Mapping, mapping_to_toml
from asfound.model import Frame
from asfound.store.canonical import canonical_json


@dataclass(frozen=True)
class PostedColumn:
    """A key of a posted shot, and how its column is read.

    Parameters
    ----------
    key : str
        In the JSON of a shot.
    quantity : str
        Of `asfound.intake`.
    unit, form : str
        As a mapping file has them.
    """

    key: str
    quantity: str
    unit: str = ""
    form: str = ""


COLUMNS = (
    PostedColumn("name", "name"),
    PostedColumn("time", "time", form="iso"),
    PostedColumn("longitude", "longitude", "deg", "decimal"),
    PostedColumn("latitude", "latitude", "deg", "decimal"),
    PostedColumn("easting_m", "easting", "m"),
    PostedColumn("northing_m", "northing", "m"),
    PostedColumn("height_m", "height", "m"),
    PostedColumn("fix", "fix"),
    PostedColumn("satellites", "satellites"),
    PostedColumn("pdop", "pdop"),
    PostedColumn("correction_age_s", "correction_age", "s"),
    PostedColumn("base_distance_m", "base_distance", "m"),
    PostedColumn("east_sd_m", "east_sd", "m"),
    PostedColumn("north_sd_m", "north_sd", "m"),
    PostedColumn("up_sd_m", "up_sd", "m"),
    PostedColumn("antenna_height_m", "antenna_height", "m"),
    PostedColumn("tilt_deg", "tilt", "deg"),
    PostedColumn("utility", "utility"),
    PostedColumn("hookup", "hookup"),
    PostedColumn("method", "method"),
    PostedColumn("frequency_hz", "frequency", "Hz"),
    PostedColumn("depth_m", "depth", "m"),
    PostedColumn("current_a", "current", "A"),
    PostedColumn("signal_db", "signal", "dB"),
    PostedColumn("peak_null_separation_m", "peak_null_separation", "m"),
    PostedColumn("line", "line"),
    PostedColumn("control", "control"),
    PostedColumn("note", "note"),
)


@dataclass(frozen=True, order=True)
class Group:
    """Posted shots that go into one upload: the same receiver under the same declarations."""

    receiver: str
    frame: str
    epoch: float | None
    heights: str
    geoid: str
    position_of: str

    @classmethod
    def of(cls, payload: Dictionary[str, Any]) -> Group:
        """Of a payload of ``shots-posted`` or ``batch-sealed``."""
        return cls(
            receiver=str(payload["receiver"]),
            frame=str(payload["frame"]),
            epoch=None if payload.get("epoch") is None else float(payload["epoch"]),
            heights=str(payload.get("heights", "ellipsoidal")),
            geoid=str(payload.get("geoid", "")),
            position_of=str(payload.get("position_of", "antenna")),
        )

    def body(self) -> dict[str, Any]:
        """Its part of a payload."""
        return {
            "receiver": self.receiver,
            "frame": self.frame,
            "epoch": self.epoch,
            "heights": self.heights,
            "geoid": self.geoid,
            "position_of": self.position_of,
        }


@dataclass(frozen=True)
class PostedRow:
    """One posted shot and the entry it came with."""

    sequence: int
    values: Dictionary[str, Any]


def batch_bytes(rows: Sequence[PostedRow]) -> bytes:
    """The delimited file of posted shots: the same rows give the same bytes.

    The first column holds the ledger's entry and the place in it, so that two batches with the
    same readings are still two files.
    """
    used = used_columns(rows)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["entry", *(column.key for column in used)])
    place, last = 0, 0
    for row in rows:
        place = place + 1 if row.sequence == last else 1
        last = row.sequence
        cells = [_cell(row.values.get(column.key)) for column in used]
        writer.writerow([f"{row.sequence}.{place}", *cells])
    return stream.getvalue().encode()


def used_columns(rows: Sequence[PostedRow]) -> tuple[PostedColumn, ...]:
    """Columns that at least one row fills."""
    keys = {key for row in rows for key, value in row.values.items() if value not in (None, "")}
    return tuple(column for column in COLUMNS if column.key in keys)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return " ".join(value.split())
    return canonical_json(value)


def batch_mapping(group: Group, rows: Sequence[PostedRow]) -> str:
    """The mapping of the file that `batch_bytes` gives, as TOML."""
    columns = {
        column.quantity: Column(column.key, unit=column.unit, form=column.form)
        for column in used_columns(rows)
    }
    return mapping_to_toml(
        Mapping(
            columns=columns,
            time_zone="UTC",
            frame=Frame(group.frame, group.epoch, group.heights, group.geoid),
            position_of=group.position_of,
            receiver=group.receiver,
        )
    )
