"""Shots in DXF: tick across the line, 95 % ellipse to scale, centre as a 3D point, label."""

from __future__ import annotations

import numpy as np

from asfound.deliver.delivery import Delivery
from asfound.deliver.dxf_entities import EntityWriter, layer, plain_text
from asfound.deliver.shot_columns import shot_roles
from asfound.deliver.symbols import shot_labels, ticks
from asfound.model import Verdict

TICK, WIDTH, TEXT_HEIGHT = 0.30, 0.05, 0.20  # half length, half width, height on the ground [m]


def add_shots(writer: EntityWriter, delivery: Delivery) -> None:
    """Symbol, ellipse, centre and label of every shot that has a position."""
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
