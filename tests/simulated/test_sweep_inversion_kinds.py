"""Sweeps of every kind: few readings, one coil, magnitudes, dB, phasors, outliers, saturation.

Seeded truths: depths 0.5 to 2 m, neighbours 0.8 to 2.5 m apart with 0.3 to 0.8 of the first's
current, either sign. For each kind: how often the number of conductors is right, how often the
95 % intervals of position and depth hold the truth where it is, and how often they miss by more
than 4 standard deviations.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from asfound.em import CrossSection, section_field
from asfound.em.inversion import SweepFits, SweepStatus, invert_sweeps, shared_batch

DENSE = np.linspace(-3, 3, 61)
FIFTEEN = np.linspace(-2.8, 2.8, 15)
NINE = np.linspace(-2, 2, 9)
BOTH = (0.05, 0.45)
NOISE = 0.01


@dataclass(frozen=True)
class Kind:
    """A kind of sweep, and what must hold for it."""

    conductors: int
    tape: npt.NDArray[np.float64]
    heights: tuple[float, ...] = BOTH
    coils: tuple[int, ...] = (0, 1)
    unit: str = "nT"
    signed: bool = True
    known: bool = True
    phasor: bool = False
    outliers: float = 0.0
    limit: float = 0.0
    sweeps: int = 100
    right: float = 0.97
    held: tuple[float, float] = (0.92, 0.99)
    options: dict[str, Any] = field(default_factory=dict)


KINDS = {
    "one conductor": Kind(1, DENSE),
    "three conductors": Kind(3, DENSE, right=0.93, held=(0.92, 1.0)),
    "nine readings of the horizontal coil": Kind(1, NINE, (0.05,), (0,), sweeps=300),
    "nine, noise unknown": Kind(1, NINE, (0.05,), (0,), known=False, sweeps=300, held=(0.9, 0.99)),
    "nine in percent": Kind(1, NINE, (0.05,), (0,), unit="percent", signed=False),
    "two from nine": Kind(2, NINE, (0.05,), (0,), right=0.93, held=(0.93, 1.0)),
    "two from fifteen": Kind(2, FIFTEEN, (0.05,), (0,), right=0.95, held=(0.93, 1.0)),
    "two from fifteen in dB": Kind(2, FIFTEEN, unit="dB", signed=False, held=(0.92, 1.0)),
    "dB, noise unknown": Kind(
        2, FIFTEEN, unit="dB", signed=False, known=False, right=0.93, held=(0.92, 1.0)
    ),
    "magnitudes of one": Kind(1, DENSE, signed=False, sweeps=60, held=(0.9, 1.0)),
    "magnitudes of two": Kind(2, DENSE, signed=False, sweeps=60, held=(0.92, 1.0)),
    "vertical coil": Kind(2, DENSE, coils=(1,), held=(0.92, 1.0)),
    "magnitudes of the vertical coil": Kind(
        2, DENSE, coils=(1,), signed=False, sweeps=60, held=(0.92, 1.0)
    ),
    "phasors": Kind(2, DENSE, phasor=True, sweeps=60, held=(0.92, 1.0)),
    "noise unknown": Kind(2, DENSE, known=False),
    "one in twenty readings wrong": Kind(2, DENSE, outliers=0.05, sweeps=40, held=(0.92, 1.0)),
    "one in twenty wrong, one conductor": Kind(
        1, DENSE, outliers=0.05, sweeps=40, held=(0.92, 1.0)
    ),
    "one in twenty magnitudes wrong": Kind(
        2, DENSE, outliers=0.05, signed=False, sweeps=12, right=0.9, held=(0.9, 1.0)
    ),
    "one in twenty of fifteen wrong": Kind(
        1, FIFTEEN, (0.05,), (0,), outliers=0.05, right=0.9, held=(0.9, 1.0)
    ),
    "saturated above 0.7 of the peak": Kind(2, DENSE, limit=0.7, held=(0.92, 0.99)),
    "saturated magnitudes": Kind(
        2, DENSE, limit=0.7, signed=False, sweeps=30, right=0.9, held=(0.9, 1.0)
    ),
    "with background": Kind(2, DENSE, sweeps=60, options={"background": True}),
}


def _invert(kind: Kind) -> tuple[SweepFits, npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    rng = np.random.default_rng(20260)
    n, c = kind.sweeps, kind.conductors
    depth = rng.uniform(0.5, 2.0, (n, c))
    position = np.cumsum(rng.uniform(0.8, 2.5, (n, c)), axis=1)
    position -= position.mean(axis=1, keepdims=True)
    current = np.ones((n, c), dtype=np.complex128 if kind.phasor else np.float64)
    current[:, 1:] *= rng.uniform(0.3, 0.8, (n, c - 1)) * rng.choice([-1, 1], (n, c - 1))
    if kind.phasor:
        current *= np.exp(1j * rng.uniform(0, 2 * np.pi, (n, c)))
    section = CrossSection(position, depth, 0.1 * current)
    blocks, heights, coils = [], [], []
    for coil in kind.coils:
        for height in kind.heights:
            blocks.append(section_field(section, kind.tape, height)[coil])
            heights.append(np.full(len(kind.tape), height))
            coils.append(np.full(len(kind.tape), coil, dtype=np.int8))
    value = np.concatenate(blocks, axis=1)
    peak = np.abs(value).max(axis=1, keepdims=True)
    noise = rng.standard_normal(value.shape)
    if kind.phasor:
        noise = noise + 1j * rng.standard_normal(value.shape)
    value = value + NOISE * peak * noise
    if kind.outliers:
        wrong = rng.random(value.shape) < kind.outliers
        size = rng.uniform(0.2, 1.0, value.shape) * rng.choice([-1, 1], value.shape)
        value = np.where(wrong, value + peak * size, value)
    saturated = np.zeros(value.shape, dtype=bool)
    if kind.limit:
        saturated = np.abs(value) >= kind.limit * peak
        value = np.where(saturated, np.sign(value) * kind.limit * peak, value)
    if not kind.signed:
        value = np.abs(value)
    shown = {
        "nT": 1e9 * value,
        "percent": 80.0 * np.real(value) / peak,
        "dB": 75.0 + 20.0 * np.log10(np.maximum(np.abs(value) / peak, 1e-5)),
    }[kind.unit]
    batch = shared_batch(
        np.tile(kind.tape, len(blocks)),
        np.concatenate(heights),
        np.concatenate(coils),
        shown,
        unit=kind.unit,
        signed=kind.signed and not kind.phasor,
        relative_noise=NOISE if kind.known and not kind.limit else None,
        # Where the peak is cut off, the noise is known in the readings' unit.
        noise_floor=1e9 * NOISE * peak[:, 0] if kind.limit else None,
        saturated=saturated,
    )
    return invert_sweeps(batch, **kind.options), position, depth


@pytest.mark.parametrize("name", KINDS)
def test_sweeps_are_inverted_rightly_and_honestly(name: str) -> None:
    kind = KINDS[name]
    fits, position, depth = _invert(kind)
    c = kind.conductors
    right = np.flatnonzero(fits.n_conductors == c)
    assert len(right) >= kind.right * kind.sweeps
    assert (fits.status == SweepStatus.EXPLAINED).mean() >= 0.95
    order = np.argsort(fits.position[right, :c], axis=1)
    variance = np.einsum("nii->ni", fits.covariance[right])
    far = []
    for found, truth, start in ((fits.position, position, 0), (fits.depth, depth, 1)):
        error = np.take_along_axis(found[right, :c], order, axis=1) - truth[right]
        sd = np.sqrt(np.take_along_axis(variance[:, start : 3 * c : 3], order, axis=1))
        far.append(np.abs(error) / sd)
    low, high = kind.held
    assert low <= (np.array(far) < 1.96).mean() <= high
    assert (np.array(far) > 4).mean() <= 0.01
    if not kind.outliers:
        assert np.mean([o.sum() for o in fits.outlier]) < 0.2
