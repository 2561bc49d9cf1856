"""Shots in DXF: written as text, since a job may have a hundred thousand of them.

ezdxf makes the drawing and everything else in it; an object for each of four or five entities a
shot takes it two minutes for 100,000 shots, this some seconds. Handles continue where ezdxf's
end. Group codes: DXF reference, entities LWPOLYLINE, LINE, ELLIPSE, POINT and TEXT.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.deliver.delivery import Delivery
from asfound.deliver.shot_columns import shot_roles
from asfound.deliver.symbols import shot_labels, ticks
from asfound.model import Utility, Verdict

Floats = npt.NDArray[np.float64]

TICK, WIDTH, TEXT_HEIGHT = 0.30, 0.05, 0.20  # half length, half width, height on the ground [m]
DASHED = "ASFOUND_DASHED"


def plain_text(word: str) -> str:
    """User text for a TEXT entity: one line, without the format's control codes."""
    line = "".join(c if c.isprintable() else " " for c in " ".join(word.split()))
    # %% starts a code such as %%d; ^ followed by a letter is a control character; \U+XXXX and
    # \M+XXXX are characters. A blank in between leaves them readable and inert.
    return (
        line.replace("%%", "% %")
        .replace("^", "^ ")
        .replace("\\U+", "\\ U+")
        .replace("\\M+", "\\ M+")
    )


def layer(utility: int, verdict: int, part: str = "") -> str:
    """``'GAS-SOUND'``, ``'GAS-SOUND-ELLIPSE'``."""
    name = f"{Utility(utility).name}-{Verdict(verdict).name}"
    return f"{name}-{part}" if part else name


class _Writer:
    """Entities as text with handles that count on."""

    def __init__(self, first: int, owner: str) -> None:
        self.next = first
        self._owner = owner
        self.parts: list[str] = []

    def _add(self, kind: str, layer_name: str, body: str, style: str = "") -> None:
        self.parts.append(
            f"  0\n{kind}\n  5\n{self.next:X}\n330\n{self._owner}\n100\nAcDbEntity\n"
            f"  8\n{layer_name}\n{style}{body}"
        )
        self.next += 1

    def polyline(
        self, layer_name: str, points: list[list[float]], *, closed: bool, width: float = 0.0
    ) -> None:
        corners = "".join(f" 10\n{x:.6f}\n 20\n{y:.6f}\n" for x, y in points)
        self._add(
            "LWPOLYLINE",
            layer_name,
            f"100\nAcDbPolyline\n 90\n{len(points)}\n 70\n{int(closed)}\n 43\n{width:.6f}\n"
            + corners,
        )

    def line(self, layer_name: str, start: list[float], end: list[float]) -> None:
        self._add(
            "LINE",
            layer_name,
            f"100\nAcDbLine\n 10\n{start[0]:.6f}\n 20\n{start[1]:.6f}\n 30\n0.0\n"
            f" 11\n{end[0]:.6f}\n 21\n{end[1]:.6f}\n 31\n0.0\n",
        )

    def ellipse(
        self, layer_name: str, x: float, y: float, major: list[float], ratio: float, *, dashed: bool
    ) -> None:
        style = f"  6\n{DASHED}\n 48\n0.25\n" if dashed else ""
        self._add(
            "ELLIPSE",
            layer_name,
            f"100\nAcDbEllipse\n 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n0.0\n"
            f" 11\n{major[0]:.9f}\n 21\n{major[1]:.9f}\n 31\n0.0\n210\n0.0\n220\n0.0\n230\n1.0\n"
            f" 40\n{ratio:.9f}\n 41\n0.0\n 42\n6.283185307179586\n",
            style,
        )

    def point(self, layer_name: str, x: float, y: float, z: float) -> None:
        self._add(
            "POINT", layer_name, f"100\nAcDbPoint\n 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n{z:.6f}\n"
        )

    def text(self, layer_name: str, x: float, y: float, height: float, words: str) -> None:
        self._add(
            "TEXT",
            layer_name,
            f"100\nAcDbText\n 10\n{x:.6f}\n 20\n{y:.6f}\n 30\n0.0\n 40\n{height:.6f}\n"
            f"  1\n{words}\n100\nAcDbText\n",
        )


def dxf_shots(delivery: Delivery, drawing: Any) -> str:
    """Entities of all shots; the drawing's handles are moved on past theirs.

    Parameters
    ----------
    delivery : Delivery
    drawing : ezdxf.document.Drawing
        With its layers made.
    """
    handles = drawing.entitydb.handles
    writer = _Writer(int(str(handles), 16), drawing.modelspace().layout_key)
    results, grid = delivery.results, delivery.grid
    symbols = ticks(delivery, TICK, WIDTH)
    centre, ends = grid(symbols.centre).tolist(), grid(symbols.ends).tolist()
    bars, strikes = grid(symbols.bar).tolist(), grid(symbols.strike).tolist()
    triangles = grid(symbols.triangle).tolist()
    ellipse = results.budget.ellipse
    sine, cosine = np.sin(ellipse[:, 2]), np.cos(ellipse[:, 2])
    major = grid(np.column_stack([sine, cosine]) * ellipse[:, :1]).tolist()
    has_ellipse = (np.isfinite(ellipse).all(axis=1) & (ellipse[:, 0] > 1e-6)).tolist()
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.clip(ellipse[:, 1] / ellipse[:, 0], 1e-6, 1.0).tolist()
    height = grid(results.budget.centre_height).tolist()
    scale = delivery.about.grid_unit.metres
    width, size, offset = 2 * WIDTH / scale, TEXT_HEIGHT / scale, 0.4 / scale
    labels, roles = shot_labels(delivery), shot_roles(delivery)
    utility, verdict = results.intake.shots.utility.tolist(), results.verdict.tolist()
    names = {pair: layer(*pair) for pair in set(zip(utility, verdict, strict=True))}
    drawable = np.flatnonzero(np.isfinite(symbols.centre).all(axis=1)).tolist()
    for k in drawable:
        own = names[utility[k], verdict[k]]
        x, y = centre[k]
        if roles[k] == "control check":
            writer.polyline("CONTROL", triangles[k], closed=True)
        elif verdict[k] == Verdict.DOUBTFUL:
            writer.polyline(own, bars[k], closed=True)
        else:
            writer.polyline(own, ends[k], closed=False, width=width)
        if verdict[k] == Verdict.UNFIT:
            writer.line(own, *strikes[k])
        if has_ellipse[k]:
            dashed = verdict[k] != Verdict.SOUND
            writer.ellipse(f"{own}-ELLIPSE", x, y, major[k], ratio[k], dashed=dashed)
        if height[k] == height[k]:
            writer.point(own, x, y, height[k])
        words = plain_text(labels[k])
        writer.text(f"{own}-TEXT", x + offset, y + offset / 2, size, words)
    handles.reset(f"{writer.next:X}")
    return "".join(writer.parts)
