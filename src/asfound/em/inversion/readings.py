"""What a sweep brings: readings along a cross-section, one sweep or many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
ValueArray = npt.NDArray[np.float64] | npt.NDArray[np.complex128]
BoolArray = npt.NDArray[np.bool_]
CoilArray = npt.NDArray[np.int8]

HORIZONTAL_COIL = 0
VERTICAL_COIL = 1

# Field [T] of one unit of reading; None where the gain is unknown.
# A milliampere-equivalent is the field of 1 mA in a long conductor 1 m away.
UNIT_FIELDS: dict[str, float | None] = {
    "T": 1.0,
    "nT": 1e-9,
    "mA": 1e-3 * LINE_FIELD_CONSTANT,
    "percent": None,
    "dB": None,
}


@dataclass(frozen=True, eq=False)
class SweepReadings:
    """Readings of one sweep.

    Parameters
    ----------
    position : (k,) float64
        Of the coil across the line, from the sweep's zero [m]; any order, repeats allowed.
    coil_height : (k,) or scalar float64
        Coil above ground [m].
    coil : (k,) int8
        `HORIZONTAL_COIL` (axis across the line, "peak") or `VERTICAL_COIL` ("null").
    value : (k,) float64 or complex128
        Readings; complex for phasors (in-phase + i quadrature).
    unit : str
        ``'T'``, ``'nT'``, ``'mA'`` (milliampere-equivalents: the field of 1 mA in a long
        conductor 1 m away), ``'percent'`` or ``'dB'`` (both of unknown common gain).
    signed : bool
        Whether the sign of the values is that of the field. Most receivers show magnitudes;
        dB always are.
    relative_noise : float or None
        Standard deviation of a reading as a share of the sweep's peak.
    noise_floor : float or None
        Further standard deviation, added in quadrature, in the unit of `value` (not for dB).
        If both are None the noise is estimated from the misfit.
    saturated : (k,) bool, optional
        Readings at the limit of the receiver: the field was at least that.
    name : str
        For messages.
    """

    position: FloatArray
    coil_height: FloatArray | float
    coil: CoilArray
    value: ValueArray
    unit: str
    signed: bool = False
    relative_noise: float | None = None
    noise_floor: float | None = None
    saturated: BoolArray | None = None
    name: str = ""


@dataclass(frozen=True, eq=False)
class SweepBatch:
    """Readings of many sweeps, padded to k readings.

    Parameters
    ----------
    position, coil_height, coil : (k,) if all sweeps share their sampling, else (n, k)
        As in `SweepReadings`.
    value : (n, k) float64 or complex128
    unit, signed
        As in `SweepReadings`, common to all.
    relative_noise, noise_floor : (n,) float64
        NaN for None.
    saturated : (n, k) bool
    used : (n, k) bool
        False for padding.
    name : tuple of n str
        May be empty.
    """

    position: FloatArray
    coil_height: FloatArray
    coil: CoilArray
    value: ValueArray
    unit: str
    signed: bool
    relative_noise: FloatArray
    noise_floor: FloatArray
    saturated: BoolArray
    used: BoolArray
    name: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return int(self.value.shape[0])

    @property
    def phasor(self) -> bool:
        """Whether the readings are complex."""
        return bool(np.iscomplexobj(self.value))

    def rows(self, rows: npt.NDArray[np.intp]) -> SweepBatch:
        """Selected sweeps."""

        def of(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
            return values[rows] if values.ndim == 2 else values

        return SweepBatch(
            of(self.position),
            of(self.coil_height),
            of(self.coil),
            self.value[rows],
            self.unit,
            self.signed,
            self.relative_noise[rows],
            self.noise_floor[rows],
            self.saturated[rows],
            self.used[rows],
            tuple(self.name[i] for i in rows) if self.name else (),
        )


def shared_batch(
    position: FloatArray,
    coil_height: FloatArray,
    coil: CoilArray,
    value: ValueArray,
    *,
    unit: str,
    signed: bool,
    relative_noise: float | FloatArray | None = None,
    noise_floor: float | FloatArray | None = None,
    saturated: BoolArray | None = None,
) -> SweepBatch:
    """Batch of n sweeps read at the same k places: position, coil_height, coil (k,), value (n, k).

    Parameters
    ----------
    position, coil_height, coil, value, unit, signed, relative_noise, noise_floor, saturated
        As in `SweepBatch`; None for unknown noise.

    Returns
    -------
    SweepBatch
    """
    n = value.shape[0]

    def each(noise: float | FloatArray | None) -> FloatArray:
        number = np.nan if noise is None else noise
        return np.broadcast_to(np.asarray(number, dtype=np.float64), (n,))

    return SweepBatch(
        np.asarray(position, dtype=np.float64),
        np.broadcast_to(np.asarray(coil_height, dtype=np.float64), np.shape(position)),
        np.asarray(coil, dtype=np.int8),
        value,
        unit,
        signed,
        each(relative_noise),
        each(noise_floor),
        np.zeros(value.shape, dtype=bool) if saturated is None else saturated,
        np.ones(value.shape, dtype=bool),
    )


def stack_sweeps(sweeps: Sequence[SweepReadings]) -> list[tuple[npt.NDArray[np.intp], SweepBatch]]:
    """Group sweeps that can be inverted together.

    Parameters
    ----------
    sweeps : sequence of SweepReadings

    Returns
    -------
    list of (rows, batch)
        `rows` are places in `sweeps`. Sweeps with the same sampling share it; the others are
        padded with sweeps of similar length.

    Raises
    ------
    InputError
        Where the arrays of a sweep do not match in length; that is a programming error, not a
        bad reading, so it stops the batch.
    """
    groups: dict[tuple[object, ...], list[int]] = {}
    clean = [_as_arrays(sweep) for sweep in sweeps]
    for i, sweep in enumerate(clean):
        phasor = bool(np.iscomplexobj(sweep.value))
        sampling = (sweep.unit, sweep.signed, phasor, _sampling(sweep))
        groups.setdefault(sampling, []).append(i)
    padded: dict[tuple[object, ...], list[int]] = {}
    result = []
    for key, members in groups.items():
        if len(members) > 1 or len(sweeps) == 1:
            result.append((np.array(members), _stack([clean[i] for i in members], shared=True)))
        else:
            size = 1 << max(3, (len(clean[members[0]].position) - 1).bit_length())
            padded.setdefault((*key[:3], size), []).extend(members)
    for members in padded.values():
        result.append((np.array(members), _stack([clean[i] for i in members], shared=False)))
    return result


def _as_arrays(sweep: SweepReadings) -> SweepReadings:
    position = np.asarray(sweep.position, dtype=np.float64)
    value: ValueArray
    if np.iscomplexobj(sweep.value):
        value = np.asarray(sweep.value, dtype=np.complex128)
    else:
        value = np.asarray(sweep.value, dtype=np.float64)
    coil = np.asarray(sweep.coil, dtype=np.int8)
    saturated = (
        np.zeros(position.shape, dtype=bool)
        if sweep.saturated is None
        else np.asarray(sweep.saturated, dtype=bool)
    )
    lengths = {len(np.atleast_1d(a)) for a in (position, coil, value, saturated)}
    if position.ndim != 1 or len(lengths) != 1:
        raise InputError(
            f"positions, coils, values and saturation marks differ in number: {sorted(lengths)}",
            where=sweep.name or "sweep",
            remedy="Give one of each for every reading.",
        )
    height = np.asarray(sweep.coil_height, dtype=np.float64)
    if height.ndim and len(height) != len(position):
        raise InputError(
            f"{len(height)} coil heights for {len(position)} readings",
            where=sweep.name or "sweep",
            remedy="Give one coil height, or one for every reading.",
        )
    height = np.broadcast_to(height, position.shape)
    return SweepReadings(
        position,
        height,
        coil,
        value,
        sweep.unit,
        sweep.signed,
        sweep.relative_noise,
        sweep.noise_floor,
        saturated,
        sweep.name,
    )


def _sampling(sweep: SweepReadings) -> bytes:
    return (
        np.asarray(sweep.position).tobytes()
        + np.ascontiguousarray(sweep.coil_height).tobytes()
        + np.asarray(sweep.coil).tobytes()
    )


def _stack(sweeps: list[SweepReadings], *, shared: bool) -> SweepBatch:
    k = max(1, *(len(s.position) for s in sweeps))
    n = len(sweeps)

    def pad(values: Sequence[npt.ArrayLike], block: npt.NDArray[Any]) -> npt.NDArray[Any]:
        for i, row in enumerate(values):
            one = np.asarray(row)
            block[i, : len(one)] = one
            # Padding repeats a reading that is there, so that it never widens the sweep.
            block[i, len(one) :] = one[0] if len(one) else 0
        return block

    lengths = np.array([len(s.position) for s in sweeps])
    used = np.arange(k) < lengths[:, np.newaxis]
    kind = np.complex128 if np.iscomplexobj(sweeps[0].value) else np.float64
    position = pad([s.position for s in sweeps], np.zeros((n, k)))
    height = pad([np.atleast_1d(s.coil_height) for s in sweeps], np.zeros((n, k)))
    coil = pad([s.coil for s in sweeps], np.zeros((n, k), dtype=np.int8))
    value = pad([s.value for s in sweeps], np.zeros((n, k), dtype=kind))
    marks = [np.zeros(0, dtype=bool) if s.saturated is None else s.saturated for s in sweeps]
    saturated = pad(marks, np.zeros((n, k), dtype=bool)) & used
    if shared:
        position, height, coil = position[0], height[0], coil[0]
    noise = [
        np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        for values in ([s.relative_noise for s in sweeps], [s.noise_floor for s in sweeps])
    ]
    return SweepBatch(
        position,
        height,
        coil,
        value,
        sweeps[0].unit,
        sweeps[0].signed,
        noise[0],
        noise[1],
        saturated,
        used,
        tuple(s.name for s in sweeps),
    )
