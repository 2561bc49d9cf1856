"""Lossy lines against limits, ladders and an independent solver of the telegrapher's equations."""

import numpy as np
import pytest
from scipy.integrate import solve_bvp
from scipy.linalg import solve_banded
from scipy.special import iv, kv

from asfound.em import (
    COPPER,
    OPEN_END,
    STEEL,
    BuriedLine,
    Transmitter,
    current_at,
    fed_current,
    floor_current,
    frequency_advice,
    input_impedance,
    line_constants,
    propagation,
    signal_reach,
    uniform_constants,
)
from asfound.em.line_constants import _wall
from asfound.errors import InputError

PIPE = BuriedLine(0.084, 0.006, STEEL, coating_thickness=0.003, coating_leakage=1e-4)
FREQUENCIES = np.array([512.0, 8192.0, 32768.0, 131072.0])


def test_a_lossless_line_fades_nowhere_and_has_the_wavelength_of_its_speed():
    # Textbook: 1 / (f sqrt(L C)), impedance sqrt(L / C).
    wave = propagation(uniform_constants(np.array([1e4]), 0.0, 1e-6, 0.0, 1e-10))
    assert wave.constant.real == pytest.approx(0.0, abs=1e-18)
    assert wave.wavelength[0] == pytest.approx(1 / (1e4 * np.sqrt(1e-16)), rel=1e-12)
    assert wave.impedance[0] == pytest.approx(100.0, rel=1e-12)


def test_an_open_lossless_line_carries_a_standing_wave():
    # sin(b (l - x)) / sin(b l), textbook.
    line = uniform_constants(np.array([1e4]), 0.0, 1e-6, 0.0, 1e-10)
    b, length = 2 * np.pi * 1e4 * 1e-8, 1000.0
    x = np.linspace(0, length, 21)
    share = current_at(line, x, length=length, termination=OPEN_END)[0]
    np.testing.assert_allclose(share, np.sin(b * (length - x)) / np.sin(b * length), atol=1e-12)


@pytest.mark.parametrize("termination", [0.0, 4.0, OPEN_END])
def test_direct_current_is_that_of_a_ladder_of_resistors(termination):
    # Kirchhoff's equations of 4000 cells solved as a linear system; error of order (l / n)².
    r, g, length, count = 2e-3, 3e-4, 2000.0, 4000
    step = length / count
    series, shunt = 1.0 / (r * step), g * step
    diagonal = np.full(count, 2 * series + shunt)
    diagonal[-1] = series + 0.5 * shunt
    if termination == 0.0:
        diagonal[-1] = 1e30
    elif np.isfinite(termination):
        diagonal[-1] += 1.0 / termination

    bands = np.zeros((3, count))
    bands[0, 1:] = bands[2, :-1] = -series
    bands[1] = diagonal
    right = np.zeros(count)
    right[0] = series  # one volt at the feed
    volts = np.concatenate([[1.0], solve_banded((1, 1), bands, right)])
    amperes = (volts[:-1] - volts[1:]) * series
    middle = (np.arange(count) + 0.5) * step
    line = uniform_constants(np.array([0.0]), r, 1e-6, g, 1e-9)
    share = current_at(line, middle, length=length, termination=termination)[0].real
    np.testing.assert_allclose(share / share[0], amperes / amperes[0], atol=3e-7)


def test_current_agrees_with_a_solver_of_the_telegraphers_equations():
    # dV/dx = -Z I, dI/dx = -Y V, V(l) = Zt I(l), I(0) = 1: scipy's boundary value solver.
    line = line_constants(PIPE, np.array([8192.0]))
    z, y = line.series[0], line.shunt[0]
    length, end = 1500.0, 12.0 + 3.0j

    def slope(x, state):
        v, i = state[0] + 1j * state[1], state[2] + 1j * state[3]
        dv, di = -z * i, -y * v
        return np.stack([dv.real, dv.imag, di.real, di.imag])

    def ends(a, b):
        miss = b[0] + 1j * b[1] - end * (b[2] + 1j * b[3])
        return np.array([a[2] - 1, a[3], miss.real, miss.imag])

    x = np.linspace(0, length, 61)
    solved = solve_bvp(slope, ends, x, np.ones((4, 61)), tol=1e-9, max_nodes=20_000)
    assert solved.success
    state = solved.sol(x)
    share = current_at(line, x, length=length, termination=end)[0]
    np.testing.assert_allclose(share, state[2] + 1j * state[3], atol=1e-7)
    fed = (state[0, 0] + 1j * state[1, 0]) / 1.0
    assert input_impedance(line, length=length, termination=end)[0] == pytest.approx(fed, rel=1e-7)


def test_the_wall_has_its_direct_current_resistance_and_its_skin_effect():
    # rho / area; and far above the skin depth rho / (2 pi a delta) (1 + j), textbook.
    low = _wall(PIPE, np.array([1e-6]))[0]
    area = np.pi * (0.084**2 - 0.078**2)
    assert low.real == pytest.approx(STEEL.resistivity / area, rel=1e-6)
    omega = 2 * np.pi * 1e5
    delta = np.sqrt(2 * STEEL.resistivity / (omega * 4e-7 * np.pi * 200))
    high = _wall(PIPE, np.array([omega]))[0]
    expected = STEEL.resistivity / (2 * np.pi * 0.084 * delta)
    assert high == pytest.approx(expected * (1 + 1j), rel=1e-6)


