import numpy as np
import pytest

from asfound.model import Severity


@pytest.fixture
def scene(survey, straight):
    return survey(straight(count=31))


class TestPeakNull:
    def test_apart_is_noted_and_far_apart_doubted(self, scene, speaks):
        # Two pinpointings at 1.2 m: sqrt(2) x hypot(0.015, 0.024) = 0.040 m.
        scene = scene.having(depth=1.2).having([4], peak_null_separation=0.13)
        scene = scene.having([9], peak_null_separation=0.30)
        found = speaks(scene, "peak-null", [4, 9], None)
        assert found.severity.tolist() == [Severity.NOTE, Severity.DOUBT]

    def test_together_passes(self, scene, silent):
        scene = scene.having([4], peak_null_separation=0.08).having([5], peak_null_separation=0.0)
        silent(scene.having([6], peak_null_separation=np.nan), "peak-null")

    def test_deeper_lines_may_have_them_farther_apart(self, scene, speaks, silent):
        scene = scene.having([4], peak_null_separation=0.16)
        speaks(scene.having(depth=0.8), "peak-null", [4])
        silent(scene.having(depth=2.5), "peak-null")


class TestDistortedField:
    def beside(self, scene, rows, aside=0.3, deeper=0.25):
        """Another conductor's field over a stretch: deeper, aside, and stronger."""
        depth, current = scene.shots.depth[rows], scene.shots.current[rows]
        stronger = 1.2 * (1 + deeper / depth)
        return scene.having(rows, depth=depth + deeper, current=current * stronger).moved(
            rows, north=aside
        )

    @pytest.mark.parametrize(("aside", "deeper"), [(0.3, 0.3), (-0.3, 0.3)])
    def test_a_stretch_off_in_depth_place_and_current_is_doubted(
        self, scene, speaks, aside, deeper
    ):
        rows = np.arange(10, 20)
        found = speaks(self.beside(scene, rows, aside, deeper), "distorted-field", rows)
        assert "10 shots" in found.detail[0]

    def test_a_quiet_street_passes(self, scene, silent):
        silent(scene, "distorted-field")

    def test_a_pipe_that_dips_under_something_passes(self, scene, silent):
        rows = np.arange(10, 20)
        silent(scene.having(rows, depth=scene.shots.depth[rows] + 0.4), "distorted-field")


class TestWeakSignal:
    def test_weak_is_noted_and_hardly_any_doubted(self, scene, speaks):
        scene = scene.having([4], current=0.004).having([5], current=0.001)
        found = speaks(scene, "weak-signal", [4, 5], None)
        assert found.severity.tolist() == [Severity.NOTE, Severity.DOUBT]
        assert "4.0 mA" in found.detail[0]

    def test_a_good_signal_passes(self, scene, silent):
        silent(scene.having([4], current=0.006), "weak-signal")


class TestSaturatedSignal:
    def test_the_receivers_upper_end_is_doubted(self, scene, speaks):
        speaks(scene.having([4], signal=100.0), "saturated-signal", [4])

    def test_a_signal_below_it_passes(self, scene, silent):
        silent(scene.having([4], signal=99.0), "saturated-signal")


class TestCurrentChange:
    def test_a_single_jump_is_noted_and_a_large_one_doubted(self, scene, speaks):
        scene = scene.having([8], current=0.19).having([20], current=0.02)
        found = speaks(scene, "current-change", [8, 20], None)
        assert found.severity.tolist() == [Severity.NOTE, Severity.DOUBT]
        assert "190 mA" in found.detail[0]
        assert "20 mA" in found.detail[1]

    def test_a_current_that_leaks_away_passes(self, scene, silent):
        silent(scene.having(current=0.1 * np.exp(-np.arange(31) / 20.0)), "current-change")

    def test_another_hook_ups_current_is_not_compared(self, scene, silent):
        rows = slice(15, 31)
        silent(scene.having(rows, hookup="H2", current=0.4), "current-change")


class TestCurrentEvent:
    def test_a_step_that_stays_is_noted_where_it_is(self, survey, straight, speaks):
        scene = survey(straight(count=41))
        rows = np.arange(20, 41)
        scene = scene.having(rows, current=0.6 * scene.shots.current[rows])
        found = speaks(scene, "current-event", [found_near(scene, 20)], Severity.NOTE)
        assert 0.55 < found.value[0] < 0.65

    def test_a_current_that_leaks_away_passes(self, survey, straight, silent):
        scene = survey(straight(count=41))
        decay = np.exp(-np.arange(41) / 50.0)
        silent(scene.having(current=scene.shots.current * decay), "current-event")

    def test_another_hook_ups_current_is_no_step(self, survey, straight, silent):
        scene = survey(straight(count=41))
        rows = np.arange(20, 41)
        current = 0.6 * scene.shots.current[rows]
        silent(scene.having(rows, current=current, hookup="H2"), "current-event")

    def test_uploads_without_currents_say_so(self, scene, not_run):
        not_run(scene.having(current=np.nan), "current-event")


def found_near(scene, row):
    """The shot next to `row` that the rule names: the one or the other beside the step."""
    named = [f.index for f in scene.findings() if f.rule.id == "current-event"]
    assert len(named) == 1
    assert abs(named[0] - row) <= 2
    return named[0]


class TestFrequencyChange:
    def test_another_frequency_on_the_same_hook_up_is_noted(self, scene, speaks):
        scene = scene.having(slice(10, 31), frequency=33_000.0)
        speaks(scene, "frequency-change", [10], Severity.NOTE)

    def test_one_frequency_passes(self, scene, silent):
        silent(scene, "frequency-change")

    def test_another_hook_up_may_have_another(self, scene, silent):
        scene = scene.having(slice(10, 31), frequency=33_000.0, hookup="H2")
        silent(scene, "frequency-change")

    def test_another_line_may_have_another(self, survey, straight, silent):
        scene = survey(straight(count=5), straight((0, 9), count=5))
        silent(scene.having(slice(5, 10), frequency=512.0), "frequency-change")


class TestHookupChange:
    def test_a_change_on_a_line_is_noted_where_it_happens(self, scene, speaks):
        scene = scene.having(slice(10, 31), hookup="H2")
        found = speaks(scene, "hookup-change", [10], Severity.NOTE)
        assert "H2" in found.detail[0]

    def test_one_hook_up_passes(self, scene, silent):
        silent(scene, "hookup-change")

    def test_another_line_may_have_another(self, survey, straight, silent):
        scene = survey(straight(count=5), straight((0, 9), count=5, hookup="H2"))
        silent(scene, "hookup-change")


@pytest.mark.parametrize(
    ("rule", "column"),
    [
        ("peak-null", "peak_null_separation"),
        ("weak-signal", "current"),
        ("saturated-signal", "signal"),
        ("current-change", "current"),
        ("frequency-change", "frequency"),
    ],
)
def test_a_column_that_is_missing_is_said(scene, not_run, rule, column):
    not_run(scene.having(**{column: np.nan}), rule)


def test_uploads_without_hook_ups_say_so(scene, not_run):
    not_run(scene.having(hookup=""), "hookup-change")
