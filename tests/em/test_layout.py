"""Bends, tees and ends as pieces of conductor."""

import numpy as np
import pytest

from asfound.em import (
    join_layouts,
    layout_field,
    layout_nodes,
    run_layout,
    sweep_places,
    two_coil_depth,
)
from asfound.em._line_fields import LINE_FIELD_CONSTANT
from asfound.errors import InputError


def test_far_from_a_tee_each_leg_reads_as_a_line_with_its_own_current():
    far = 2000.0
    main = run_layout([[0, -far, -1.2], [0, 0, -1.2], [0, far, -1.2]], [0.100, 0.060])
    tee = join_layouts([main, run_layout([[0, 0, -1.2], [far, 0, -1.2]], 0.040)])
    over = [
        layout_field(tee, sweep_places(np.array([0.0]), 0.0, along=along))[0, 0]
        for along in (-300.0, 300.0)
    ]
    np.testing.assert_allclose(
        over, LINE_FIELD_CONSTANT * np.array([0.100, 0.060]) / 1.2, rtol=2e-3
    )


def test_over_a_right_angled_bend_each_arm_gives_half_a_line():
    # Biot-Savart: an arm that starts under the coil gives exactly half of an endless line.
    far, depth = 1e6, 1.0
    bend = run_layout([[0, -far, -depth], [0, 0, -depth], [far, 0, -depth]], 1.0)
    field = layout_field(bend, sweep_places(np.array([0.0]), 0.0))[0]
    np.testing.assert_allclose(
        field, 0.5 * LINE_FIELD_CONSTANT * np.array([1.0, -1.0, 0.0]), rtol=1e-6, atol=1e-16
    )


def test_an_unbalanced_tee_is_refused_with_the_missing_current_and_place():
    main = run_layout([[0, -50, -1], [0, 0, -1], [0, 50, -1]], [0.1, 0.1])
    service = run_layout([[0, 0, -1], [9, 0, -1]], 0.04)
    with pytest.raises(InputError, match=r"40 mA is unaccounted for where 3 pieces meet") as caught:
        join_layouts([main, service])
    assert "every leg of the tee" in caught.value.remedy


def test_currents_that_differ_in_phase_balance_as_phasors():
    legs = [0.1, 0.04 * np.exp(0.3j)]
    rest = legs[0] - legs[1]
    main = run_layout([[0, -50, -1], [0, 0, -1], [0, 50, -1]], [legs[0], rest])
    tee = join_layouts([main, run_layout([[0, 0, -1], [9, 0, -1]], legs[1])])
    inner = [node for node in layout_nodes(tee) if node.pieces == 3]
    assert len(inner) == 1
    assert abs(inner[0].surplus) < 1e-15


def test_ends_are_nodes_where_the_current_leaves_the_layout():
    line = run_layout([[0, -5, -1], [0, 5, -1]], 0.02)
    first, last = layout_nodes(line)
    assert (first.pieces, last.pieces) == (1, 1)
    assert first.surplus == pytest.approx(-0.02)
    assert last.surplus == pytest.approx(0.02)


def test_a_sloping_ground_lifts_the_coil_as_it_climbs():
    places = sweep_places(np.array([-1.0, 0.0, 2.0]), 0.05, ground_slope=0.1)
    np.testing.assert_allclose(places[:, 2], [-0.05, 0.05, 0.25])


def test_on_a_slope_the_peak_moves_downhill_of_the_line():
    # Coil at w = d + g u above the line: the peak of w / (u² + w²) solves
    # (g + g³) u² + 2 d (1 + g²) u + g d² = 0 (derived).
    g, d = 0.2, 1.0
    u = np.linspace(-1, 1, 200_001)
    line = run_layout([[0, -1e5, -d], [0, 1e5, -d]], 1.0)
    field = layout_field(line, sweep_places(u, 0.0, ground_slope=g))[:, 0]
    found = u[field.argmax()]
    roots = np.roots([g * (1 + g**2), 2 * d * (1 + g**2), g * d**2])
    expected = roots[np.abs(roots).argmin()]
    assert found == pytest.approx(expected, abs=2e-5)
    assert found < 0


def test_before_a_bend_the_depth_reads_shallow_as_the_explanation_says():
    # docs/explanation/what-the-receiver-hides.md, Limits: a fifth at one depth, 7 % at three.
    bend = run_layout([[0, -2000, -1.2], [0, 0, -1.2], [2000, 0, -1.2]], 0.1)
    for before, short in ((1.2, 0.22), (3.6, 0.07)):
        bottom, top = (
            layout_field(bend, sweep_places(np.zeros(1), height, along=-before))[:, 0]
            for height in (0.05, 0.45)
        )
        depth = float(two_coil_depth(bottom, top).depth[0])
        assert 1 - depth / 1.2 == pytest.approx(short, abs=0.01)