def test_a_solid_wire_is_near_the_exact_skin_effect():
    # Bessel functions (scipy), Z = k rho I0(k a) / (2 pi a I1(k a)); the wall formula is within
    # a tenth of it, which moves a buried line's attenuation by far less.
    wire = BuriedLine(0.004, 0.004, COPPER)
    omega = 2 * np.pi * FREQUENCIES
    k = np.sqrt(1j * omega * 4e-7 * np.pi / COPPER.resistivity)
    exact = k * COPPER.resistivity * iv(0, k * 0.004) / (2 * np.pi * 0.004 * iv(1, k * 0.004))
    np.testing.assert_allclose(_wall(wire, omega).real, exact.real, rtol=0.15)


def test_the_ground_return_has_carsons_resistance_and_a_buried_wires_reactance():
    # Real part w mu0 / 8 at low frequency (Carson, from memory); whole value near the wire in
    # boundless ground, j w mu0 / 2 pi K0(g b) (Bessel function from scipy).
    bare = BuriedLine(0.05, 0.005, STEEL)
    omega = 2 * np.pi * FREQUENCIES
    ground = line_constants(bare, FREQUENCIES).series - _wall(bare, omega)
    np.testing.assert_allclose(ground.real[0], omega[0] * 4e-7 * np.pi / 8, rtol=0.002)
    gamma = np.sqrt(1j * omega * 4e-7 * np.pi / 100.0)
    exact = 1j * omega * 2e-7 * kv(0, gamma * 0.05)
    np.testing.assert_allclose(np.abs(ground), np.abs(exact), rtol=0.03)


def test_fading_grows_with_frequency_leakage_and_wet_soil_on_bare_pipe():
    def length(**changes):
        line = BuriedLine(**{**PIPE.__dict__, **changes})
        return propagation(line_constants(line, FREQUENCIES)).attenuation_length

    assert (np.diff(length()) < 0).all()
    assert (length(coating_leakage=1e-3) < length()).all()
    bare = {"coating_thickness": 0.0}
    assert (length(**bare, soil_resistivity=20.0) < length(**bare)).all()
    assert (length(**bare) < length()).all()


def test_reach_on_an_endless_line_is_attenuation_times_the_logarithm():
    line = line_constants(PIPE, FREQUENCIES)
    least = floor_current(1.2, FREQUENCIES)
    reach = signal_reach(line, 0.1, least)
    left = np.abs(0.1 * current_at(line, reach))
    np.testing.assert_allclose(np.diag(left), least, rtol=1e-9)


def test_reach_on_a_line_with_an_end_is_the_first_crossing():
    line = line_constants(PIPE, FREQUENCIES)
    length = 400.0
    least = np.full(4, 0.02)
    reach = signal_reach(line, 0.1, least, length=length, termination=OPEN_END)
    assert np.isfinite(reach).all()
    for index, distance in enumerate(reach):
        x = np.linspace(0, distance, 500)
        share = np.abs(current_at(line, x, length=length, termination=OPEN_END)[index])
        assert (0.1 * share[:-5] >= 0.02 * 0.999).all()
        assert 0.1 * share[-1] == pytest.approx(0.02, rel=2e-3)
    grounded = signal_reach(line, 0.1, np.full(4, 1e-9), length=length)
    assert np.isinf(grounded).all()


def test_advice_names_the_lowest_frequency_that_reaches_or_says_what_to_do():
    line = line_constants(BuriedLine(0.084, 0.006, STEEL), FREQUENCIES)
    near = frequency_advice(line, 0.1, 1.2, 100.0)
    assert near.frequency[near.chosen] == 512.0
    assert near.sentence.startswith("Use 512 Hz")
    far = frequency_advice(line, 0.1, 1.2, 5000.0)
    assert far.chosen == far.reach.argmax()
    assert "hook up again from the far end" in far.sentence
    weak = frequency_advice(line, 0.0015, 1.2, 150.0)
    assert weak.frequency[weak.chosen] == 8192.0  # 512 Hz is below the receiver's floor


def test_an_open_insulated_wire_takes_little_current_at_low_frequency():
    wire = BuriedLine(0.001, 0.001, COPPER, coating_thickness=0.001)
    line = line_constants(wire, FREQUENCIES[:3])
    open_end = fed_current(line, Transmitter(), length=150.0, termination=OPEN_END)
    grounded = fed_current(line, Transmitter(), length=150.0, termination=20.0)
    assert open_end[0] < 0.02 * grounded[0]
    assert (np.diff(open_end) > 0).all()


def test_impossible_lines_are_refused_with_what_to_measure():
    with pytest.raises(InputError, match="four probes"):
        BuriedLine(0.1, 0.005, STEEL, soil_resistivity=0.0)
    with pytest.raises(InputError, match="wall at an exposure"):
        BuriedLine(0.01, 0.02, STEEL)
    with pytest.raises(InputError, match="Measure distances from the hook-up"):
        current_at(line_constants(PIPE, FREQUENCIES), np.array([10.0]), length=5.0)
    with pytest.raises(InputError, match="Read the transmitter's current"):
        frequency_advice(line_constants(PIPE, FREQUENCIES), 0.0, 1.0, 100.0)
