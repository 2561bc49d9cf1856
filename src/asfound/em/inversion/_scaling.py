"""From readings in any unit to scaled readings with weights, and what is wrong with those that
can't be used."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.em.inversion._likelihood import Kind
from asfound.em.inversion._moments import Readings
from asfound.em.inversion.readings import UNIT_FIELDS, SweepBatch
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FEWEST_READINGS = 5
FEWEST_POSITIONS = 3

_NOTHING = 1e12  # stands for a value that is not there, beyond any position in metres

ASSUMED_NOISE = 0.01
"""Relative noise taken until the misfit tells, where it is unknown (common practice, no source)."""

SMALLEST_NOISE = 1e-3
"""No receiver repeats better than 0.1 % of its peak (common practice, no source)."""


class Scaled(NamedTuple):
    """Scaled readings of n sweeps.

    ``peak`` (n,) largest magnitude, in the unit; ``known`` (n,) noise given; ``current`` (n,)
    amperes per scaled current, NaN if the gain is unknown; ``distinct`` (n,) different readings
    (position, height, coil).
    """

    readings: Readings
    kind: Kind
    peak: FloatArray
    known: BoolArray
    current: FloatArray
    distinct: npt.NDArray[np.intp]


def check_batch(batch: SweepBatch) -> None:
    """Raise `InputError` for the first sweep that can't be used."""
    for i, said in enumerate(faults(batch)):
        if said:
            name = batch.name[i] if batch.name and batch.name[i] else "sweep"
            raise as_error(said, name if len(batch) == 1 else f"{name} {i}")


def as_error(said: str, where: str) -> InputError:
    """The error for a fault."""
    what, _, remedy = said.partition(": ")
    remedy = remedy[:1].upper() + remedy[1:] + "." if remedy else ""
    return InputError(f"{what}.", where=where, remedy=remedy)


def faults(batch: SweepBatch) -> list[str]:
    """What is wrong with each sweep and what to measure next; empty where it can be used.

    Parameters
    ----------
    batch : SweepBatch

    Returns
    -------
    list of n str
    """
    n = len(batch)
    # Where all sweeps share their sampling whole, it is looked at once.
    few = slice(0, 1) if _alike(batch) else slice(None)
    used = batch.used[few]
    good = used & ~batch.saturated[few]
    position = np.broadcast_to(batch.position, used.shape)
    height = np.broadcast_to(batch.coil_height, used.shape)
    coil = np.broadcast_to(batch.coil, used.shape)
    text = [""] * n

    def mark(which: npt.NDArray[np.bool_] | np.bool_, message: str) -> None:
        for i in np.flatnonzero(np.broadcast_to(which, (n,))):
            text[i] = text[i] or message

    everyone = np.ones(n, dtype=bool)
    if batch.unit not in UNIT_FIELDS:
        said = f"the unit of the readings, {batch.unit!r}, is not known: say which of "
        mark(everyone, said + f"{', '.join(UNIT_FIELDS)} the receiver showed")
        return text
    if batch.unit == "dB" and (batch.signed or batch.phasor):
        mark(
            everyone,
            "readings in dB can't carry a sign or phase: give them as magnitudes, or give the "
            "calibrated field",
        )
        return text
    finite = np.isfinite(batch.value)
    placed = np.isfinite(position) & np.isfinite(height)
    mark(
        (used & ~placed).any(axis=1) | (batch.used & ~finite).any(axis=1),
        "a reading has no number for its position, coil height or value: leave that reading out "
        "or take it again",
    )
    mark(
        (used & ((height < 0) | (height > 3))).any(axis=1),
        "a coil height is below ground or above 3 m: measure coil heights from the ground, in "
        "metres",
    )
    mark(
        (used & (coil != 0) & (coil != 1)).any(axis=1),
        "a reading says neither horizontal nor vertical coil: say which coil took it",
    )
    for noise in (batch.relative_noise, batch.noise_floor):
        mark(
            (noise < 0) | np.isinf(noise),
            "the noise is negative or infinite: give the standard deviation of a reading, or none",
        )
    if not batch.signed and not batch.phasor and batch.unit != "dB":
        real = np.real(batch.value)
        mark(
            (batch.used & (real < 0)).any(axis=1),
            "a magnitude is negative: if the receiver shows signs, say that readings are signed",
        )
    count = used.sum(axis=1)
    mark(
        count < FEWEST_READINGS,
        f"fewer than {FEWEST_READINGS} readings: take 9 to 15 readings across the line, from where "
        "the signal is well below half of its peak on one side to the same on the other",
    )
    mark(
        (good.sum(axis=1) == 0) & (count > 0),
        "all readings are saturated: lower the gain or the transmitter's power and sweep again",
    )
    mark(
        good.sum(axis=1) < FEWEST_READINGS,
        f"fewer than {FEWEST_READINGS} readings are not saturated: lower the gain and sweep again",
    )
    mark(
        count_distinct(position, used) < FEWEST_POSITIONS,
        f"readings at fewer than {FEWEST_POSITIONS} different positions: repeats tell the noise, "
        "not the place; move the receiver across the line",
    )
    if finite.all() and _alike(batch):
        counted: npt.NDArray[Any] = batch.value
    else:
        counted = np.where(batch.used & ~batch.saturated & finite, batch.value, np.nan)
    with np.errstate(all="ignore"):
        low, high = (f.reduce(np.real(counted), axis=1) for f in (np.fmin, np.fmax))
        equal = low == high
        zero = equal & (low == 0)
        if batch.phasor:
            low, high = (f.reduce(np.imag(counted), axis=1) for f in (np.fmin, np.fmax))
            equal &= low == high
            zero &= equal & (low == 0)
    if batch.unit != "dB":
        mark(
            zero,
            "all readings are zero: there is no signal; check hook-up, frequency and gain",
        )
    mark(
        equal,
        "all readings are equal: the sweep does not cross a field that changes; sweep across the "
        "line, wider, or check that the receiver was not holding its reading",
    )
    return text


