"""Series impedance and shunt admittance per metre of a buried pipe or cable.

    series = metal + field in the coating + field in the ground       Z [ohm/m]
    shunt  = coating in series with the ground around it              Y [S/m]

Sources, all from memory: skin effect of a metal wall (textbook), coaxial coating (textbook), and
for the ground the logarithmic formulas of Sunde, "Earth conduction effects in transmission
systems": Zg = j w mu0 / 2 pi ln((1 + g b) / g b), Yg = g² / Zg, with b the outer radius and
g = sqrt(j w mu0 (1/rho + j w eps)) the ground's propagation constant. At power and audio
frequencies the real part of Zg is Carson's w mu0 / 8.

>>> import numpy as np
>>> pipe = BuriedLine(0.084, 0.006, STEEL, coating_thickness=0.003, coating_leakage=1e-4)
>>> constants = line_constants(pipe, np.array([512.0, 8192.0, 32768.0]))
>>> np.round(1e3 * constants.series, 2)  # ohm per km
array([ 1.    +5.34j, 10.06 +65.3j , 36.22+228.75j])
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.errors import InputError

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_MU0 = 2.0 * np.pi * LINE_FIELD_CONSTANT
_EPSILON0 = 8.8541878128e-12


@dataclass(frozen=True)
class Metal:
    """What a conductor is made of.

    Parameters
    ----------
    resistivity : float
        [ohm m].
    relative_permeability : float
        For small signals.
    """

    resistivity: float
    relative_permeability: float = 1.0


# Handbook values, from memory; steel's permeability varies between pipes by a factor of several.
COPPER = Metal(1.72e-8)
ALUMINIUM = Metal(2.8e-8)
STEEL = Metal(1.7e-7, 200.0)
DUCTILE_IRON = Metal(6.0e-7, 200.0)
LEAD = Metal(2.1e-7)


@dataclass(frozen=True)
class BuriedLine:
    """A metal pipe, wire or cable sheath in uniform ground.

    Parameters
    ----------
    radius : float
        Of the metal, outside [m].
    wall : float
        Thickness of the metal [m]; the radius for a solid wire.
    metal : Metal
    coating_thickness : float
        0 for bare metal in the ground [m].
    coating_leakage : float
        Conductance of the coating, faults included [S/m2].
    coating_permittivity : float
        Relative.
    soil_resistivity : float
        [ohm m].
    soil_permittivity : float
        Relative.

    Raises
    ------
    InputError
        If a size or resistivity is not positive, or the wall thicker than the radius.
    """

    radius: float
    wall: float
    metal: Metal
    coating_thickness: float = 0.0
    coating_leakage: float = 0.0
    coating_permittivity: float = 2.3
    soil_resistivity: float = 100.0
    soil_permittivity: float = 10.0

    def __post_init__(self) -> None:
        for name in ("radius", "wall", "soil_resistivity"):
            if not getattr(self, name) > 0.0:
                raise InputError(
                    f"{name.replace('_', ' ')} is {getattr(self, name):g}.",
                    where="buried line",
                    remedy="Look up the pipe or cable, and measure the soil's resistivity with "
                    "four probes (or take 100 ohm m).",
                )
        if self.wall > self.radius or self.coating_thickness < 0.0 or self.coating_leakage < 0.0:
            raise InputError(
                f"wall {self.wall:g} m, coating {self.coating_thickness:g} m, leakage "
                f"{self.coating_leakage:g} S/m2 do not make a line of radius {self.radius:g} m.",
                where="buried line",
                remedy="Measure the wall at an exposure or look up the pipe's schedule.",
            )

    @property
    def outer_radius(self) -> float:
        """Of the coating, or of bare metal [m]."""
        return self.radius + self.coating_thickness


class LineConstants(NamedTuple):
    """Of a uniform line at some frequencies: arrays (...).

    `frequency` [Hz], `series` impedance [ohm/m], `shunt` admittance [S/m].
    """

    frequency: FloatArray
    series: ComplexArray
    shunt: ComplexArray


def line_constants(line: BuriedLine, frequency: FloatArray) -> LineConstants:
    """Series impedance and shunt admittance of a buried line.

    Parameters
    ----------
    line : BuriedLine
    frequency : (...) float64
        Above zero [Hz].

    Returns
    -------
    LineConstants

    Raises
    ------
    InputError
        If a frequency is not above zero.

    Notes
    -----
    Metal: the surface impedance of a wall, k rho / 2 pi a coth(k t) with k² = j w mu / rho; it
    tends to rho / 2 pi a t at low frequency. It neglects the wall's curvature: a solid wire's
    resistance at low frequency is set right by the area of its cross-section.
    """
    frequency = np.asarray(frequency, dtype=np.float64)
    if not np.all(frequency > 0.0):
        raise InputError(
            f"a frequency is {np.min(frequency):g} Hz.",
            where="line constants",
            remedy="Give the transmitter's frequencies in hertz.",
        )
    omega = 2.0 * np.pi * frequency
    ground = np.sqrt(
        1j * omega * _MU0
        * (1.0 / line.soil_resistivity + 1j * omega * _EPSILON0 * line.soil_permittivity)
    )  # fmt: skip
    small = ground * line.outer_radius
    ground_series = 1j * omega * _MU0 / (2.0 * np.pi) * np.log((1.0 + small) / small)
    ground_shunt = ground**2 / ground_series
    spread = np.log(line.outer_radius / line.radius)
    series = _wall(line, omega) + 1j * omega * _MU0 / (2.0 * np.pi) * spread + ground_series
    if line.coating_thickness > 0.0:
        capacitance = 2.0 * np.pi * _EPSILON0 * line.coating_permittivity / spread
        leakage = 2.0 * np.pi * line.radius * line.coating_leakage
        coating = leakage + 1j * omega * capacitance
        shunt = coating * ground_shunt / (coating + ground_shunt)
    else:
        shunt = ground_shunt
    return LineConstants(frequency, series, shunt)


def uniform_constants(
    frequency: FloatArray,
    resistance: float,
    inductance: float,
    conductance: float,
    capacitance: float,
) -> LineConstants:
    """Constants of a line whose R, L, G, C are known and do not depend on frequency.

    Parameters
    ----------
    frequency : (...) float64
        [Hz]; 0 is direct current.
    resistance, inductance, conductance, capacitance : float
        Per metre [ohm/m], [H/m], [S/m], [F/m].

    Returns
    -------
    LineConstants
    """
    frequency = np.asarray(frequency, dtype=np.float64)
    omega = 2.0 * np.pi * frequency
    series: ComplexArray = np.asarray(resistance + 1j * omega * inductance, np.complex128)
    shunt: ComplexArray = np.asarray(conductance + 1j * omega * capacitance, np.complex128)
    return LineConstants(frequency, series, shunt)


def _wall(line: BuriedLine, omega: FloatArray) -> ComplexArray:
    metal = line.metal
    k = np.sqrt(1j * omega * _MU0 * metal.relative_permeability / metal.resistivity)
    # The metal's area is pi t (2 a - t): an effective thickness keeps its direct-current value.
    thickness = line.wall * (1.0 - 0.5 * line.wall / line.radius)
    around = 2.0 * np.pi * line.radius
    surface: ComplexArray = k * metal.resistivity / (around * np.tanh(k * thickness))
    return surface
