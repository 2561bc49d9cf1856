"""What profiles share: values to paper, the ground's line, how much heights are exaggerated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from asfound.deliver.finding_columns import plain_number
from asfound.deliver.report.svg import GREY, INK, Svg, simplified

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Axis:
    """Values to paper: `low` at `start`, `per_mm` value a millimetre, sign of the direction."""

    low: float
    start: float
    per_mm: float
    sign: float = 1.0

    def __call__(self, value: Floats | float) -> Floats:
        return self.start + self.sign * (np.asarray(value) - self.low) / self.per_mm


def draw_ground(drawing: Svg, x: Floats, y: Floats) -> None:
    """The surface, with short strokes under it as a profile has them."""
    drawing.path(simplified(np.column_stack([x, y])), stroke=INK, width=0.35)
    at = np.arange(float(x[0]) + 2.0, float(x[-1]), 5.0)
    strokes = "".join(
        f"M{px:.2f} {py:.2f}l-1 1.1"
        for px, py in zip(at.tolist(), np.interp(at, x, y).tolist(), strict=True)
    )
    drawing.path(strokes, stroke=GREY, width=0.2)


def times(ratio: float) -> str:
    """A factor to two figures or the unit."""
    return plain_number(ratio, 0) if ratio >= 10 else f"{ratio:.2g}"
