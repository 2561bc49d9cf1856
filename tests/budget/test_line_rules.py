import numpy as np
import pytest

from asfound.model import Fix, Severity, Utility


class TestUtilityMismatch:
    @pytest.fixture
    def scene(self, survey, straight):
        return survey(
            straight(count=31),
            straight((0, 4), count=31, utility=Utility.WATER, depth=1.5, hookup="H2"),
        )

    @pytest.mark.parametrize("rows", [[15], [12, 13, 14, 15]])
    def test_shots_coded_as_something_else_are_unfit(self, scene, speaks, rows):
        scene = scene.having(rows, utility=Utility.SEWER).assembled()
        found = speaks(scene, "utility-mismatch", rows, Severity.FAIL)
        assert "coded sewer" in found.detail[0]
        assert "gas" in found.detail[0]

    def test_a_code_of_the_line_beside_is_found(self, scene, speaks):
        scene = scene.having([15], utility=Utility.WATER).assembled()
        speaks(scene, "utility-mismatch", [15], Severity.FAIL)

    def test_right_codes_pass(self, scene, silent):
        silent(scene.assembled(), "utility-mismatch")

    def test_a_short_line_that_crosses_passes(self, survey, straight, silent):
        scene = survey(
            straight(count=31),
            straight((45, -6), bearing=0, count=5, utility=Utility.ELECTRIC, depth=0.7),
        )
        silent(scene.assembled(), "utility-mismatch")

    def test_a_short_line_beside_a_long_one_passes(self, survey, straight, silent):
        scene = survey(
            straight(count=31),
            straight((30, 0.2), count=5, utility=Utility.COMMUNICATION, depth=0.5, hookup="H2"),
        )
        silent(scene.assembled(), "utility-mismatch")


class TestPositionOutlier:
    @pytest.fixture
    def scene(self, survey, straight):
        return survey(straight(count=31), straight((0, 5), count=31, utility=Utility.WATER))

    def test_a_shot_aside_of_its_line_is_doubted(self, scene, speaks):
        found = speaks(scene.moved([15], north=1.2), "position-outlier", [15])
        assert found.value[0] == pytest.approx(1.2, abs=0.06)
        assert found.value[0] > found.limit[0]

    def test_a_shot_far_from_where_it_was_logged_is_doubted(self, scene, speaks):
        scene = scene.moved([15], north=140.0).assembled()
        found = speaks(scene, "position-outlier", [15])
        assert "on no line" in found.detail[0]

    def test_a_shot_thrown_off_the_line_that_it_was_logged_along_is_doubted(
        self, scene, speaks, silent
    ):
        scene = scene.moved([15], north=-6.0)
        scene.assembly.line[15] = -1
        speaks(scene, "position-outlier", [15])
        silent(scene, "on-no-line")

    def test_a_straight_line_passes(self, scene, silent):
        silent(scene, "position-outlier")

    def test_a_curve_passes(self, survey, curved, silent):
        silent(survey(curved(radius=20.0, count=25)), "position-outlier")

    @pytest.mark.parametrize("turn", [22.5, 45.0, 90.0])
    def test_a_bend_passes(self, survey, straight, silent, turn):
        first = straight(count=16)
        second = straight(tuple(first.points[-1]), bearing=90 - turn, count=16)
        bent = type(first)(np.concatenate([first.points, second.points[1:]]))
        silent(survey(bent), "position-outlier")

    def test_a_float_solution_is_not_also_an_outlier(self, scene, silent):
        scene = scene.moved([15], north=1.2).having([15], fix=Fix.RTK_FLOAT)
        silent(scene, "position-outlier")

    def test_a_single_shot_of_something_near_by_is_said_to_be_on_no_line(
        self, survey, straight, silent, speaks
    ):
        scene = survey(straight(count=21), straight((66, 3), count=1, utility=Utility.ELECTRIC))
        scene = scene.assembled()
        silent(scene, "position-outlier")
        speaks(scene, "on-no-line", [21], Severity.NOTE)


class TestSpacing:
    def test_a_long_step_is_noted(self, survey, straight, speaks):
        scene = survey(straight(count=12, spacing=16.0))
        found = speaks(scene, "spacing", np.arange(1, 12), Severity.NOTE)
        assert "16" in found.detail[0]

    def test_a_bend_between_distant_shots_is_noted(self, survey, curved, speaks):
        # An arc of 10 m radius, shots 6 m apart: 6 x 0.6 / 8 = 0.45 m off the straight.
        scene = survey(curved(radius=10.0, count=7, spacing=6.0), noise=0.0)
        speaks(scene, "spacing", np.arange(1, 7), Severity.NOTE)

    def test_close_shots_on_a_bend_pass(self, survey, curved, silent):
        silent(survey(curved(radius=10.0, count=15, spacing=2.0), noise=0.0), "spacing")

    def test_the_formula_is_the_arcs_own(self, survey, curved, speaks):
        # The sagitta of an arc: r (1 - cos(turn / 2)), from plane geometry.
        scene = survey(curved(radius=12.0, count=9, spacing=6.0), noise=0.0)
        found = speaks(scene, "spacing", np.arange(1, 9), Severity.NOTE)
        sagitta = 12.0 * (1 - np.cos(0.5 * 6.0 / 12.0))
        said = [float(words.split("may lie ")[1].split(" m")[0]) for words in found.detail]
        assert said[3] == pytest.approx(sagitta, abs=0.01)

    def test_the_next_line_is_not_far_along_this_one(self, survey, straight, silent):
        silent(survey(straight(count=5), straight((400, 0), count=5)), "spacing")