def _alike(batch: SweepBatch) -> bool:
    """Whether all sweeps have the same readings, all of them used and none saturated."""
    return bool(batch.position.ndim == 1 and batch.used.all() and not batch.saturated.any())


def count_distinct(values: FloatArray, used: BoolArray) -> npt.NDArray[np.intp]:
    """Number of different used values in each row."""
    ordered = np.sort(np.where(used & np.isfinite(values), values, _NOTHING), axis=1)
    fresh = (np.diff(ordered, axis=1) > 1e-9) & (ordered[:, 1:] < _NOTHING)
    result: npt.NDArray[np.intp] = fresh.sum(axis=1) + (ordered[:, 0] < _NOTHING)
    return result


def scale(batch: SweepBatch, *, background: bool) -> Scaled:
    """Scale each sweep's peak to 1 and weigh the readings by their noise.

    Parameters
    ----------
    batch : SweepBatch
        Without faults.
    background : bool
        Whether a uniform background is fitted.

    Returns
    -------
    Scaled
    """
    value = batch.value
    whole = bool(batch.used.all())
    if batch.unit == "dB":
        top = np.where(batch.used, value, -np.inf).max(axis=1, keepdims=True)
        value = 10.0 ** ((np.real(value) - top) / 20.0)
    if not whole:
        value = np.where(batch.used, value, 0.0)
    peak = np.abs(value).max(axis=1)
    scaled = value / peak[:, np.newaxis]
    parts = np.stack([scaled.real, scaled.imag], axis=1) if batch.phasor else scaled[:, np.newaxis]
    relative, floor = batch.relative_noise, batch.noise_floor
    known = np.isfinite(relative) | (np.isfinite(floor) & (batch.unit != "dB"))
    variance = np.nan_to_num(relative) ** 2
    if batch.unit != "dB":
        variance = variance + (np.nan_to_num(floor) / peak) ** 2
    variance = np.where(known, variance, ASSUMED_NOISE**2)
    weight = 1.0 / np.maximum(variance, 1e-12)[:, np.newaxis]
    weight = np.broadcast_to(weight, batch.used.shape) if whole else batch.used * weight
    position, height = np.atleast_2d(batch.position), np.atleast_2d(batch.coil_height)
    coil = np.atleast_2d(batch.coil)
    readings = Readings(
        position, height, coil == 1, parts.astype(np.float64, copy=False), weight, background
    )
    kind = Kind(not (batch.signed or batch.phasor), False, batch.saturated & batch.used)
    field = UNIT_FIELDS[batch.unit]
    current = peak * (np.nan if field is None else field / LINE_FIELD_CONSTANT)
    # Positions and heights to a micrometre, so that one number tells readings apart.
    key = position * 1e6 + height * (1e3 * np.pi) + coil * 0.5
    usable = (batch.used & ~batch.saturated)[: 1 if _alike(batch) else None]
    distinct = count_distinct(np.broadcast_to(key, usable.shape), usable)
    distinct = np.broadcast_to(distinct, (len(batch),))
    return Scaled(readings, kind, peak, known, current, distinct)
