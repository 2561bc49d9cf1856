"""Each term's size by hand calculation from the profile, its sharing, and their sum."""

import numpy as np
import pytest

from asfound.budget import load_profile
from asfound.em import distortion_sd
from asfound.model import Fix, Method, Operation, Receiver, Utility

SIZE = load_profile().tables["errors"]
MEASURED = (
    *("depth", "current", "frequency", "signal", "peak_null_separation"),
    *("east_sd", "north_sd", "up_sd", "pdop", "correction_age", "base_distance"),
    *("antenna_height", "tilt", "tilt_bearing", "speed"),
)


def term(scene, name, **profile):
    return next(t for t in scene.budget(**profile).terms if t.name == name)


def names(scene):
    return [t.name for t in scene.budget().terms]


def at(part, row=0):
    return float(np.broadcast_to(part, (row + 1,))[row]) if np.ndim(part) == 0 else float(part[row])


def sizes(scene, name, row=0):
    """East, north and up standard deviations of a term at one shot [m]."""
    found = term(scene, name)
    parts = (found.east_east, found.north_north, found.up_up)
    return tuple(np.sqrt(at(part, row)) for part in parts)


@pytest.fixture
def scene(survey, straight):
    return survey(straight(count=8), straight((0, 10), count=8, hookup="H2", source=1))


class TestGnss:
    def test_a_receivers_own_figures_are_taken_as_they_are(self, scene):
        scene = scene.having(east_sd=0.006, north_sd=0.009, up_sd=0.02)
        assert sizes(scene, "gnss") == pytest.approx((0.006, 0.009, 0.02))

    def test_without_figures_the_class_and_the_base_distance_count(self, scene):
        # 8 mm + 1 ppm over both axes together, 15 mm + 1 ppm in height (common practice).
        scene = scene.having(east_sd=np.nan, north_sd=np.nan, up_sd=np.nan, base_distance=12_000.0)
        level = (0.008 + 12e-3) / np.sqrt(2)
        assert sizes(scene, "gnss") == pytest.approx((level, level, 0.015 + 12e-3))

    def test_an_unknown_base_distance_is_taken_as_five_kilometres(self, scene):
        scene = scene.having(east_sd=np.nan, north_sd=np.nan, up_sd=np.nan, base_distance=np.nan)
        level = (0.008 + 5e-3) / np.sqrt(2)
        assert sizes(scene, "gnss") == pytest.approx((level, level, 0.015 + 5e-3))

    def test_a_receiver_of_its_own_class_is_known_by_its_serial(self, scene):
        scene = scene.having(up_sd=np.nan).having([0], receiver="R2")
        scene = scene.declaring(receivers=(Receiver("R2", 0.01, 0.03, 2.0),))
        assert sizes(scene, "gnss", 0)[2] == pytest.approx(0.03 + 2e-6 * 5000)
        assert sizes(scene, "gnss", 1)[2] == pytest.approx(0.015 + 1e-6 * 5000)

    @pytest.mark.parametrize(
        ("fix", "level", "up"),
        [
            (Fix.RTK_FLOAT, 0.25, 0.5),
            (Fix.DIFFERENTIAL, 0.5, 1.0),
            (Fix.PPS, 0.5, 1.0),
            (Fix.AUTONOMOUS, 2.5, 5.0),
            (Fix.MANUAL, 2.5, 5.0),
            (Fix.NONE, 2.5, 5.0),
        ],
    )
    def test_a_lesser_solution_is_as_poor_as_its_kind_whatever_it_says_of_itself(
        self, scene, fix, level, up
    ):
        assert sizes(scene.having(fix=fix), "gnss") == pytest.approx((level, level, up))

    def test_a_lesser_solution_that_calls_itself_poorer_is_believed(self, scene):
        scene = scene.having(fix=Fix.RTK_FLOAT, east_sd=0.8, north_sd=0.1)
        assert sizes(scene, "gnss") == pytest.approx((0.8, 0.25, 0.5))

    def test_an_unrecorded_kind_without_figures_is_taken_as_float(self, scene):
        scene = scene.having(fix=-1, east_sd=np.nan, north_sd=np.nan, up_sd=np.nan)
        assert sizes(scene, "gnss") == pytest.approx((0.25, 0.25, 0.5))

    def test_an_unrecorded_kind_with_the_receivers_own_figures_is_believed(self, scene):
        assert sizes(scene.having(fix=-1), "gnss") == pytest.approx((0.007, 0.007, 0.014))

    @pytest.mark.parametrize("nothing", [0.0, -0.01, np.nan])
    def test_a_figure_of_nothing_is_no_figure(self, scene, nothing):
        scene = scene.having(east_sd=nothing)
        assert sizes(scene, "gnss")[0] == pytest.approx((0.008 + 5e-3) / np.sqrt(2))

    @pytest.mark.parametrize("convergence", [0.0, 0.02, -0.3, 1.0])
    def test_true_east_and_north_are_turned_into_the_grid(self, scene, convergence):
        scene = scene.having(east_sd=0.02, north_sd=0.005)
        scene.ground.convergence[:] = convergence
        found = term(scene, "gnss")
        # A true bearing is the grid bearing plus the convergence: turn both axes of the error.
        axes = np.array([[0.02, 0.0], [0.0, 0.005]])
        bearing = np.arctan2(axes[:, 0], axes[:, 1]) - convergence
        size = np.hypot(axes[:, 0], axes[:, 1])
        turned = size[:, None] * np.stack([np.sin(bearing), np.cos(bearing)], axis=1)
        grid = turned.T @ turned
        assert at(found.east_east) == pytest.approx(grid[0, 0])
        assert at(found.north_north) == pytest.approx(grid[1, 1])
        assert at(found.east_north) == pytest.approx(grid[0, 1], abs=1e-15)


