"""How far a signal reaches along a buried line, and which frequency reaches farthest.

The line is a uniform lossy line: propagation constant sqrt(Z Y) = 1/attenuation length +
j 2 pi/wavelength, characteristic impedance sqrt(Z / Y). Low frequencies fade slowly but a coil
hears them poorly (its voltage grows with frequency), high ones the other way about.
Source: telegrapher's equations, textbook.

>>> import numpy as np
>>> from asfound.em.line_constants import STEEL, BuriedLine, line_constants
>>> pipe = BuriedLine(0.084, 0.006, STEEL, coating_thickness=0.003, coating_leakage=1e-4)
>>> wave = propagation(line_constants(pipe, np.array([512.0, 8192.0, 32768.0])))
>>> np.round(wave.attenuation_length)
array([2660., 1269.,  528.])
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.em.line_constants import ComplexArray, LineConstants
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]

OPEN_END = np.inf
GROUNDED_END = 0.0
"""Terminations [ohm]: nothing connected; a perfect ground."""

_SCAN = 400


class Propagation(NamedTuple):
    """Of a wave along a uniform line: arrays (...).

    `constant` [1/m], `impedance` [ohm]; `attenuation_length` (to 1/e) and `wavelength` [m],
    infinite where there is none.
    """

    constant: ComplexArray
    impedance: ComplexArray
    attenuation_length: FloatArray
    wavelength: FloatArray


@dataclass(frozen=True)
class ReceiverFloor:
    """The weakest field a receiver can use.

    Parameters
    ----------
    field : float
        At `frequency` [T]; common practice, no source.
    frequency : float
        [Hz]; at another frequency the floor is in inverse proportion to it, as a coil's voltage.
    """

    field: float = 2e-11
    frequency: float = 8192.0


@dataclass(frozen=True)
class Transmitter:
    """A signal source connected between a line and a ground stake; common practice, no source.

    Parameters
    ----------
    voltage, current, power : float
        The most it gives [V], [A], [W].
    stake_resistance : float
        Of its ground stake [ohm].
    """

    voltage: float = 30.0
    current: float = 0.5
    power: float = 5.0
    stake_resistance: float = 50.0


class FrequencyAdvice(NamedTuple):
    """Reach of each frequency and a recommendation.

    Parameters
    ----------
    frequency : (f,) float64
        [Hz].
    attenuation_length, wavelength : (f,) float64
        [m].
    floor_current : (f,) float64
        Least usable current at the given depth [A].
    reach : (f,) float64
        First distance at which the current falls below it [m]; infinite if it nowhere does.
    chosen : int
        Index of the lowest frequency that reaches the wanted distance, else of the farthest.
    sentence : str
        The same in words.
    """

    frequency: FloatArray
    attenuation_length: FloatArray
    wavelength: FloatArray
    floor_current: FloatArray
    reach: FloatArray
    chosen: int
    sentence: str


def propagation(constants: LineConstants) -> Propagation:
    """Propagation constant, impedance, attenuation length and wavelength.

    Parameters
    ----------
    constants : LineConstants
        Arrays (...).

    Returns
    -------
    Propagation
    """
    constant: ComplexArray = np.sqrt(constants.series) * np.sqrt(constants.shunt)
    with np.errstate(divide="ignore", invalid="ignore"):
        impedance: ComplexArray = np.asarray(
            np.sqrt(constants.series) / np.sqrt(constants.shunt), dtype=np.complex128
        )
        attenuation = 1.0 / constant.real
        wavelength = 2.0 * np.pi / constant.imag
    return Propagation(constant, impedance, attenuation, wavelength)


def current_at(
    constants: LineConstants,
    distance: FloatArray,
    *,
    length: float = np.inf,
    termination: complex = GROUNDED_END,
) -> ComplexArray:
    """Current along a line as a share of the current fed in at its beginning.

    Parameters
    ----------
    constants : LineConstants
        Arrays (f,).
    distance : (n,) float64
        From the feed, at most `length` [m].
    length : float
        Of the line [m]; infinite: no end, and no reflection.
    termination : complex
        Impedance between the far end and ground [ohm]; `OPEN_END` or `GROUNDED_END`.

    Returns
    -------
    share : (f, n) complex128

    Raises
    ------
    InputError
        If a distance is beyond the line's end, or an open line is fed with direct current that
        has nowhere to go.

    Notes
    -----
    I(x) / I(0) = (e^(-g x) - r e^(-g (2 l - x))) / (1 - r e^(-2 g l)), r the voltage reflection
    (Zt - Zc) / (Zt + Zc) at the end.
    """
    place = np.asarray(distance, dtype=np.float64)
    if np.any(place > length) or np.any(place < 0.0):
        raise InputError(
            f"distances {np.min(place):g} to {np.max(place):g} m on a line of {length:g} m.",
            where="current along a line",
            remedy="Measure distances from the hook-up to the far end at most.",
        )
    wave = propagation(constants)
    constant = np.asarray(wave.constant)[..., np.newaxis]
    forward = np.exp(-constant * place)
    if not np.isfinite(length):
        return np.asarray(forward, dtype=np.complex128)
    impedance = np.asarray(wave.impedance)[..., np.newaxis]
    if np.isinf(termination):
        reflection = np.ones_like(impedance)
    else:
        reflection = (termination - impedance) / (termination + impedance)
    denominator = 1.0 - reflection * np.exp(-2.0 * constant * length)
    if np.any(denominator == 0.0):
        raise InputError(
            "an open line without leakage takes no current.",
            where="current along a line",
            remedy="Ground the far end, or use a frequency above zero.",
        )
    share = (forward - reflection * np.exp(-constant * (2.0 * length - place))) / denominator
    return np.asarray(share, dtype=np.complex128)


def input_impedance(
    constants: LineConstants,
    *,
    length: float = np.inf,
    termination: complex = GROUNDED_END,
) -> ComplexArray:
    """Impedance to ground seen at the beginning of a line.

    Parameters
    ----------
    constants : LineConstants
        Arrays (f,).
    length, termination
        As in `current_at`.

    Returns
    -------
    impedance : (f,) complex128
        Zc (1 + r e^(-2 g l)) / (1 - r e^(-2 g l)) [ohm]; infinite for an open line without
        leakage at direct current.
    """
    wave = propagation(constants)
    if not np.isfinite(length):
        return np.asarray(wave.impedance)
    impedance = wave.impedance
    if np.isinf(termination):
        reflection = np.ones_like(impedance)
    else:
        reflection = (termination - impedance) / (termination + impedance)
    echo = reflection * np.exp(-2.0 * wave.constant * length)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(impedance * (1.0 + echo) / (1.0 - echo))


def fed_current(
    constants: LineConstants,
    transmitter: Transmitter,
    *,
    length: float = np.inf,
    termination: complex = GROUNDED_END,
) -> FloatArray:
    """Current a directly connected transmitter drives into a line.

    Parameters
    ----------
    constants : LineConstants
        Arrays (f,).
    transmitter : Transmitter
    length, termination
        As in `current_at`.

    Returns
    -------
    current : (f,) float64
        Limited by voltage, power or current, whichever is least [A].
    """
    line = input_impedance(constants, length=length, termination=termination)
    total = line + transmitter.stake_resistance
    with np.errstate(divide="ignore"):
        by_voltage = transmitter.voltage / np.abs(total)
        by_power = np.sqrt(transmitter.power / np.maximum(total.real, 1e-12))
    return np.asarray(np.minimum(np.minimum(by_voltage, by_power), transmitter.current))


def floor_current(
    depth: float, frequency: FloatArray, floor: ReceiverFloor | None = None
) -> FloatArray:
    """Least current a receiver can use on a line of a given depth.

    Parameters
    ----------
    depth : float
        Below the lower coil [m].
    frequency : (...) float64
        [Hz].
    floor : ReceiverFloor, optional

    Returns
    -------
    current : (...) float64
        floor field (f0 / f) depth / K [A].
    """
    floor = ReceiverFloor() if floor is None else floor
    field = floor.field * floor.frequency / np.asarray(frequency, dtype=np.float64)
    return np.asarray(field * depth / LINE_FIELD_CONSTANT)


def signal_reach(
    constants: LineConstants,
    current: float | FloatArray,
    least: FloatArray,
    *,
    length: float = np.inf,
    termination: complex = GROUNDED_END,
) -> FloatArray:
    """First distance at which the current falls below what the receiver can use.

    Parameters
    ----------
    constants : LineConstants
        Arrays (f,).
    current : float or (f,) float64
        Fed in [A].
    least : (f,) float64
        Least usable current [A], see `floor_current`.
    length, termination
        As in `current_at`.

    Returns
    -------
    reach : (f,) float64
        [m]; 0 if the signal is too weak from the start, infinite if it stays above to the end.

    Notes
    -----
    On an endless line attenuation length times ln(current / least). On a line with an end, the
    first crossing of 400 steps, found by linear interpolation of the logarithm.
    """
    wave = propagation(constants)
    ratio = np.asarray(current / np.asarray(least, dtype=np.float64))
    with np.errstate(divide="ignore", invalid="ignore"):
        endless = np.where(
            ratio > 1.0, wave.attenuation_length * np.log(np.maximum(ratio, 1.0)), 0.0
        )
    if not np.isfinite(length):
        return endless
    place = np.linspace(0.0, length, _SCAN + 1)
    share = current_at(constants, place, length=length, termination=termination)
    with np.errstate(divide="ignore"):
        above = np.log(np.abs(share)) + np.log(ratio)[..., np.newaxis]
    above = np.maximum(above, -700.0)
    below = above < 0.0
    first = below.argmax(axis=-1)
    before = np.maximum(first - 1, 0)
    high = np.take_along_axis(above, before[..., np.newaxis], -1)[..., 0]
    low = np.take_along_axis(above, first[..., np.newaxis], -1)[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = place[before] + (place[1] - place[0]) * high / (high - low)
    crossing = np.where(first == 0, 0.0, crossing)
    return np.where(below.any(axis=-1), crossing, np.inf)


def frequency_advice(
    constants: LineConstants,
    current: float | FloatArray,
    depth: float,
    wanted: float,
    *,
    length: float = np.inf,
    termination: complex = GROUNDED_END,
    floor: ReceiverFloor | None = None,
) -> FrequencyAdvice:
    """Which of the transmitter's frequencies to use on a line.

    Parameters
    ----------
    constants : LineConstants
        Arrays (f,), one a frequency.
    current : float or (f,) float64
        That the transmitter feeds in [A], see `fed_current`.
    depth : float
        Of the line [m].
    wanted : float
        Distance to be located [m].
    length, termination
        As in `current_at`.
    floor : ReceiverFloor, optional

    Returns
    -------
    FrequencyAdvice
        The lowest frequency that reaches leaks least into other lines (common practice).

    Raises
    ------
    InputError
        If a distance, depth or current is not above zero.
    """
    for name, value in (("current", current), ("depth", depth), ("wanted distance", wanted)):
        if not np.all(np.asarray(value) > 0.0):
            raise InputError(
                f"the {name} is {np.min(value):g}.",
                where="frequency advice",
                remedy="Read the transmitter's current, and measure or assume depth and distance.",
            )
    frequency = np.atleast_1d(constants.frequency)
    constants = LineConstants(
        frequency, np.atleast_1d(constants.series), np.atleast_1d(constants.shunt)
    )
    least = floor_current(depth, frequency, floor)
    reach = signal_reach(constants, current, least, length=length, termination=termination)
    wave = propagation(constants)
    enough = np.flatnonzero(reach >= min(wanted, length))
    if len(enough):
        chosen = int(enough[frequency[enough].argmin()])
        head = f"Use {_hertz(frequency[chosen])}: the lowest that reaches {wanted:.0f} m"
        tail = "."
    else:
        chosen = int(reach.argmax())
        head = f"No frequency reaches {wanted:.0f} m; {_hertz(frequency[chosen])} goes farthest"
        tail = "; hook up again from the far end or a valve between, or raise the current."
    far = reach[chosen]
    reached = "to the end of the line" if np.isinf(far) else f"to {far:.0f} m"
    fade = wave.attenuation_length[chosen]
    sentence = f"{head} ({reached} at {depth:.1f} m depth, fading to a third in {fade:.0f} m){tail}"
    return FrequencyAdvice(
        frequency, wave.attenuation_length, wave.wavelength, least, reach, chosen, sentence
    )


def _hertz(frequency: float) -> str:
    return f"{frequency / 1e3:.3g} kHz" if frequency >= 1e3 else f"{frequency:.3g} Hz"
