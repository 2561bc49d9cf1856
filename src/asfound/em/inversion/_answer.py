"""The answer of a batch, filled in group by group, in the units of the readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from asfound.em.inversion._assemble import Solution
from asfound.em.inversion._orders import OrderFit
from asfound.em.inversion._scaling import Scaled
from asfound.em.inversion.fits import MOST_CONDUCTORS, CurrentArray, SweepFits, SweepStatus
from asfound.em.inversion.readings import SweepBatch

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]


class Answer:
    """Arrays of `SweepFits` under construction; n sweeps, all unusable until reported."""

    def __init__(self, n: int, *, phasor: bool) -> None:
        most = MOST_CONDUCTORS
        self.n_conductors = np.zeros(n, dtype=np.intp)
        self.position = np.full((n, most), np.nan)
        self.depth = np.full((n, most), np.nan)
        self.current: CurrentArray = np.full((n, most), np.nan)
        self.background: CurrentArray = np.zeros((n, 2))
        if phasor:
            self.current = self.current.astype(np.complex128)
            self.background = self.background.astype(np.complex128)
        self.covariance = np.full((n, 3 * most, 3 * most), np.nan)
        self.neighbour = np.full((n, most, 2), np.nan)
        self.evidence = np.full((n, most), np.nan)
        self.p_value = np.full(n, np.nan)
        self.noise = np.full(n, np.nan)
        self.noise_known = np.zeros(n, dtype=bool)
        self.gain_known = np.zeros(n, dtype=bool)
        self.status = np.full(n, int(SweepStatus.UNUSABLE), dtype=np.int8)
        self.separation_limit = np.full(n, np.nan)
        self.at_bound = np.zeros((n, most), dtype=bool)
        self.sampled = np.full((n, 4), np.nan)

    def report(
        self,
        rows: IntArray,
        fit: OrderFit,
        solution: Solution,
        scaled: Scaled,
        which: IntArray,
        batch: SweepBatch,
    ) -> None:
        """Enter m sweeps with the same number of conductors.

        Parameters
        ----------
        rows : (m,)
            Where in the answer.
        fit, solution : of the m sweeps
        scaled, batch : of the group they are of
        which : (m,)
            Their rows in the group.
        """
        size = fit.place.shape[0] // 2
        n_parts = fit.linear.shape[1]
        at = rows[:, np.newaxis]
        slots = np.arange(size)
        self.position[at, slots] = fit.place[:size].T
        self.depth[at, slots] = fit.place[size:].T
        linear: npt.NDArray[np.float64] | npt.NDArray[np.complex128] = fit.linear[:, 0]
        if n_parts == 2:
            linear = fit.linear[:, 0] + 1j * fit.linear[:, 1]
        current = linear[:size].T
        turn = _units(current, scaled.current[which], n_parts)
        if n_parts == 1 and scaled.kind.unsigned:
            current = current * np.sign(current[:, :1])  # magnitudes tell relative signs only
        gain = scaled.current[which][:, np.newaxis]
        known = np.isfinite(gain).all()
        self.current[at, slots] = current * gain if known else current / np.abs(current[:, :1])
        index = np.arange(3 * size)
        self.covariance[at[:, :, np.newaxis], index[:, np.newaxis], index] = (
            turn @ solution.covariance @ turn.transpose(0, 2, 1)
        )
        self.neighbour[at, slots] = solution.neighbour
        unit = np.ones(len(rows)) if batch.unit == "dB" else scaled.peak[which]
        if linear.shape[0] > size:
            self.background[rows] = (linear[size:] * unit).T
        weight = np.max(scaled.readings.weight[which], axis=1)
        self.noise[rows] = np.sqrt(solution.variance / weight) * unit
        self.separation_limit[rows] = solution.separation
        self.p_value[rows] = solution.p_value
        self.at_bound[at, slots] = solution.at_bound
        self.status[rows] = np.where(
            solution.explained, int(SweepStatus.EXPLAINED), int(SweepStatus.UNEXPLAINED)
        )

    def finish(self, outlier: Sequence[BoolArray], reason: Sequence[str]) -> SweepFits:
        """The answer, with the readings left out and the reasons of unusable sweeps."""
        return SweepFits(
            self.n_conductors,
            self.position,
            self.depth,
            self.current,
            self.covariance,
            self.neighbour,
            self.background,
            self.evidence,
            self.p_value,
            self.noise,
            self.noise_known,
            self.gain_known,
            tuple(outlier),
            self.status,
            tuple(reason),
            self.separation_limit,
            self.at_bound,
            self.sampled,
        )


def _units(
    current: npt.NDArray[np.float64] | npt.NDArray[np.complex128], gain: FloatArray, n_parts: int
) -> FloatArray:
    """Derivatives of reported by scaled parameters, (m, 3 C, 3 C).

    With unknown gain the currents are relative to the strongest, c / |c0|, and their errors are
    correlated with its error.
    """
    m, size = current.shape
    slots = np.arange(size)
    turn = np.zeros((m, 3 * size, 3 * size))
    places = np.concatenate([3 * slots, 3 * slots + 1])
    turn[:, places, places] = 1.0
    if np.isfinite(gain).all():
        turn[:, 3 * slots + 2, 3 * slots + 2] = gain[:, np.newaxis]
        return turn
    strongest = np.abs(current[:, :1])
    amount = np.abs(current) if n_parts == 2 else np.real(current)
    sign = np.ones_like(strongest) if n_parts == 2 else np.sign(np.real(current[:, :1]))
    turn[:, 3 * slots + 2, 3 * slots + 2] = 1.0 / strongest
    turn[:, 3 * slots + 2, 2] -= amount * sign / strongest**2
    return turn