class TestPositionTerms:
    def test_a_correction_ages_by_a_millimetre_a_second_after_five(self, scene):
        scene = scene.having([0], correction_age=25.0).having([1], correction_age=4.0)
        assert sizes(scene, "correction-age") == pytest.approx((0.02, 0.02, 0.04))
        assert sizes(scene, "correction-age", 1) == (0.0, 0.0, 0.0)

    def test_an_unrecorded_age_adds_nothing(self, scene):
        assert "correction-age" not in names(scene.having(correction_age=np.nan))
        scene = scene.having([0], correction_age=np.nan).having([1], correction_age=30.0)
        assert sizes(scene, "correction-age") == (0.0, 0.0, 0.0)

    def test_the_service_is_one_error_for_an_upload(self, scene):
        assert sizes(scene, "service") == pytest.approx((0.005, 0.005, 0.008))
        assert term(scene, "service").shared_by.tolist() == [0] * 8 + [1] * 8

    def test_a_frame_operation_spreads_its_stated_accuracy_over_two_axes(self, scene):
        stated = (Operation("a", "b", "one", 0.03, ""), Operation("a", "b", "two", 0.0, ""))
        object.__setattr__(scene.ground, "operations", stated)
        scene.ground.operation[8:] = 1
        assert sizes(scene, "operation") == pytest.approx((0.03 / 2**0.5, 0.03 / 2**0.5, 0.03))
        assert sizes(scene, "operation", 8) == (0.0, 0.0, 0.0)
        assert term(scene, "operation").shared_by.tolist() == [0] * 8 + [1] * 8

    def test_an_exact_operation_needs_no_term(self, scene):
        assert "operation" not in names(scene)

    def test_a_vague_frame_label_is_carried_by_its_upload(self, scene):
        assert "frame-label" not in names(scene)
        scene = scene.uploaded(1, position_accuracy=2.0)
        assert sizes(scene, "frame-label", 0) == (0.0, 0.0, 0.0)
        assert sizes(scene, "frame-label", 8) == (2.0, 2.0, 2.0)
        assert term(scene, "frame-label").shared_by[8] == 1

    def test_a_geoid_is_one_error_for_all(self, scene):
        assert "geoid" not in names(scene)
        frame = type(scene.settings.frame)("EPSG:6467", geoid="grid.tif")
        scene = scene.declaring(frame=frame)
        assert sizes(scene, "geoid") == pytest.approx((0.0, 0.0, 0.02))
        assert len(set(term(scene, "geoid").shared_by)) == 1

    def test_an_antenna_height_is_one_error_for_a_receiver_and_upload(self, scene):
        scene = scene.having([2, 3], receiver="R2")
        assert sizes(scene, "antenna-height") == pytest.approx((0.0, 0.0, 0.003))
        codes = term(scene, "antenna-height").shared_by
        assert codes[0] == codes[7]
        assert codes[2] == codes[3]
        assert len(set(codes)) == 3
        assert (codes >= 0).all()

    def test_tilt_is_the_poles_length_times_the_angle_left_unknown(self, scene):
        scene = scene.having([1], tilt=np.nan)
        measured, bubble = 1.8 * np.radians(0.3), 1.8 * np.radians(0.5)
        assert sizes(scene, "tilt", 0)[:2] == pytest.approx((measured, measured))
        assert sizes(scene, "tilt", 1)[:2] == pytest.approx((bubble, bubble))
        # A pole lets its tip down by h (1 - cos): two axes of half the squared angle each.
        assert sizes(scene, "tilt", 1)[2] < 0.001

    def test_the_poles_length_is_the_rows_then_the_uploads_then_the_profiles(self, scene):
        lean = np.radians(0.3)
        scene = scene.having([1, 2], antenna_height=np.nan).uploaded(0, antenna_height=2.1)
        assert sizes(scene, "tilt", 0)[0] == pytest.approx(1.8 * lean)
        assert sizes(scene, "tilt", 1)[0] == pytest.approx(2.1 * lean)
        scene = scene.uploaded(0, antenna_height=np.nan)
        assert sizes(scene, "tilt", 1)[0] == pytest.approx(SIZE["default_antenna_height"] * lean)

    def test_coordinates_already_on_the_ground_still_came_from_a_leaning_pole(self, scene):
        there = scene.uploaded(0, position_of="ground")
        assert sizes(there, "tilt") == sizes(scene, "tilt")
        assert sizes(there, "antenna-height") == sizes(scene, "antenna-height")

    def test_uneven_ground_moves_the_height_only(self, scene):
        assert sizes(scene, "seating") == pytest.approx((0.0, 0.0, 0.008))

    def test_moving_while_logging_takes_the_speed_times_the_latency(self, scene):
        scene = scene.having([0], speed=0.3).having([1], speed=np.nan)
        assert sizes(scene, "logging") == pytest.approx((0.06, 0.06, 0.0))
        assert sizes(scene, "logging", 1) == (0.0, 0.0, 0.0)
        assert "logging" not in names(scene.having(speed=np.nan))


