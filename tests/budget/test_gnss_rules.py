import numpy as np
import pytest

from asfound.model import Fix, Severity


@pytest.fixture
def scene(survey, straight):
    return survey(straight())


class TestFixKind:
    def test_a_float_solution_is_doubtful(self, scene, speaks):
        found = speaks(scene.having([3, 9], fix=Fix.RTK_FLOAT), "fix-kind", [3, 9])
        assert "RTK float" in found.detail[0]

    @pytest.mark.parametrize("fix", [Fix.NONE, Fix.AUTONOMOUS, Fix.DIFFERENTIAL, Fix.MANUAL])
    def test_less_than_float_is_unfit(self, scene, speaks, fix):
        speaks(scene.having([3], fix=fix), "fix-kind", [3], Severity.FAIL)

    def test_fixed_solutions_pass(self, scene, silent):
        silent(scene, "fix-kind")

    def test_rows_that_do_not_say_are_noted_where_others_do(self, scene, speaks):
        found = speaks(scene.having([4], fix=-1), "fix-kind", [4], Severity.NOTE)
        assert "not recorded" in found.detail[0]

    def test_uploads_without_the_kind_say_so(self, scene, not_run):
        not_run(scene.having(fix=-1), "fix-kind")


class TestPrecisionUnrecorded:
    """An upload that tells nothing of its precision is carried as float, and that is said."""

    @pytest.fixture
    def two(self, survey, straight):
        return survey(straight(), straight((0, 8), source=1))

    def test_an_upload_with_neither_kind_nor_deviations_is_doubted(self, two, speaks):
        rows = slice(0, 21)
        blind = two.having(rows, fix=-1, east_sd=np.nan, north_sd=np.nan, up_sd=np.nan)
        found = speaks(blind, "precision-unrecorded", [0])
        assert "21 of 21 shots" in found.detail[0]
        assert "RTK float" in found.detail[0]

    def test_the_size_it_names_is_the_one_that_the_budget_carries(self, two, speaks):
        blind = two.having(fix=-1, east_sd=np.nan, north_sd=np.nan, up_sd=np.nan)
        sizes = {"errors": {"float_horizontal": 0.4, "float_vertical": 0.7}}
        found = speaks(blind, "precision-unrecorded", [0, 1], **sizes)
        assert "0.40 m per axis and 0.70 m upward" in found.detail[0]
        gnss = next(term for term in blind.budget(**sizes).terms if term.name == "gnss")
        assert np.sqrt(gnss.up_up) == pytest.approx(0.7)
        assert np.sqrt(gnss.east_east) == pytest.approx(0.4)

    def test_a_row_that_does_not_tell_is_noted(self, two, speaks):
        blind = two.having([3], fix=-1, east_sd=np.nan, north_sd=np.nan, up_sd=np.nan)
        speaks(blind, "precision-unrecorded", [0], Severity.NOTE)

    @pytest.mark.parametrize("told", [{"fix": -1}, {"east_sd": np.nan, "north_sd": np.nan}])
    def test_either_of_them_is_enough(self, two, silent, told):
        silent(two.having(**told), "precision-unrecorded")

    def test_a_job_without_shots_has_none(self, survey, silent):
        silent(survey(), "precision-unrecorded")


@pytest.mark.parametrize(
    ("rule", "column", "noted", "doubted", "fine"),
    [
        ("base-distance", "base_distance", 12_000.0, 21_000.0, 11_000.0),
        ("correction-age", "correction_age", 11.0, 31.0, 9.0),
        ("pdop", "pdop", 4.5, 6.5, 3.9),
    ],
)
class TestLimits:
    def test_beyond_the_first_limit_is_noted_and_beyond_the_second_doubted(
        self, scene, speaks, rule, column, noted, doubted, fine
    ):
        scene = scene.having([2], **{column: noted}).having([6], **{column: doubted})
        found = speaks(scene, rule, [2, 6], None)
        assert found.severity.tolist() == [Severity.NOTE, Severity.DOUBT]
        assert found.value.tolist() == [noted, doubted]
        assert (found.value > found.limit).all()

    def test_within_the_limit_passes(self, scene, silent, rule, column, noted, doubted, fine):
        scene = scene.having([2], **{column: fine}).having([3], **{column: np.nan})
        silent(scene, rule)

    def test_a_column_that_is_missing_is_said(
        self, scene, not_run, rule, column, noted, doubted, fine
    ):
        not_run(scene.having(**{column: np.nan}), rule)

    def test_a_profile_moves_the_limit(self, scene, rule, column, noted, doubted, fine):
        scene = scene.having([2], **{column: noted})
        found = scene.findings(**{rule: {"note": noted + 1, "doubt": doubted}})
        assert not any(f.rule.id == rule for f in found)


def test_a_base_far_away_is_doubted(scene, speaks):
    speaks(scene.having([2], base_distance=25_000.0), "base-distance", [2])


def test_a_base_near_by_passes(scene, silent):
    silent(scene, "base-distance")


def test_an_old_correction_is_doubted(scene, speaks):
    speaks(scene.having([2], correction_age=60.0), "correction-age", [2])


def test_a_fresh_correction_passes(scene, silent):
    silent(scene, "correction-age")


def test_poor_geometry_is_doubted(scene, speaks):
    speaks(scene.having([2], pdop=8.0), "pdop", [2])


def test_good_geometry_passes(scene, silent):
    silent(scene, "pdop")


class TestSatellites:
    def test_few_are_noted_and_very_few_doubted(self, scene, speaks):
        found = speaks(
            scene.having([2], satellites=6).having([5], satellites=4), "satellites", [2, 5], None
        )
        assert found.severity.tolist() == [Severity.NOTE, Severity.DOUBT]

    def test_enough_pass(self, scene, silent):
        silent(scene.having([2], satellites=7).having([3], satellites=-1), "satellites")

    def test_uploads_without_them_say_so(self, scene, not_run):
        not_run(scene.having(satellites=-1), "satellites")
