"""Ground that other lines' shots measured near pieces of a log."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from asfound.budget.rules.runs import Runs

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_SAMPLE = 12
_NEIGHBOURS = 16
_FEWEST = 3
_TABLE = 1 << 20


class Witnesses:
    """How far pieces of a log lie above ground that other runs measured close by.

    Parameters
    ----------
    log : Runs
    pieces : sequence of (first, last)
        Places `first` to `last - 1` of the log, ascending.
    place : (n, 2) float64
        Easting and northing of all shots [m].
    height : (n,) float64
        Ground [m].
    reach : float
        How far away a witness may stand [m].
    """

    def __init__(
        self,
        log: Runs,
        pieces: Sequence[tuple[int, int]],
        place: Floats,
        height: Floats,
        reach: float,
    ) -> None:
        samples = [
            np.unique(np.linspace(first, last - 1, _SAMPLE).round().astype(np.int64))
            for first, last in pieces
        ]
        self._sampled = np.array([len(part) for part in samples])
        here = np.concatenate(samples)
        piece_of = np.full(len(log), -1)
        for number, (first, last) in enumerate(pieces):
            piece_of[first:last] = number
        where, ground = place[log.order], height[log.order]
        around = np.flatnonzero(_around(where, here, reach))
        tree = cKDTree(where[around], balanced_tree=False, compact_nodes=False)
        distance, near = tree.query(
            where[here], k=min(_NEIGHBOURS, len(around)), distance_upper_bound=reach
        )
        distance = distance.reshape(len(here), -1)
        sample, rank = np.nonzero(np.isfinite(distance))
        witness = around[near.reshape(len(here), -1)[sample, rank]]
        other = log.run[witness] != log.run[here[sample]]
        sample, rank, witness = sample[other], rank[other], witness[other]
        # Of each witness, that is each piece of another run, its shot nearest to each sample.
        speaker = log.run[witness] * (len(pieces) + 1) + piece_of[witness] + 1
        once = np.unique(sample * (int(speaker.max(initial=0)) + 1) + speaker, return_index=True)[1]
        sample, witness, speaker = sample[once], witness[once], speaker[once]
        away = distance[sample, rank[once]]
        above = ground[here[sample]] - ground[witness]
        self._said = _medians(piece_of[here[sample]], speaker, above, away, len(pieces))

    def heard(
        self, pieces: Sequence[int], distrusted: Iterable[int]
    ) -> dict[int, tuple[float, float]]:
        """What each other run says of some pieces together.

        Parameters
        ----------
        pieces, distrusted : numbers of pieces
            Those asked about; those whose own ground is known to be off.

        Returns
        -------
        said : dict
            By run: how far the pieces lie above it, and how far away that was measured [m]. A
            witness must have measured at a third of the sampled shots at least.
        """
        off = set(distrusted)
        total: dict[int, tuple[float, float, int]] = {}
        for piece in pieces:
            for run, speaker, above, away, count in self._said[piece]:
                if speaker not in off:
                    a, d, n = total.get(run, (0.0, 0.0, 0))
                    total[run] = (a + count * above, d + count * away, n + count)
        sampled = int(sum(self._sampled[piece] for piece in pieces))
        return {
            run: (a / n, d / n)
            for run, (a, d, n) in total.items()
            if n >= _FEWEST and 3 * n >= sampled
        }


Said = tuple[int, int, float, float, int]
"""Run and piece (-1: none) of a witness; height above it and distance [m]; samples."""


def _medians(
    piece: Integers, speaker: Integers, above: Floats, away: Floats, count: int
) -> list[list[Said]]:
    """By piece, what each witness says of it: median height above, mean distance."""
    said: list[list[Said]] = [[] for _ in range(count)]
    order = np.lexsort((above, speaker, piece))
    piece, speaker, above, away = piece[order], speaker[order], above[order], away[order]
    cut = np.ones(len(order), bool)
    cut[1:] = (piece[1:] != piece[:-1]) | (speaker[1:] != speaker[:-1])
    start = np.flatnonzero(cut)
    number = np.diff(np.append(start, len(order)))
    middle = 0.5 * (above[start + (number - 1) // 2] + above[start + number // 2])
    mean = np.add.reduceat(away, start) / number if len(start) else away
    rows = zip(
        piece[start].tolist(),
        (speaker[start] // (count + 1)).tolist(),
        (speaker[start] % (count + 1) - 1).tolist(),
        middle.tolist(),
        mean.tolist(),
        number.tolist(),
        strict=True,
    )
    for owner, run, own_piece, height, distance, samples in rows:
        said[owner].append((run, own_piece, height, distance, samples))
    return said


def _around(where: Floats, chosen: Integers, reach: float) -> Flags:
    """True for every point within reach of a chosen one, and for some others.

    Cells of a grid are looked up in a table by a hash: two cells may share a place in it, which
    costs time and changes nothing.
    """
    cell = np.floor(where / reach).astype(np.int64)
    table = np.zeros(_TABLE, bool)
    for east in (-1, 0, 1):
        for north in (-1, 0, 1):
            table[_hash(cell[chosen, 0] + east, cell[chosen, 1] + north)] = True
    return np.asarray(table[_hash(cell[:, 0], cell[:, 1])])


def _hash(east: Integers, north: Integers) -> Integers:
    return np.asarray((east * 73_856_093 ^ north * 19_349_663) & (_TABLE - 1))
