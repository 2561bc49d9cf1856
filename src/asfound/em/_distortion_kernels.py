"""The loop that looks shots up in a distortion table."""

from __future__ import annotations

from math import isfinite, log

import numpy as np
import numpy.typing as npt

from asfound.compiled import BYTES, CUBE, FLOATS, FLOATS_OUT, kernel, part

Floats = npt.NDArray[np.float64]

SHALLOWEST = 1e-3
"""Of depths as looked up [m]: a logarithm is taken of them."""


@part
def _place(value: float, nodes: Floats) -> tuple[int, float]:
    """Number of the node before a value and how far it is to the next, held inside the nodes."""
    before = 0
    # Counted without a branch: where a shot falls can't be foretold.
    for node in range(1, len(nodes) - 1):
        before += value >= nodes[node]
    share = (value - nodes[before]) / (nodes[before + 1] - nodes[before])
    return before, min(max(share, 0.0), 1.0)


@part
def _within(shares: Floats, row: int, down: float, left: int, right: int, beside: float) -> float:
    """Bilinear, between two rows and two columns."""
    upper = (1.0 - beside) * shares[row, left] + beside * shares[row, right]
    lower = (1.0 - beside) * shares[row + 1, left] + beside * shares[row + 1, right]
    return float((1.0 - down) * upper + down * lower)


@kernel(FLOATS, FLOATS, BYTES, FLOATS, FLOATS, CUBE, CUBE, FLOATS_OUT, FLOATS_OUT)
def look_up_distortion(
    separation: Floats,
    depth: Floats,
    prior: npt.NDArray[np.int8],
    log_depth_nodes: Floats,
    separation_nodes: Floats,
    horizontal_shares: Floats,
    depth_shares: Floats,
    horizontal: Floats,
    below: Floats,
) -> None:
    """Interpolate shares of the depth for every shot, and turn them into metres.

    Parameters
    ----------
    separation, depth : (n,) float64
        Peak and null apart, NaN where not recorded, and the depth as shown, maybe NaN [m].
    prior : (n,) int8
        Number of each shot's block.
    log_depth_nodes, separation_nodes : (r,), (c,) float64
        Logarithms of depths, and separations over depth; ascending.
    horizontal_shares, depth_shares : (priors, r, c + 1) float64
        The last column is for separations not recorded.
    horizontal, below : (n,) float64
        Filled: standard deviations across the line and of the depth [m].
    """
    not_recorded = len(separation_nodes)
    for shot in range(len(depth)):
        positive = depth[shot] if depth[shot] > SHALLOWEST else SHALLOWEST
        row, down = _place(log(positive), log_depth_nodes)
        left = right = not_recorded
        beside = 0.0
        if isfinite(separation[shot]):
            left, beside = _place(abs(separation[shot]) / positive, separation_nodes)
            right = left + 1
        block = prior[shot]
        horizontal[shot] = depth[shot] * _within(
            horizontal_shares[block], row, down, left, right, beside
        )
        below[shot] = depth[shot] * _within(depth_shares[block], row, down, left, right, beside)
