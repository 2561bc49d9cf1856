"""What the readings can't tell: the conductor that may stand beside those found.

A further conductor of current a at some place would raise the misfit of the fit by a² times the
part of its field that the conductors found can't imitate by shifting (the projection of its
field off theirs and their derivatives). Below a limit it stays undetected, and it then shifts
the conductors found. Linear in a; source: detection of a known signal in normal noise.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._certainty import parameter_slopes
from asfound.em.inversion._moments import Readings, columns
from asfound.em.inversion._selection import FEWEST_PENALTY, n_parameters

FloatArray = npt.NDArray[np.float64]

SEPARATIONS = np.array(
    [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0]
)
LARGEST_RATIO = 0.8  # of a neighbour's current to that of the strongest conductor
POWER = 1.6448536269514722  # standard deviations for detection 95 % of the time
CHANCE = 0.1
"""How often a conductor found hides another that its sweep can't tell (common practice: parallel
lines in one trench are the exception; no source)."""


CHANCE_MORE = 0.02
"""The same where several conductors were told apart already."""

DEPTH_RATIOS = np.array([0.7, 1.4])  # of other neighbours' depths to the strongest's


class Undetected(NamedTuple):
    """Limits for a further conductor as deep as the strongest one, of n sweeps.

    ``ratio`` (n, s) smallest current, relative to the strongest, that would be detected 95 % of
    the time at each of `SEPARATIONS`, whichever side; ``shift`` (n, 2 C) standard deviations to
    allow for one that was not: positions, then depths [m].
    """

    ratio: FloatArray
    shift: FloatArray


def undetected(
    readings: Readings,
    place: FloatArray,
    linear: FloatArray,
    weight: FloatArray,
    variance: FloatArray,
    count: FloatArray,
    chunk: int = 128,
) -> Undetected:
    """Limits of detection beside the conductors found.

    Parameters
    ----------
    readings : Readings of n sweeps
    place, linear : (2 C, n), (C + B, r, n)
        Largest current first.
    weight : (n, k) float64
        Information of each reading.
    variance : (n,) float64
        Noise variance in units of the assumed one.
    count : (n,) float64
        Readings used.

    Returns
    -------
    Undetected
    """
    n = place.shape[1]
    size = place.shape[0] // 2
    ratio, shift = np.empty((n, len(SEPARATIONS))), np.empty((n, 2 * size))
    for start in range(0, n, chunk):
        rows = np.arange(start, min(start + chunk, n))
        ratio[rows], shift[rows] = _chunk(
            readings.rows(rows),
            place[:, rows],
            linear[..., rows],
            weight[rows],
            variance[rows],
            count[rows],
        )
    return Undetected(ratio, shift)


def _chunk(
    readings: Readings,
    place: FloatArray,
    linear: FloatArray,
    weight: FloatArray,
    variance: FloatArray,
    count: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    size, n_parts = place.shape[0] // 2, linear.shape[1]
    sides = np.concatenate([-SEPARATIONS, SEPARATIONS])
    some = sides[::3]
    offsets = np.concatenate([sides, np.tile(some, len(DEPTH_RATIOS))])
    deeper = np.concatenate([np.ones(len(sides)), np.repeat(DEPTH_RATIOS, len(some))])
    candidates = np.concatenate(
        [place[0] + offsets[:, np.newaxis], place[size] * deeper[:, np.newaxis]]
    )
    bare = readings._replace(background=False)
    fields = columns(bare, candidates, order=0)
    # A current in phase with the strongest conductor's: worst case, and phasors reduce to it.
    direction = linear[0] / np.sqrt((linear[0] ** 2).sum(axis=0))
    slopes = parameter_slopes(readings, place, linear)
    n, p, r, k = slopes.shape
    root = np.sqrt(weight / variance[:, np.newaxis])
    flat = (slopes * root[:, np.newaxis, np.newaxis]).reshape(n, p, r * k)
    wanted = (fields * root[:, np.newaxis])[:, :, np.newaxis] * direction.T[
        :, np.newaxis, :, np.newaxis
    ]
    wanted = wanted.reshape(n, -1, r * k)
    gram = flat @ flat.transpose(0, 2, 1)
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", gram), 1e-12))
    gram = gram / scale[:, :, np.newaxis] / scale[:, np.newaxis]
    gram[:, np.arange(p), np.arange(p)] += 1e-10
    answer = np.linalg.solve(gram, (flat / scale[:, :, np.newaxis]) @ wanted.transpose(0, 2, 1))
    left = (wanted**2).sum(axis=2) - np.einsum(
        "npc,npc->nc", answer, (flat / scale[:, :, np.newaxis]) @ wanted.transpose(0, 2, 1)
    )
    left = np.maximum(left, 1e-9 * (wanted**2).sum(axis=2))
    answer = answer / scale[:, :, np.newaxis]
    strongest = np.sqrt((linear[0] ** 2).sum(axis=0))[:, np.newaxis]
    each = n_parameters(1, n_parts, background=False)
    penalty = np.maximum(each * np.log(np.maximum(count, 2.0)), FEWEST_PENALTY)[:, np.newaxis]
    found = (np.sqrt(penalty) + POWER) / np.sqrt(left) / strongest
    # The first block of candidates is as deep as the strongest.
    ratio = found[:, : len(sides)].reshape(n, 2, -1).max(axis=1)
    hidden = np.minimum(np.sqrt(penalty / left), LARGEST_RATIO * strongest)
    moved = np.abs(answer) * hidden[:, np.newaxis]
    per = 2 + n_parts
    where = np.concatenate([np.arange(size) * per, np.arange(size) * per + 1])
    # No neighbour moves a line farther than it stands away.
    limit = LARGEST_RATIO * np.hypot(offsets, (deeper - 1.0) * place[size][:, np.newaxis])
    shift = np.minimum(moved[:, where], limit[:, np.newaxis]).max(axis=2)
    return ratio, np.sqrt(CHANCE if size == 1 else CHANCE_MORE) * shift


def separation_needed(ratio: FloatArray, wanted: float) -> FloatArray:
    """Smallest separation beyond which a neighbour of `wanted` relative current is detected.

    Parameters
    ----------
    ratio : (n, s) float64
        From `Undetected`.
    wanted : float

    Returns
    -------
    (n,) float64
        [m]; infinite if not within the largest of `SEPARATIONS`.
    """
    hidden = ratio > wanted
    last = np.where(hidden.any(axis=1), ratio.shape[1] - np.argmax(hidden[:, ::-1], axis=1), 0)
    table = np.append(SEPARATIONS, np.inf)
    result: FloatArray = table[np.minimum(last, len(SEPARATIONS))]
    return result
