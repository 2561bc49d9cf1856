"""Features of a GIS file: attributes as columns, points as positions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from asfound.errors import InputError
from asfound.intake.cell_reader import Cells, Fault
from asfound.intake.limits import SAMPLE_ROWS
from asfound.intake.mapping import Mapping
from asfound.intake.numbers import as_text
from asfound.intake.sample import Sample

Floats = npt.NDArray[np.float64]

GEOMETRY_HEIGHT = "height of the geometry"
"""Column that holds the third coordinate of each point."""
_CHUNK = 65536


@dataclass(frozen=True, eq=False)
class Features:
    """n features.

    Parameters
    ----------
    columns : dict of str to Arrow array
        Attributes: text, float64 or time; with `GEOMETRY_HEIGHT` where points have one.
    x, y : (n,) float64
        NaN where there is no point.
    line : (n,) int64
        Line or number of each feature in the file.
    faults : dict of str to (n,) bool
        Why features have no point.
    crs : str
        As the file declares it; empty if it doesn't.
    layer : str
    """

    columns: dict[str, pa.Array]
    x: Floats
    y: Floats
    line: npt.NDArray[np.int64]
    faults: dict[str, npt.NDArray[np.bool_]]
    crs: str
    layer: str = ""

    def __len__(self) -> int:
        return len(self.x)


class FeatureTable:
    """Features as blocks of cells.

    Parameters
    ----------
    features : Features
    mapping : Mapping
    name : str

    Raises
    ------
    InputError
        If the file lacks a column of the mapping.
    """

    def __init__(self, features: Features, mapping: Mapping, name: str) -> None:
        self._features = features
        self._keys = {}
        titles = list(features.columns)
        for quantity, column in mapping.columns.items():
            for key in (column.column, *(part.column for part in column.plus)):
                title = titles[key - 1] if isinstance(key, int) and key <= len(titles) else key
                if title not in features.columns:
                    raise InputError(
                        f"there is no attribute {key!r}, which the mapping takes the {quantity} "
                        "from.",
                        where=name,
                        remedy=f"Correct [columns.{quantity}] in the mapping file. The file's "
                        f"attributes: {', '.join(titles[:30])}.",
                    )
                self._keys[key] = str(title)
        self.located = mapping.kind == "shots"
        self.expected_rows = len(features)
        self.rows = len(features)
        self.comment_lines = 0
        self.blank_lines = 0

    def blocks(self) -> Iterator[Cells]:
        """All features, block by block."""
        features = self._features
        nothing = np.full(len(features), np.nan)
        for start in range(0, len(features), _CHUNK):
            part = slice(start, start + _CHUNK)
            count = len(features.x[part])
            faults: list[Fault] = [
                (
                    mask[part],
                    "geometry",
                    reason,
                    "Give shots as points; lines and areas are not read."
                    if "geometry" in reason
                    else "It is damaged: export the file again, or correct a copy.",
                    [""] * int(mask[part].sum()),
                )
                for reason, mask in features.faults.items()
            ]
            yield Cells(
                {
                    key: features.columns[title].slice(start, count)
                    for key, title in self._keys.items()
                },
                np.arange(start + 1, start + count + 1),
                features.line[part],
                (features.x[part], features.y[part], nothing[part]) if self.located else None,
                tuple(faults) if self.located else (),
            )


def sample_of(features: Features) -> Sample:
    """The first features as a sample to guess from."""
    cells = [
        [str(value or "") for value in as_text(column.slice(0, SAMPLE_ROWS)).to_pylist()]
        for column in features.columns.values()
    ]
    count = min(len(features), SAMPLE_ROWS)
    rows = tuple(tuple(column[k].strip() for column in cells) for k in range(count))
    return Sample("utf-8", ",", ".", 1, tuple(features.columns), rows, ())


def sound_text(column: pa.Array) -> tuple[pa.Array, npt.NDArray[np.bool_]]:
    """A column of text without bytes that are no text, and which rows held such."""
    if not pa.types.is_string(column.type):
        return column, np.zeros(len(column), bool)
    try:
        column.validate(full=True)
    except pa.ArrowInvalid:
        raw = column.cast(pa.binary()).to_pylist()
        text = [None if cell is None else cell.decode("utf-8", "replace") for cell in raw]
        spoiled = [
            cell is not None and after is not None and after.encode() != cell
            for cell, after in zip(raw, text, strict=True)
        ]
        return pa.array(text, pa.string()), np.array(spoiled, bool)
    return column, np.zeros(len(column), bool)


def plain_column(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """A column as text, float64 or time."""
    array = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks) if array.num_chunks else pa.array([], array.type)
    kind = array.type
    if pa.types.is_floating(kind):
        return array.cast(pa.float64())
    if pa.types.is_timestamp(kind):
        return array
    if pa.types.is_date(kind):
        return array.cast(pa.timestamp("us"))
    try:
        return array.cast(pa.string())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return pa.array([None if v is None else str(v) for v in array.to_pylist()], pa.string())
