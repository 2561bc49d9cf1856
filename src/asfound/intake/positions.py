"""Whether positions can be what they are said to be: on the globe, in the frame's kind of
numbers, axes not swapped, signs not lost."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from asfound.intake.frames import FrameFacts

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Note = tuple[Flags, str, str, str, list[str]]

FAR_DEGREES = 1.0
"""Farther from the middle of the upload than this is looked at twice [deg]."""
FAR_METRES = 100_000.0
"""The same for projected coordinates [m]."""


@dataclass
class Centre:
    """Middle of the positions read so far (median of the first block that has any)."""

    x: float = float("nan")
    y: float = float("nan")

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.x))


@dataclass
class Checked:
    """What is wrong with positions: rows, quantity, reason, remedy, values."""

    rejected: list[Note] = field(default_factory=list)
    remarks: list[Note] = field(default_factory=list)


def check_positions(
    x: Floats, y: Floats, facts: FrameFacts, centre: Centre, candidates: Flags
) -> Checked:
    """Checks positions of a block; learns the centre from the first good ones.

    Parameters
    ----------
    x, y : (n,) float64
        In the frame's own unit.
    facts : FrameFacts
    centre : Centre
        Changed in place as long as it is not known.
    candidates : (n,) bool
        Rows that have both coordinates.
    """
    found = Checked()
    left = candidates.copy()
    with np.errstate(invalid="ignore"):
        nothing = left & (x == 0) & (y == 0)
        _say(found.rejected, nothing, left, "position", "the position is 0, 0: the receiver had "
             "none.", "Nothing to mend; the shot has to be logged again.", x, y)  # fmt: skip
        if facts.geographic:
            _geographic(found, x, y, left)
        else:
            _projected(found, x, y, left)
        if not centre.known and left.any():
            # Middle values that stand in the file, not means of two.
            middle = int(left.sum()) // 2
            centre.x = float(np.partition(x[left], middle)[middle])
            centre.y = float(np.partition(y[left], middle)[middle])
        if centre.known:
            _far(found, x, y, facts, centre, left)
    return found


def _say(
    notes: list[Note],
    mask: Flags,
    left: Flags,
    name: str,
    reason: str,
    remedy: str,
    x: Floats,
    y: Floats,
) -> None:
    if mask.any():
        values = [f"{a:.12g}, {b:.12g}" for a, b in zip(x[mask], y[mask], strict=True)]
        notes.append((mask.copy(), name, reason, remedy, values))
        left &= ~mask


def _geographic(found: Checked, x: Floats, y: Floats, left: Flags) -> None:
    grid = left & ((np.abs(x) > 1000) | (np.abs(y) > 1000))
    _say(
        found.rejected,
        grid,
        left,
        "position",
        "longitude, latitude {value} are grid coordinates, but the upload's frame has degrees.",
        "Put the rows of each frame into their own file and add each with its frame.",
        x,
        y,
    )
    swapped = left & (np.abs(y) > 90) & (np.abs(y) <= 180) & (np.abs(x) <= 90)
    _say(
        found.rejected,
        swapped,
        left,
        "position",
        "longitude, latitude {value}: no latitude is beyond 90 degrees; the two look swapped.",
        "Swap the two columns in the mapping file, or the two values in a copy of the file.",
        x,
        y,
    )
    high = left & (np.abs(y) > 90)
    _say(
        found.rejected,
        high,
        left,
        "latitude",
        "longitude, latitude {value}: no latitude is beyond 90 degrees.",
        "Correct the value in a copy of the file and add that copy.",
        x,
        y,
    )
    # 0 to 360 is a way of writing longitudes; beyond it is not.
    wide = left & ((x > 360) | (x < -180))
    _say(
        found.rejected,
        wide,
        left,
        "longitude",
        "longitude, latitude {value}: no longitude is beyond 180 degrees.",
        "Correct the value in a copy of the file and add that copy.",
        x,
        y,
    )
    x[left & (x > 180)] -= 360.0


def _projected(found: Checked, x: Floats, y: Floats, left: Flags) -> None:
    degrees = left & (np.abs(x) <= 180) & (np.abs(y) <= 90) & (x % 1 != 0) & (y % 1 != 0)
    # A local grid may start at zero: then all rows are small, not just some.
    if (degrees == left).all():
        degrees[:] = False
    _say(
        found.rejected,
        degrees,
        left,
        "position",
        "easting, northing {value} look like degrees, but the upload's frame is a grid.",
        "Put the rows of each frame into their own file and add each with its frame.",
        x,
        y,
    )
    huge = left & ((np.abs(x) > 1e9) | (np.abs(y) > 1e9))
    _say(
        found.rejected,
        huge,
        left,
        "position",
        "easting, northing {value} are not on the Earth.",
        "Correct the value in a copy of the file and add that copy.",
        x,
        y,
    )


def _far(
    found: Checked, x: Floats, y: Floats, facts: FrameFacts, centre: Centre, left: Flags
) -> None:
    limit = FAR_DEGREES if facts.geographic else FAR_METRES / facts.unit_metres

    def near(a: Floats, b: Floats) -> Flags:
        return (np.abs(a - centre.x) < limit) & (np.abs(b - centre.y) < limit)

    far = left & ~near(x, y)
    if not far.any():
        return
    pair = "longitude, latitude" if facts.geographic else "easting, northing"
    _say(
        found.rejected,
        far & near(y, x),
        left,
        "position",
        f"{pair} {{value}} lie far from the other rows, but near them when swapped.",
        "Swap the two values in a copy of the file and add that copy.",
        x,
        y,
    )
    far &= left
    signs = near(-x, y) | near(x, -y) | near(-x, -y)
    _say(
        found.rejected,
        far & signs,
        left,
        "position",
        f"{pair} {{value}} lie far from the other rows, but near them with the other sign.",
        "Correct the sign in a copy of the file and add that copy.",
        x,
        y,
    )
    far &= left
    distance = "a degree" if facts.geographic else "100 km"
    kept = np.ones_like(left)
    _say(
        found.remarks,
        far,
        kept,
        "position",
        f"{pair} {{value}} lie more than {distance} from the middle of the other rows.",
        "Check the position.",
        x,
        y,
    )
