"""What a job's checks prove: misread uploads named, repeats found, levels proposed."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest
from pyproj import Transformer

from asfound.demo import simulate
from asfound.job import process
from asfound.job.proving import levels_under
from asfound.job.spots import BESIDE, repeated_spots
from asfound.model import (
    AccuracySettings,
    Exposure,
    Frame,
    Intake,
    Labels,
    Plan,
    Repeat,
    Severity,
    ShotKey,
    Verdict,
)


@pytest.fixture(scope="module")
def simulated():
    return simulate(7)


def processed(simulated, *, plan=None, sources=None, settings=None):
    shots, own, declared, _ = simulated
    intake = Intake(sources or own, shots, (), (), ())
    return process(intake, settings or declared, plan or Plan())


@pytest.fixture(scope="module")
def results(simulated):
    return processed(simulated)


def the_set(results, kind):
    return next(item for item in results.accuracy.sets if item.checks.kind == kind)


def details_of(results, rule):
    return [
        (finding.index, finding.severity, finding.detail)
        for finding in results.findings
        if finding.rule.id == rule
    ]


def test_the_wrongly_declared_upload_is_named_with_its_true_frame(simulated, results):
    ((index, _, true),) = simulated[3].misread
    (report,) = results.accuracy.mix_ups
    assert report.upload == results.intake.sources[index].tag == "F"
    assert report.named == "frame"
    assert true in report.causes[0].words[0]
    assert report.causes[0].weight > 0.99


def test_failed_control_checks_name_the_probable_cause(results):
    failed = details_of(results, "control-failed")
    assert {results.shot_name(index) for index, _, _ in failed} == {"F-1", "F-2", "F-3", "F-4"}
    for _, severity, detail in failed:
        assert severity is Severity.FAIL
        assert "probably the coordinates are in ITRF2020" in detail


def test_no_shot_of_a_misread_upload_is_used(simulated):
    shots, sources, _, _ = simulated
    wrong = list(sources)
    wrong[3] = replace(sources[3], frame=Frame("EPSG:6319"))
    results = processed(simulated, sources=tuple(wrong))
    assert {report.upload for report in results.accuracy.mix_ups if report.named} == {"D", "F"}
    own = shots.source == 3
    assert (results.verdict[own] == Verdict.UNFIT).all()
    for line, verdict in zip(results.lines, results.line_verdict, strict=True):
        if (shots.source[line.shots] == 3).all():
            assert verdict == Verdict.UNFIT  # drawn, but as one not to be used
        else:
            assert not own[line.shots[line.used]].any()
    found = details_of(results, "misread-upload")
    assert {index for index, _, _ in found} == set(
        np.flatnonzero(own & (shots.control.codes < 0)).tolist()
    )


def test_checks_of_a_misread_upload_do_not_count_but_are_told(results):
    control = the_set(results, "control")
    tags = [
        results.intake.sources[results.intake.shots.source[k]].tag for k in control.checks.subject
    ]
    assert [tag == "F" for tag in tags] == (~control.counted).tolist()
    assert control.statements[0].rmse.count == 10
    assert "upload F" in control.words[0]
    whole = np.sqrt((control.checks.difference[:, :2] ** 2).sum(axis=1).mean())
    assert control.statements[0].rmse.value < 0.05 < 0.5 < whole


def test_a_line_walked_again_is_compared_with_the_first_day(simulated, results):
    shots = simulated[0]
    repeats = the_set(results, "repeat")
    assert not repeats.checks.point.any()
    again = shots.source[repeats.checks.subject] == 4
    assert again.sum() >= 8
    # as the names say it: later on earlier, of another upload, each shot once
    names = [name.split(" on ") for name in repeats.checks.name]
    assert len({shot for pair in names for shot in pair}) == 2 * len(names)
    assert all(later[0] != earlier[0] for later, earlier in names)


def test_repeats_stand_close_along_the_line_and_their_differences_lie_across_it(simulated, results):
    shots, sources, _, _ = simulated
    spots = repeated_spots(
        shots, sources, results.ground, results.lines, results.verdict, (), most=400
    )
    east = np.diff(results.ground.easting[spots.couple], axis=1)[:, 0]
    north = np.diff(results.ground.northing[spots.couple], axis=1)[:, 0]
    along = east * np.sin(spots.bearing) + north * np.cos(spots.bearing)
    assert (np.abs(along) <= BESIDE + 0.05).all()
    assert (shots.time[spots.couple[:, 1]] > shots.time[spots.couple[:, 0]]).all()
    difference = the_set(results, "repeat").checks.difference
    part = difference[:, 0] * np.sin(spots.bearing) + difference[:, 1] * np.cos(spots.bearing)
    assert np.abs(part).max() < 1e-9


def test_points_of_one_name_are_marks_measured_again_but_counted_up_names_are_not(
    simulated, results
):
    shots, sources, _, _ = simulated
    ground, verdict = results.ground, results.verdict
    names = shots.name.words().astype(object)
    first = int(np.flatnonzero((shots.source == 0) & (verdict == Verdict.SOUND))[5])
    second = int(np.flatnonzero(shots.source == 3)[5])
    marked = names.copy()
    marked[[first, second]] = "NAIL-7"
    moved = replace(
        ground,
        easting=np.where(np.arange(len(shots)) == second, ground.easting[first], ground.easting),
        northing=np.where(np.arange(len(shots)) == second, ground.northing[first], ground.northing),
    )

    def spots(words, where):
        named = replace(shots, name=Labels.of(words.tolist()))
        return repeated_spots(named, sources, where, (), verdict, (), most=400)

    assert spots(marked, moved).couple.tolist() == [[first, second]]
    assert not len(spots(marked, ground).couple)  # one name, but far apart: two points
    counted = np.array([f"P{word}" for word in names], object)
    assert not len(spots(counted, ground).couple)
    assert not len(spots(names, moved).couple)  # plain numbers name nothing


def test_an_upload_without_control_is_held_against_marks_of_one_that_has_control(simulated):
    shots, sources, settings, _ = simulated
    # upload E without its control, declared in the wrong frame; three of its spots are marks
    # that upload A measured, too: the truth of A's shots, as E's receiver would have logged it
    kept = np.flatnonzero((shots.source != 4) | (shots.control.codes < 0))
    bare = shots.take(kept)
    good = processed((bare, sources, settings, None))
    first = np.flatnonzero((bare.source == 0) & (good.verdict == Verdict.SOUND))[[5, 25, 45]]
    second = np.flatnonzero(bare.source == 4)[[2, 5, 8]]
    names = bare.name.words().astype(object)
    names[first] = names[second] = ["NAIL-1", "NAIL-2", "NAIL-3"]
    x, y, height = bare.x.copy(), bare.y.copy(), bare.height.copy()
    grid = Transformer.from_crs(settings.frame.crs, "EPSG:6319", always_xy=True)
    to_service = Transformer.from_crs("EPSG:6319", "EPSG:9989", always_xy=True)
    for one, other in zip(first.tolist(), second.tolist(), strict=True):
        foot = 1200 / 3937
        lon, lat = grid.transform(good.ground.easting[one] / foot, good.ground.northing[one] / foot)
        up = good.ground.height[one] + sources[4].antenna_height
        epoch = good.ground.epoch[other]
        x[other], y[other], height[other], _ = to_service.transform(lon, lat, up, epoch)
    marked = replace(bare, x=x, y=y, height=height, name=Labels.of(names.tolist()))
    wrong = list(sources)
    wrong[4] = replace(sources[4], frame=Frame("EPSG:6319"))
    results = processed((marked, tuple(wrong), settings, None))
    named = {report.upload: report.named for report in results.accuracy.mix_ups}
    assert named == {"E": "frame", "F": "frame"}
    assert (results.verdict[marked.source == 4] == Verdict.UNFIT).all()


def a_return(simulated, measured, **changes):
    shots, sources, _, _ = simulated
    key = ShotKey(sources[0].sha256, int(shots.row[3]))
    values = {
        "id": "r1",
        "target": "A-4",
        "shot": key,
        "target_position": np.array([1000.0, 2000.0, 30.0]),
        "target_covariance": np.eye(3) * 0.01**2,
        "measured": measured,
        "position": np.array([1000.03, 2000.0, np.nan]),
        "covariance": np.eye(3) * 0.02**2,
        "frame": "ITRF2020",
        "epoch": 2027.2,
        "when": datetime(2027, 3, 14, 9, 30, tzinfo=UTC),
    }
    return Repeat(**{**values, **changes})


def test_stored_returns_that_are_no_shots_count_with_their_own_uncertainty(simulated):
    results = processed(simulated, plan=Plan(repeats=(a_return(simulated, None),)))
    repeats = the_set(results, "repeat")
    place = repeats.checks.name.index("A-4")
    assert repeats.checks.point[place]
    assert repeats.checks.difference[place, 0] == pytest.approx(0.03)
    assert np.isnan(repeats.checks.difference[place, 2])
    assert repeats.checks.covariance[place, 0, 0] == pytest.approx(0.01**2 + 0.02**2)


def test_stored_returns_that_are_shots_are_compared_as_the_job_has_them(simulated, results):
    shots, sources, _, _ = simulated
    named = tuple(replace(source, sha256=f"hash {source.tag}") for source in sources)
    first = int(np.flatnonzero((shots.source == 0) & (shots.row == 4))[0])
    second = int(np.flatnonzero((shots.source == 1) & (shots.row == 9))[0])
    stored = a_return(
        simulated, ShotKey("hash B", 9), shot=ShotKey("hash A", 4), target_position=np.zeros(3)
    )
    spots = repeated_spots(shots, named, results.ground, (), results.verdict, (stored,), most=400)
    assert spots.couple.tolist() == [[first, second]]
    assert not spots.stored


def exposed(simulated):
    """The true gas main, seen where the first day's shots are good."""
    truth = simulated[3]
    line = next(line for line in truth.lines if line.name == "gas main")
    station = np.array([40.0])
    east, north, height, _ = (float(part[0]) for part in line.path.at(station))
    top = height + 0.5 * line.outside_diameter
    return Exposure(
        "PH-1", "G1", east, north, top_depth=1.0, ground_height=top + 1.0,
        outside_diameter=line.outside_diameter,
    )  # fmt: skip


