"""Sobol's points, scrambled at random, as standard normal numbers.

`sobol.npy` holds direction numbers of the first 256 dimensions, 30 bits each: those of Joe and Kuo
(2008), "Constructing Sobol sequences with better two-dimensional projections", SIAM J. Sci. Comput.
30, 2635-2654. Each scrambling multiplies the bits by a random lower triangular matrix and shifts
them (Matousek 1998). The points are those of `scipy.stats.qmc.Sobol`, which takes longer to load
than all odds of a usual job take to compute; it is used for more dimensions.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.uint32]

SEED = 20
BITS = 30
DIMENSIONS = 32
"""Points are made for so many dimensions at a time, and the first of them used."""


def normal_points(size: int, number: int, scrambling: int) -> Floats:
    """(number, size) standard normal points, the same at every call; number is a power of two."""
    wide = -(-size // DIMENSIONS) * DIMENSIONS
    return _points(wide, number, scrambling)[:, :size]


@lru_cache(maxsize=128)
def _points(size: int, number: int, scrambling: int) -> Floats:
    if size > len(_directions()):
        from scipy.stats import qmc

        uniform = qmc.Sobol(size, scramble=True, seed=SEED + scrambling).random(number)
        return _normal(uniform)
    shift, columns = _scrambled(size, scrambling)
    if number == 1:
        return _normal(np.asarray(shift[None] * 2.0**-BITS, np.float64))
    # The second half is the first backwards with one more column: the order of Gray's code.
    half = number // 2
    before = _words(shift, columns, half)
    added = before[::-1] ^ columns[:, half.bit_length() - 1]
    return _sealed(
        np.concatenate(
            (_points(size, half, scrambling), _normal(np.asarray(added * 2.0**-BITS, np.float64)))
        )
    )


def _words(shift: Words, columns: Words, number: int) -> Words:
    """(number, d) the points' bits."""
    words = shift[None]
    for column in range(number.bit_length() - 1):
        words = np.concatenate((words, words[::-1] ^ columns[:, column]))
    return words


@lru_cache(maxsize=64)
def _scrambled(size: int, scrambling: int) -> tuple[Words, Words]:
    """(d,) shift and (d, 30) direction numbers."""
    rng = np.random.default_rng(SEED + scrambling)
    powers = np.uint32(2) ** np.arange(BITS, dtype=np.uint32)
    shift = rng.integers(0, 2, size=(size, BITS), dtype=np.uint32) @ powers
    matrix = np.tril(rng.integers(0, 2, size=(size, BITS, BITS), dtype=np.uint32))
    matrix[:, np.arange(BITS), np.arange(BITS)] = 1
    place = np.arange(BITS - 1, -1, -1, dtype=np.uint32)[:, None]
    bits = (_directions()[:size, None, :] >> place) & np.uint32(1)
    # sums of up to 30 ones are exact in single precision
    mixed = matrix.astype(np.float32) @ bits.astype(np.float32)
    columns = np.sum((mixed.astype(np.uint32) & np.uint32(1)) << place, axis=1, dtype=np.uint32)
    return shift.astype(np.uint32), np.asarray(columns, np.uint32)


@lru_cache(maxsize=1)
def _directions() -> Words:
    with files(__package__).joinpath("sobol.npy").open("rb") as stream:
        return np.asarray(np.load(stream), np.uint32)


def _normal(uniform: Floats) -> Floats:
    return _sealed(ndtri(np.clip(uniform, 1e-12, 1.0 - 1e-12)))


def _sealed(points: Floats) -> Floats:
    points.setflags(write=False)
    return points
