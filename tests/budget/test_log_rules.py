from datetime import date

import numpy as np
import pytest

from asfound.model import Frame, Receiver, Severity


@pytest.fixture
def scene(survey, straight):
    return survey(straight(), straight((0, 8), source=1))


class TestTimeOrder:
    def test_a_shuffled_log_is_doubted(self, scene, speaks):
        times = scene.shots.time.copy()
        times[:21] = np.random.default_rng(1).permutation(times[:21])
        found = speaks(scene.having(time=times), "time-order", [0])
        assert "shuffled" in found.detail[0]

    def test_one_row_out_of_place_is_noted(self, survey, straight, speaks):
        scene = survey(straight(count=50))
        times = scene.shots.time.copy()
        times[[20, 21]] = times[[21, 20]]
        speaks(scene.having(time=times), "time-order", [0], Severity.NOTE)

    def test_one_wrong_time_in_a_short_log_is_not_called_shuffling(self, survey, straight, speaks):
        scene = survey(straight(count=12))
        times = scene.shots.time.copy()
        times[5] = np.datetime64("2056-11-17T14:00")
        found = speaks(scene.having(time=times), "time-order", [0], Severity.NOTE)
        assert "one row has a wrong time" in found.detail[0]

    def test_a_log_in_order_passes(self, scene, silent):
        silent(scene, "time-order")

    def test_an_upload_that_starts_before_the_last_one_ended_passes(self, scene, silent):
        times = scene.shots.time.copy()
        times[21:] = times[:21]
        silent(scene.having(time=times), "time-order")

    def test_uploads_without_times_say_so(self, scene, not_run):
        not_run(scene.having(time=np.datetime64("NaT")), "time-order")


class TestTimeMissing:
    def test_a_shot_without_a_time_among_others_is_noted(self, scene, speaks):
        scene = scene.having([4, 30], time=np.datetime64("NaT"))
        speaks(scene, "time-missing", [4, 30], Severity.NOTE)

    def test_an_upload_without_times_is_not_noted_shot_by_shot(self, scene, silent, not_run):
        silent(scene.having(slice(0, 21), time=np.datetime64("NaT")), "time-missing", notes=True)
        not_run(scene.having(time=np.datetime64("NaT")), "time-missing")

    def test_shots_with_times_pass(self, scene, silent):
        silent(scene, "time-missing")


class TestSpeed:
    def test_a_jump_there_and_back_is_doubted(self, scene, speaks):
        found = speaks(scene.moved([10], north=900.0), "speed", [10])
        assert "m/s" in found.detail[0]

    def test_the_first_and_the_last_row_are_looked_at(self, survey, straight, speaks):
        scene = survey(straight(count=20))
        speaks(scene.moved([0], north=900.0), "speed", [0])
        speaks(scene.moved([19], north=900.0), "speed", [19])

    def test_walking_passes(self, scene, silent):
        silent(scene, "speed")

    def test_driving_on_to_the_next_street_passes(self, scene, silent):
        silent(scene.moved(slice(10, 21), north=900.0), "speed")

    def test_rows_without_times_are_not_judged(self, scene, silent):
        silent(scene.moved([10], north=900.0).having([10], time=np.datetime64("NaT")), "speed")


class TestDuplicate:
    def test_the_same_row_twice_is_noted(self, scene, speaks):
        shots = scene.shots
        again = scene.having([9], x=shots.x[4], y=shots.y[4], time=shots.time[4])
        found = speaks(again, "duplicate", [9], Severity.NOTE)
        assert "row 5" in found.detail[0]
        assert "A" in found.detail[0]

    def test_a_third_copy_is_found_too(self, scene, speaks):
        shots = scene.shots
        again = scene.having([9, 30], x=shots.x[4], y=shots.y[4], time=shots.time[4])
        speaks(again, "duplicate", [9, 30], Severity.NOTE)

    def test_the_same_place_at_another_time_passes(self, scene, silent):
        silent(scene.having([9], x=scene.shots.x[4], y=scene.shots.y[4]), "duplicate")

    def test_copies_without_times_are_found(self, scene, speaks):
        scene = scene.having(time=np.datetime64("NaT"))
        again = scene.having([9], x=scene.shots.x[4], y=scene.shots.y[4])
        speaks(again, "duplicate", [9], Severity.NOTE)


class TestWorkArea:
    RING = np.array([[-97.001, 37.999], [-96.999, 37.999], [-96.999, 38.001], [-97.001, 38.001]])

    def test_a_shot_outside_is_doubted(self, scene, speaks):
        scene.ground.latitude[3] = 38.0015
        found = speaks(scene.declaring(work_area=self.RING), "work-area", [3])
        # 0.0005 degrees of latitude: 55.5 m on the meridian (WGS 84: 111 km a degree).
        assert found.value[0] == pytest.approx(55.5, abs=1.0)

    def test_shots_inside_pass(self, scene, silent):
        silent(scene.declaring(work_area=self.RING), "work-area")

    def test_a_shot_just_over_the_edge_passes(self, scene, silent):
        scene.ground.latitude[3] = 38.001 + 3.0 / 111_000
        silent(scene.declaring(work_area=self.RING), "work-area")

    def test_a_job_without_one_says_so(self, scene, not_run):
        not_run(scene, "work-area")


class TestReceiverVerification:
    def test_an_old_date_is_doubted(self, scene, speaks):
        scene = scene.declaring(receivers=(Receiver("R1", verified=date(2025, 10, 1)),))
        found = speaks(scene, "receiver-verification", [0, 1])
        assert "R1" in found.detail[0]
        assert found.value[0] == (date(2026, 11, 17) - date(2025, 10, 1)).days

    def test_no_date_is_noted(self, scene, speaks):
        speaks(scene, "receiver-verification", [0, 1], Severity.NOTE)

    def test_a_fresh_date_passes(self, scene, silent):
        scene = scene.declaring(receivers=(Receiver("R1", verified=date(2026, 2, 1)),))
        silent(scene, "receiver-verification")

    def test_without_times_the_day_of_the_job_counts(self, scene, speaks):
        scene = scene.having(time=np.datetime64("NaT")).declaring(
            receivers=(Receiver("R1", verified=date(2026, 2, 1)),), processed_on=date(2027, 6, 1)
        )
        speaks(scene, "receiver-verification", [0, 1])


class TestFrameUndeclared:
    def test_a_vague_label_is_doubted(self, scene, speaks):
        found = speaks(scene.uploaded(1, position_accuracy=2.0), "frame-undeclared", [1])
        assert "2 m" in found.detail[0]

    def test_a_name_of_several_realisations_that_is_not_carried_is_doubted(self, scene, speaks):
        # The ETRS89 ensemble is good to 0.1 m (EPSG registry, datum ensemble 6258).
        found = speaks(scene.uploaded(1, frame=Frame("ETRS89")), "frame-undeclared", [1])
        assert found.value.tolist() == [0.1]
        assert "no shot's budget carries" in found.detail[0]

    def test_a_name_of_several_realisations_that_is_carried_is_said_so(self, scene, speaks):
        vague = scene.uploaded(1, frame=Frame("ETRS89"), position_accuracy=0.1)
        assert "carried in every" in speaks(vague, "frame-undeclared", [1]).detail[0]

    @pytest.mark.parametrize("name", ["ETRF2000", "NAD83(2011)", "ITRF2020", "a local grid"])
    def test_names_of_one_frame_pass(self, scene, silent, name):
        silent(scene.uploaded(1, frame=Frame(name)), "frame-undeclared")

    def test_a_frame_good_to_centimetres_passes(self, scene, silent):
        silent(scene, "frame-undeclared")