class TestFieldTerms:
    def test_pinpointing_acts_across_the_line_only(self, scene):
        # The line runs east, so that across is north.
        scene = scene.having(depth=2.0)
        across = np.hypot(0.015, 0.02 * 2.0)
        east, north, up = sizes(scene, "pinpointing")
        assert (east, up) == (pytest.approx(0.0, abs=1e-9), 0.0)
        assert north == pytest.approx(across)

    @pytest.mark.parametrize("bearing", [0.3, 1.9, 4.0])
    def test_across_turns_with_the_line(self, scene, bearing):
        scene = scene.having(depth=2.0)
        scene.assembly.bearing[:] = bearing
        found = term(scene, "pinpointing")
        matrix = np.array(
            [
                [at(found.east_east), at(found.east_north)],
                [at(found.east_north), at(found.north_north)],
            ]
        )
        along = np.array([np.sin(bearing), np.cos(bearing)])
        across = np.array([np.cos(bearing), -np.sin(bearing)])
        assert along @ matrix @ along == pytest.approx(0.0, abs=1e-12)
        assert across @ matrix @ across == pytest.approx(0.015**2 + 0.04**2)

    def test_where_the_lines_direction_is_not_known_it_acts_all_round(self, scene):
        scene = scene.having(depth=2.0)
        scene.assembly.bearing[0] = np.nan
        across = np.hypot(0.015, 0.04)
        assert sizes(scene, "pinpointing")[:2] == pytest.approx((across, across))
        assert at(term(scene, "pinpointing").east_north) == 0.0

    def test_neighbours_fields_are_what_the_physics_allow(self, scene):
        scene = scene.having(depth=1.5, peak_null_separation=0.25).having([1], method=Method.CLAMP)
        allowed = distortion_sd(np.array([0.25]), np.array([1.5]), Method.DIRECT)
        _, north, up = sizes(scene, "neighbour-field")
        assert north == pytest.approx(float(allowed.horizontal[0]))
        assert up == pytest.approx(float(allowed.depth[0]))

    def test_a_peak_and_null_apart_widens_the_budget(self, scene):
        scene = scene.having([0], peak_null_separation=0.4)
        assert sizes(scene, "neighbour-field", 0)[1] > 5 * sizes(scene, "neighbour-field", 1)[1]

    def test_depth_noise_is_the_two_coil_formulas(self, scene):
        # d = s Bt/(Bb - Bt) - h by finite differences of the two coils' readings, 1 % each.
        depth, s, h, noise = 1.7, 0.4, 0.05, 0.01

        def read(bottom, top):
            return s * top / (bottom - top) - h

        bottom, top = 1 / (depth + h), 1 / (depth + h + s)
        step = 1e-6
        by_bottom = (read(bottom * (1 + step), top) - read(bottom, top)) / step
        by_top = (read(bottom, top * (1 + step)) - read(bottom, top)) / step
        found = sizes(scene.having(depth=depth), "depth-noise")
        assert found[2] == pytest.approx(noise * np.hypot(by_bottom, by_top), rel=1e-4)
        assert found[:2] == (0.0, 0.0)

    def test_the_depth_scale_is_one_error_for_a_hook_up(self, scene):
        scene = scene.having(depth=1.5).having([0, 1], hookup="")
        assert sizes(scene, "depth-scale") == pytest.approx((0.0, 0.0, 0.03))
        codes = term(scene, "depth-scale").shared_by
        assert (codes >= 0).all()
        assert codes[0] == codes[1] != codes[2]
        assert codes[2] == codes[7] != codes[8]

    def test_a_control_check_has_no_field_in_it(self, scene):
        scene = scene.having([0], control="CP1", depth=np.nan)
        for name in ("pinpointing", "neighbour-field", "depth-noise", "depth-scale"):
            assert sizes(scene, name, 0) == (0.0, 0.0, 0.0)
            assert max(sizes(scene, name, 1)) > 0.0
        budget = scene.budget()
        assert budget.horizontal_95[0] < 0.6 * budget.horizontal_95[1]
        assert np.isnan(budget.centre_height[0])


