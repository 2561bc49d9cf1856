import numpy as np
import pytest

from asfound.model import Fix, Severity


@pytest.fixture
def scene(survey, straight):
    return survey(straight(count=41))


class TestTilt:
    def test_a_leaning_pole_is_noted_and_a_falling_one_doubted(self, scene, speaks):
        scene = scene.having([2], tilt=np.radians(7.0)).having([5], tilt=np.radians(16.0))
        found = speaks(scene, "tilt", [2, 5], None)
        assert found.severity.tolist() == [Severity.NOTE, Severity.DOUBT]
        assert found.unit == "rad"
        assert "16.0 degrees" in found.detail[1]

    def test_an_upright_pole_passes(self, scene, silent):
        silent(scene.having([2], tilt=np.radians(4.9)).having([3], tilt=np.nan), "tilt")


class TestAntennaHeightMissing:
    def test_antenna_coordinates_without_its_height_are_unfit(self, scene, speaks):
        scene = scene.having([4], antenna_height=np.nan)
        speaks(scene, "antenna-height-missing", [4], Severity.FAIL)

    def test_a_height_declared_with_the_upload_serves(self, scene, silent):
        scene = scene.having([4], antenna_height=np.nan).uploaded(0, antenna_height=1.8)
        silent(scene, "antenna-height-missing")

    def test_coordinates_already_on_the_ground_need_none(self, scene, silent):
        scene = scene.having(antenna_height=np.nan).uploaded(0, position_of="ground")
        silent(scene, "antenna-height-missing")


class TestAntennaHeightJump:
    @pytest.mark.parametrize("size", [0.4, -0.3])
    def test_a_stretch_of_ground_that_is_off_is_doubted(self, scene, speaks, size):
        rows = np.arange(14, 26)
        found = speaks(scene.moved(rows, up=size), "antenna-height-jump", rows)
        said = float(found.detail[0].split("probably ")[1].split(" m")[0])
        assert said == pytest.approx(1.8 + size, abs=0.05)

    def test_a_height_that_no_pole_has_is_unfit_where_it_was_taken_off(self, scene, speaks):
        odd = scene.having([7], antenna_height=5.9)
        found = speaks(odd, "antenna-height-jump", [7], Severity.FAIL)
        assert "feet" in found.detail[0]
        speaks(odd.uploaded(position_of="ground"), "antenna-height-jump", [7], Severity.DOUBT)

    @pytest.mark.parametrize(
        ("height", "words"),
        [(6.56, "as feet it would be 2.00 m"), (74.0, "as inches it would be 1.88 m"),
         (190.0, "as centimetres it would be 1.90 m"), (1900.0, "as millimetres it would be 1.90"),
         (25.0, "more than any pole has")],
    )  # fmt: skip
    def test_the_unit_that_makes_it_a_poles_height_is_named(self, scene, speaks, height, words):
        # 1 in = 25.4 mm, 1 ft = 304.8 mm exactly (NIST SP 811, appendix B).
        found = speaks(
            scene.having([3], antenna_height=height), "antenna-height-jump", [3], Severity.FAIL
        )
        assert words in found.detail[0]
        assert ("would be" in found.detail[0]) == ("would be" in words)

    def test_a_float_solution_does_not_excuse_a_height_that_no_pole_has(self, scene, speaks):
        scene = scene.having([3], antenna_height=1900.0, fix=Fix.RTK_FLOAT)
        speaks(scene, "antenna-height-jump", [3], Severity.FAIL)

    def test_even_ground_passes(self, scene, silent):
        silent(scene, "antenna-height-jump")

    def test_a_slope_passes(self, survey, straight, silent):
        scene = survey(straight(count=41))
        scene.ground.height[:] = 300.0 + 0.12 * scene.ground.easting
        silent(scene, "antenna-height-jump")

    def test_a_height_declared_once_for_the_upload_is_no_obstacle(self, scene, speaks):
        rows = np.arange(14, 26)
        scene = scene.moved(rows, up=0.4).having(antenna_height=np.nan)
        speaks(scene.uploaded(0, antenna_height=1.8), "antenna-height-jump", rows)
