"""Round scales, round steps, and how a job is cut into map sheets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Common practice: decimal scales in metric work, inches to tens of feet in foot work.
_METRIC = (
    20,
    50,
    100,
    200,
    250,
    500,
    1000,
    2000,
    2500,
    5000,
    10_000,
    20_000,
    25_000,
    50_000,
    100_000,
    250_000,
    500_000,
    1_000_000,
    5_000_000,
    20_000_000,
)
_INCH_FEET = (
    24,
    60,
    120,
    240,
    360,
    480,
    600,
    1200,
    2400,
    3600,
    4800,
    6000,
    12_000,
    24_000,
    48_000,
    120_000,
    240_000,
    600_000,
    1_200_000,
    6_000_000,
    24_000_000,
)
DETAIL = {True: 250, False: 240}
MOST_SHEETS = 24


def scale_list(metric: bool) -> tuple[int, ...]:
    """Scale denominators, finest first."""
    return _METRIC if metric else _INCH_FEET


def scale_words(denominator: int, metric: bool) -> str:
    """``'1:250'`` or ``'1 in = 20 ft (1:240)'``."""
    if metric or denominator % 12:
        return f"1:{denominator}"
    return f"1 in = {denominator // 12} ft (1:{denominator})"


def round_step(least: float) -> float:
    """The least of 1, 2, 5 times a power of ten that is not below `least` (> 0)."""
    power = 10.0 ** np.floor(np.log10(least))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if factor * power >= least * (1.0 - 1e-9):
            return float(factor * power)
    return float(10.0 * power)


def multiples(low: float, high: float, step: float) -> list[float]:
    """Multiples of a step within an interval."""
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [k * step for k in range(first, last + 1)]


@dataclass(frozen=True)
class Sheet:
    """One map: a window on the ground at a scale.

    Parameters
    ----------
    title : str
    west, south : float
        Lower left corner [m].
    width, height : float
        On paper [mm].
    denominator : int
        Scale.
    flipped : bool
        True for a page in landscape.
    """

    title: str
    west: float
    south: float
    width: float
    height: float
    denominator: int
    flipped: bool = False

    @property
    def metres_per_mm(self) -> float:
        return self.denominator / 1000.0

    @property
    def east(self) -> float:
        return self.west + self.width * self.metres_per_mm

    @property
    def north(self) -> float:
        return self.south + self.height * self.metres_per_mm

    def paper(self, points: Floats) -> Floats:
        """(..., 2) easting, northing [m] as x, y on paper [mm], y downward."""
        x = (points[..., 0] - self.west) / self.metres_per_mm
        y = self.height - (points[..., 1] - self.south) / self.metres_per_mm
        return np.stack([x, y], axis=-1)

    def holds(self, points: Floats, margin: float = 0.0) -> npt.NDArray[np.bool_]:
        """(...,) bool: which points lie in the window, widened by `margin` [m]."""
        e, n = points[..., 0], points[..., 1]
        return np.asarray(
            (e >= self.west - margin)
            & (e <= self.east + margin)
            & (n >= self.south - margin)
            & (n <= self.north + margin)
        )


def overview(extent: Floats, frames: dict[bool, tuple[float, float]], metric: bool) -> Sheet:
    """The whole job on one sheet, portrait or landscape, at the finest round scale that holds it.

    Parameters
    ----------
    extent : (2, 2) float64
        Lower left, upper right [m].
    frames : dict
        Width and height on paper [mm] for portrait (False) and landscape (True).
    metric : bool
    """
    size = np.maximum(extent[1] - extent[0], 1.0)
    best: tuple[int, bool] | None = None
    for flipped, (width, height) in frames.items():
        for denominator in scale_list(metric):
            if (size * 1000.0 <= np.array([width, height]) * 0.92 * denominator).all():
                if best is None or denominator < best[0]:
                    best = (denominator, flipped)
                break
    denominator, flipped = best or (scale_list(metric)[-1], False)
    width, height = frames[flipped]
    corner = extent.mean(axis=0) - np.array([width, height]) * denominator / 2000.0
    return Sheet(
        "Overview", float(corner[0]), float(corner[1]), width, height, denominator, flipped
    )


def details(
    whole: Sheet, points: Floats, frames: dict[bool, tuple[float, float]], metric: bool
) -> tuple[Sheet, ...]:
    """Sheets at a scale one can read, where there is something; none if the overview will do.

    Parameters
    ----------
    whole : Sheet
    points : (n, 2) float64
        What is to be shown [m], no further apart than a sheet is wide.
    frames : dict
        Width and height on paper [mm] for portrait (False) and landscape (True).
    metric : bool
    """
    points = points[whole.holds(points)]
    for denominator in scale_list(metric):
        if denominator < DETAIL[metric]:
            continue
        if denominator >= whole.denominator or not len(points):
            return ()
        found = []
        for flipped, frame in frames.items():
            window = np.array(frame) * denominator / 1000.0
            for along in (0, 1):
                centres = _cover(points, window, along)
                found.append((len(centres), flipped, along, centres, window, frame))
        count, flipped, _, centres, window, frame = min(found, key=lambda f: f[:3])
        if count <= MOST_SHEETS:
            corners = [(centre - window / 2.0).tolist() for centre in centres]
            return tuple(
                Sheet(f"Sheet {k}", west, south, frame[0], frame[1], denominator, flipped)
                for k, (west, south) in enumerate(corners, 1)
            )
    return ()


def _cover(points: Floats, window: Floats, along: int) -> list[Floats]:
    """Centres of windows that cover all points, laid one after the other from west or north.

    Greedy: the window goes over the first point not yet covered and as many others as it can
    hold. Stops early when there are more windows than anyone would print.
    """
    # Points are gathered in cells of a fortieth of the window, by which it is kept smaller, and
    # by another twentieth, so that neighbouring sheets overlap and nothing hides in a seam.
    cell = window / 40.0
    sign = np.array([1.0, 1.0]) if along == 0 else np.array([1.0, -1.0])
    left = np.unique(np.floor(points / cell), axis=0) * cell + cell / 2.0
    left = left * sign
    inner = window * (1.0 - 1.0 / 40.0 - 1.0 / 20.0)
    across = 1 - along
    centres: list[Floats] = []
    while len(left) and len(centres) <= MOST_SHEETS:
        first = left[np.argmin(left[:, along])]
        strip = left[left[:, along] <= first[along] + inner[along]]
        level = np.sort(strip[:, across])
        start = level[(level >= first[across] - inner[across]) & (level <= first[across])]
        held = np.searchsorted(level, start + inner[across], "right") - np.searchsorted(
            level, start
        )
        bottom = start[np.argmax(held)]
        covered = (
            (left[:, along] <= first[along] + inner[along])
            & (left[:, across] >= bottom)
            & (left[:, across] <= bottom + inner[across])
        )
        inside = left[covered]
        centre = (inside.min(axis=0) + inside.max(axis=0)) / 2.0
        centres.append(centre * sign)
        left = left[~covered]
    return centres