def test_an_exposure_checks_the_line_and_proves_a_point_of_it(simulated, results):
    exposure = exposed(simulated)
    with_hole = processed(simulated, plan=Plan(exposures=(exposure,)))
    seen = the_set(with_hole, "exposure")
    assert seen.checks.name == ("PH-1",)
    assert seen.chance[0] > 1e-3
    points = [p for p in with_hole.accuracy.proposals if p.segment.name == "PH-1"]
    assert [p.level.name for p in points] == ["A"]
    assert points[0].segment.start == points[0].segment.end
    assert any("No line was exposed" in words for words in results.accuracy.words)
    assert not any("No line was exposed" in words for words in with_hole.accuracy.words)


def test_levels_are_proposed_under_the_scheme_of_the_country_or_the_chosen_ones(simulated, results):
    assert {p.scheme.id for p in results.accuracy.proposals} == {"asce-38-22"}
    settings = replace(
        simulated[2], accuracy=AccuracySettings(("pas-128", "as-5488"), 0.9, "records")
    )
    other = processed(simulated, settings=settings)
    assert {p.scheme.id for p in other.accuracy.proposals} == {"pas-128", "as-5488"}
    gaps = {p.segment.known_by for p in other.accuracy.proposals} - {"detected"}
    assert gaps == {"records"}
    assert the_set(other, "control").statements[0].rmse.level == 0.9
    chosen = levels_under(results, ("csa-s250",))
    assert {p.scheme.id for p in chosen.accuracy.proposals} == {"csa-s250"}
    assert chosen.accuracy.sets is results.accuracy.sets


def test_every_line_is_covered_from_end_to_end_by_stretches(results):
    for line in results.lines:
        own = [p.segment for p in results.accuracy.proposals if p.segment.line == line.name]
        stretches = [s for s in own if s.start < s.end]
        assert stretches[0].start == line.axis_station[0]
        assert stretches[-1].end == line.axis_station[-1]
        for one, other in pairwise(stretches):
            assert one.end == other.start


def test_a_job_without_control_says_what_nothing_speaks_for(simulated):
    shots = replace(simulated[0], control=Labels.missing(len(simulated[0])))
    results = processed((shots, *simulated[1:]))
    assert not results.accuracy.mix_ups
    assert any("No check on control" in words for words in results.accuracy.words)
