import numpy as np
import pytest

from asfound.model import NominalSize, Severity, Utility


@pytest.fixture
def scene(survey, straight):
    return survey(straight(), straight((0, 5), utility=4, depth=1.5))


class TestTyping:
    @pytest.mark.parametrize(
        ("factor", "words"),
        [
            (10.0, "decimal"),
            (0.1, "decimal"),
            (1 / 0.3048, "feet"),
            (0.3048, "metres"),
            (100.0, "two decimal"),
        ],
    )
    def test_the_slip_that_makes_a_depth_fit_is_named(self, scene, speaks, factor, words):
        slipped = scene.having([8], depth=scene.shots.depth[8] * factor)
        found = speaks(slipped, "depth-typing", [8], Severity.FAIL)
        assert words in found.detail[0]
        assert f"{scene.shots.depth[8] * factor:.2f}" in found.detail[0]

    def test_two_digits_swapped_are_named(self, scene, speaks):
        # 1.2 m, with its tenths and units swapped.
        found = speaks(
            scene.having([7, 8, 9], depth=1.2).having([8], depth=2.1),
            "depth-typing",
            [8],
            Severity.FAIL,
        )
        assert "swapped" in found.detail[0]

    def test_a_mistyped_depth_is_not_also_an_odd_neighbour(self, scene, silent):
        silent(scene.having([8], depth=12.0), "depth-neighbours")

    def test_readings_as_they_should_be_pass(self, scene, silent):
        silent(scene, "depth-typing")

    def test_a_depth_that_no_slip_explains_is_not_called_one(self, scene, silent):
        silent(scene.having([8], depth=1.75), "depth-typing")

    def test_a_correction_that_does_not_fit_is_not_proposed(self, scene, silent, speaks):
        # 30 m among 1.2 m: two decimal places would make it 0.30 m, which is no better. Heights
        # of half a metre must not make it fit either.
        vague = scene.having(fix=-1, east_sd=np.nan, north_sd=np.nan, up_sd=np.nan)
        for odd in (scene, vague):
            odd = odd.having([8], depth=30.0)
            silent(odd, "depth-typing")
            speaks(odd, "depth-range", [8], Severity.FAIL)

    @pytest.mark.parametrize("factor", [10.0, 0.1, 1 / 0.3048])
    def test_a_proposed_correction_fits_the_neighbours(self, scene, speaks, factor):
        odd = scene.having([8], depth=scene.shots.depth[8] * factor)
        found = speaks(odd, "depth-typing", [8], Severity.FAIL)
        meant = float(found.detail[0].split("would make it ")[1].split(" m")[0])
        assert meant == pytest.approx(found.limit[0], rel=0.4)


class TestNeighbours:
    def test_a_depth_off_its_neighbours_is_doubted(self, scene, speaks):
        found = speaks(scene.having([8], depth=1.75), "depth-neighbours", [8])
        assert "1.75 m" in found.detail[0]
        assert found.value[0] > found.limit[0]

    def test_a_line_that_dips_passes(self, scene, silent):
        along = np.abs(np.arange(21) - 10.0)
        silent(scene.having(slice(0, 21), depth=1.2 + 0.05 * along), "depth-neighbours")

    def test_a_line_without_depths_passes(self, scene, silent):
        silent(scene.having(slice(0, 21), depth=np.nan), "depth-neighbours")


class TestRange:
    @pytest.mark.parametrize(
        ("depth", "severity"),
        [
            (0.05, Severity.DOUBT),
            (7.0, Severity.DOUBT),
            (-0.4, Severity.FAIL),
            (14.0, Severity.FAIL),
        ],
    )
    def test_depths_that_no_method_reads_are_found(self, scene, speaks, depth, severity):
        # All of the line, so that it is no slip among neighbours.
        rows = np.arange(21)
        speaks(scene.having(rows, depth=depth), "depth-range", rows, severity)

    @pytest.mark.parametrize("depth", [0.12, 5.9])
    def test_depths_within_reach_pass(self, scene, silent, depth):
        silent(scene.having(slice(0, 21), depth=depth), "depth-range")


class TestTopAboveGround:
    def sized(self, scene, diameter):
        return scene.declaring(sizes=(NominalSize(diameter, Utility.GAS),))

    def test_a_diameter_in_inches_taken_for_metres_is_doubted(self, scene, speaks):
        # NPS 4 is 4.5 inches: 114.3 mm (ASME B36.10M).
        found = speaks(self.sized(scene, 4.5), "top-above-ground", np.arange(21))
        assert "above the ground" in found.detail[0]
        assert found.limit[0] == 2.25

    def test_diameters_that_fit_under_the_ground_pass(self, scene, silent):
        silent(self.sized(scene, 0.1143), "top-above-ground")
        silent(self.sized(scene, 1.8), "top-above-ground")

    def test_a_job_without_sizes_says_so(self, scene, not_run):
        not_run(scene, "top-above-ground")

    def test_shots_without_depths_are_not_judged(self, scene, silent):
        silent(self.sized(scene.having(depth=np.nan), 4.5), "top-above-ground")


class TestMissing:
    def test_a_shot_without_a_depth_is_noted(self, scene, speaks):
        speaks(scene.having([3], depth=np.nan), "depth-missing", [3], Severity.NOTE)

    def test_shots_with_depths_pass(self, scene, silent):
        silent(scene, "depth-missing")

    def test_control_checks_need_none(self, scene, silent):
        silent(scene.having([3], depth=np.nan, control="CP1"), "depth-missing")


def test_uploads_without_depths_say_so(scene, not_run):
    for rule in ("depth-typing", "depth-neighbours", "depth-range"):
        not_run(scene.having(depth=np.nan), rule)