class TestSum:
    def test_terms_add_up_to_the_covariance(self, scene):
        scene.ground.convergence[:] = 0.1
        budget = scene.having([3], speed=0.5, correction_age=40.0).budget()
        total = np.zeros((16, 3, 3))
        for part in budget.terms:
            total[:, 0, 0] += part.east_east
            total[:, 1, 1] += part.north_north
            total[:, 0, 1] += part.east_north
            total[:, 1, 0] += part.east_north
            total[:, 2, 2] += part.up_up
        np.testing.assert_allclose(budget.covariance, total, rtol=1e-12, atol=1e-18)

    def test_the_independent_part_leaves_out_what_is_shared(self, scene):
        budget = scene.having(depth=1.5).budget()
        shared = budget.covariance[0] - budget.independent[0]
        level = SIZE["service_horizontal"] ** 2
        up = SIZE["service_vertical"] ** 2 + SIZE["antenna_height"] ** 2 + 0.03**2
        np.testing.assert_allclose(np.diag(shared), [level, level, up], rtol=1e-9)

    def test_every_covariance_is_one(self, scene):
        budget = scene.having(peak_null_separation=np.nan).budget()
        for matrices in (budget.covariance, budget.independent):
            assert (np.linalg.eigvalsh(matrices) > 0).all()
            np.testing.assert_array_equal(matrices, matrices.transpose(0, 2, 1))

    def test_a_missing_depth_leaves_the_height_unknown_and_the_place_known(self, scene):
        budget = scene.having([2], depth=np.nan).budget()
        assert np.isnan(budget.centre_height[2])
        assert np.isnan(budget.vertical_95[2])
        assert np.isnan(budget.covariance[2, 2, 2])
        assert np.isnan(budget.independent[2, 2, 2])
        assert np.isfinite(budget.horizontal_95[2])
        assert np.isfinite(budget.ellipse[2]).all()
        assert np.isfinite(np.delete(budget.vertical_95, 2)).all()

    def test_a_missing_height_does_the_same(self, scene):
        scene.ground.height[2] = np.nan
        budget = scene.budget()
        assert np.isnan(budget.centre_height[2])
        assert np.isnan(budget.vertical_95[2])
        assert np.isfinite(budget.horizontal_95[2])

    def test_a_missing_depth_is_no_better_than_a_known_one_in_plan(self, scene):
        known = scene.having(depth=SIZE["default_depth"]).budget()
        unknown = scene.having(depth=np.nan).budget()
        np.testing.assert_allclose(unknown.horizontal_95, known.horizontal_95)

    def test_the_95_percent_figures_belong_to_the_covariance(self, scene):
        budget = scene.budget()
        np.testing.assert_allclose(
            budget.vertical_95, 1.959964 * np.sqrt(budget.covariance[:, 2, 2]), rtol=1e-6
        )
        values = np.linalg.eigvalsh(budget.covariance[:, :2, :2])
        np.testing.assert_allclose(budget.ellipse[:, 0], 2.447747 * np.sqrt(values[:, 1]), 1e-6)
        np.testing.assert_allclose(budget.ellipse[:, 1], 2.447747 * np.sqrt(values[:, 0]), 1e-6)
        assert (budget.horizontal_95 <= budget.ellipse[:, 0]).all()
        assert (budget.horizontal_95 >= 1.959 * np.sqrt(values[:, 1])).all()

    def test_the_centre_lies_the_depth_below_the_ground(self, scene):
        np.testing.assert_array_equal(
            scene.budget().centre_height, scene.ground.height - scene.shots.depth
        )

    def test_a_profile_changes_the_size_of_a_term(self, scene):
        found = term(scene, "seating", errors={"seating": 0.05})
        assert at(found.up_up) == pytest.approx(0.05**2)

    def test_every_term_says_what_it_is_and_where_its_size_is_from(self, scene):
        for part in scene.budget().terms:
            assert part.name
            assert part.title
            assert part.basis

    def test_the_same_shots_give_the_same_bytes(self, scene):
        one, two = scene.budget(), scene.budget()
        assert one.covariance.tobytes() == two.covariance.tobytes()

    @pytest.mark.parametrize("count", [0, 1, 2])
    def test_hardly_any_shots_have_a_budget_too(self, survey, straight, count):
        scene = survey(straight(count=max(count, 1)))
        if count == 0:
            scene = survey()
        assert scene.budget().covariance.shape == (count, 3, 3)

    def test_shots_with_nothing_but_a_place_have_a_budget(self, scene):
        empty = dict.fromkeys(MEASURED, np.nan)
        scene = scene.having(**empty, fix=-1, hookup="", receiver="", utility=Utility.UNKNOWN)
        budget = scene.budget()
        assert np.isfinite(budget.horizontal_95).all()
        assert (budget.horizontal_95 > 0.5).all()
