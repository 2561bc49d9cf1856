"""The demonstration job: what it holds, that seeds decide everything, that it is invented."""

import csv
import io
import itertools
import json
import re

import numpy as np
import pytest
import shapely

from asfound.demo import CAUSES, generate, simulate, write_demo
from asfound.demo.survey import UPLOADS
from asfound.model import Utility

SEEDS = range(40)


def rows_of(demo, upload):
    delimiter = {"degrees": ",", "sexagesimal": ";", "grid": "\t"}[upload.layout]
    return list(csv.reader(io.StringIO(demo.files[upload.file].decode()), delimiter=delimiter))


def test_the_same_seed_gives_the_same_bytes():
    first, second = generate(11), generate(11)
    assert first.files == second.files
    assert first.truth_files() == second.truth_files()
    assert repr(first.settings) == repr(second.settings)


def test_another_seed_gives_another_job():
    first, second = generate(11), generate(12)
    for upload in UPLOADS:
        assert first.files[upload.file] != second.files[upload.file]
    assert first.truth_files() != second.truth_files()


def test_drawing_does_not_touch_the_global_random_state():
    np.random.seed(5)  # noqa: NPY002
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    generate(3)
    assert (np.random.get_state()[1] == before).all()  # noqa: NPY002


def test_a_job_has_400_to_600_shots_of_eight_lines_by_two_receivers_on_two_days():
    for seed in SEEDS:
        shots, sources, _, truth = simulate(seed)
        assert len(shots) == len(truth)
        assert 400 <= len(shots) <= 600
        assert len({name for name in truth.line if name}) == 8
        assert len({source.receiver for source in sources}) == 2
        assert len({source.frame.crs for source in sources}) == 3
        assert len(np.unique(shots.time.astype("datetime64[D]"))) == 2


def test_the_street_has_the_utilities_of_a_village():
    truth = generate(7).truth
    assert {line.utility for line in truth.lines} == set(Utility) - {Utility.UNKNOWN}
    assert sum(line.branch_of == "gas main" for line in truth.lines) == 2


def test_every_blunder_is_there_in_every_job():
    for seed in SEEDS:
        truth = simulate(seed)[3]
        counts = {cause: int((truth.cause == cause).sum()) for cause in CAUSES}
        assert min(counts.values()) >= 4, counts
        assert truth.shuffled
        assert 0.05 < (truth.cause != "").mean() < 0.2


def test_services_start_on_the_main():
    for seed in range(10):
        lines = {line.name: line.path for line in simulate(seed)[3].lines}
        main = lines["gas main"]
        for name in ("gas service 1", "gas service 2"):
            start = lines[name]
            station, right = main.nearest(start.easting[:1], start.northing[:1])
            assert abs(right[0]) < 1e-6
            assert main.at(station)[2][0] == pytest.approx(start.height[0], abs=1e-6)


def test_crossing_lines_do_not_touch():
    for seed in SEEDS:
        for a, b in itertools.combinations(simulate(seed)[3].lines, 2):
            if a.name in b.branch_of or b.name in a.branch_of:
                continue
            plans = [
                shapely.LineString(np.column_stack([k.path.easting, k.path.northing]))
                for k in (a, b)
            ]
            meeting = shapely.get_parts(plans[0].intersection(plans[1]))
            for point in meeting[~shapely.is_empty(meeting)]:
                levels = [
                    k.path.at(k.path.nearest(np.array([point.x]), np.array([point.y]))[0])[2][0]
                    for k in (a, b)
                ]
                clear = abs(levels[0] - levels[1])
                clear -= (a.outside_diameter + b.outside_diameter) / 2
                assert clear > 0.05, (seed, a.name, b.name)


def test_the_truth_lies_on_the_lines_and_below_the_ground():
    truth = simulate(7)[3]
    for line in truth.lines:
        rows = truth.line == line.name
        _, right = line.path.nearest(truth.easting[rows], truth.northing[rows])
        assert np.abs(right).max() < 1e-6
        depth = truth.ground_height[rows] - truth.height[rows]
        assert (depth > 0.4).all()
        assert (depth < 3.0).all()


def test_no_point_of_the_line_is_nearer_to_the_pole_than_the_truth():
    truth = simulate(7)[3]
    for line in truth.lines:
        rows = truth.line == line.name
        claimed = np.hypot(
            truth.easting[rows] - truth.tip_easting[rows],
            truth.northing[rows] - truth.tip_northing[rows],
        )
        dense = line.path.densified(0.02)
        away = np.hypot(
            truth.tip_easting[rows][:, None] - dense.easting,
            truth.tip_northing[rows][:, None] - dense.northing,
        ).min(axis=1)
        assert (claimed <= away + 1e-9).all()


def test_a_technician_could_have_walked_it():
    for seed in range(10):
        shots, _, _, truth = simulate(seed)
        for source in range(len(UPLOADS)):
            rows = np.flatnonzero(shots.source == source)
            order = rows[np.argsort(shots.time[rows])]
            gap = np.diff(shots.time[order]) / np.timedelta64(1, "s")
            step = np.hypot(np.diff(truth.tip_easting[order]), np.diff(truth.tip_northing[order]))
            assert gap.min() >= 2.0
            assert (step / gap).max() < 1.8  # common practice, no source: a brisk walk
            assert np.percentile(gap, 25) > 4.0
            assert gap.max() > 60.0


def test_the_frame_of_one_upload_is_declared_wrongly_and_the_truth_knows_it():
    shots, sources, _, truth = simulate(7)
    ((index, declared, true),) = truth.misread
    assert (declared, true) == ("NAD83(2011)", "ITRF2020")
    own = shots.source == index
    assert set(shots.control.words()[own]) == {"CP1", "CP2"}
    assert (truth.cause[own] == "wrong-frame").all()
    tree = json.loads(generate(7).truth_files()["truth.json"])
    assert tree["frames_declared_wrongly"] == [
        {"file": sources[index].file, "declared": declared, "true": true}
    ]


def test_a_stretch_of_the_first_day_is_walked_again_away_from_the_strong_neighbour():
    for seed in SEEDS:
        shots, _, _, truth = simulate(seed)
        again = (shots.source == 4) & (truth.line != "")
        assert set(truth.line[again]) == {"gas main"}
        assert 9 <= again.sum() <= 18
        first = (shots.source == 0) & (truth.line == "gas main")
        near = np.hypot(
            truth.easting[again][:, None] - truth.easting[first],
            truth.northing[again][:, None] - truth.northing[first],
        )
        assert near.min(axis=1).max() < 3.0
        distorted = first[first] & (truth.cause[first] == "distortion")
        assert not len(near[:, distorted]) or near[:, distorted].min(initial=99.0) > 3.0


def test_only_one_upload_is_out_of_order():
    shots, _, _, truth = simulate(7)
    for source in range(len(UPLOADS)):
        time = shots.time[shots.source == source]
        in_order = bool((np.diff(time) > np.timedelta64(0)).all())
        assert in_order == (source not in truth.shuffled)


def test_rows_of_the_files_are_the_shots_and_the_rows_that_are_none():
    demo = generate(7)
    for source, upload in enumerate(UPLOADS):
        rows = rows_of(demo, upload)[1:]
        spoiled = [row for k, row, _ in demo.truth.spoiled if k == source]
        assert len(rows) == (demo.truth.source == source).sum() + len(spoiled)
        assert len(spoiled) >= 2
        assert sorted([*demo.truth.row[demo.truth.source == source], *spoiled]) == list(
            range(1, len(rows) + 1)
        )


def test_the_three_layouts_differ_in_separator_columns_and_notation():
    demo = generate(7)
    headers = {upload.layout: tuple(rows_of(demo, upload)[0]) for upload in UPLOADS}
    assert len(headers) == len(set(headers.values())) == 3
    tables = {upload.layout: rows_of(demo, upload) for upload in UPLOADS}
    assert re.fullmatch(r"39\.\d{9}", tables["degrees"][1][2])
    assert re.fullmatch(r"39°16'\d\d,\d{5}\"N", tables["sexagesimal"][1][2])
    assert re.fullmatch(r"\d+' \d+( \d/\d)?\"", tables["sexagesimal"][2][14])
    assert 1.2e6 < float(tables["grid"][1][2]) < 1.4e6  # US survey feet, not metres


_WORDS = """
    point time utc latitude longitude ellipsoidal height m fix satellites pdop correction age s base
    distance km sd east north up antenna tilt deg bearing speed utility hook method frequency hz
    depth current ma peak null separation control note nr local gnss quality sats of to khz ft in
    remark pt northing ftus easting sv corr dist sigma n e u pole azimuth colour freq comment rtk
    fixed float direct clamp electric gas telecom water reclaimed sewer red yellow orange blue
    purple green cp t z w valve cabinet hydrant pedestal lift station meter pit riser box driveway
    traffic near wet grass recheck crew break sweep coil tape reading nt start end horizontal
    vertical communication
"""


def test_every_word_in_the_raw_files_is_a_trade_word_or_invented():
    known = set(_WORDS.split())
    for seed in (7, 8):
        for data in generate(seed).files.values():
            words = {word.lower() for word in re.findall(r"[^\W\d_]+", data.decode())}
            assert words <= known, sorted(words - known)


def test_settings_and_truth_say_that_they_are_invented():
    demo = generate(7)
    assert demo.settings.invented
    assert "invented" in demo.settings.name
    assert json.loads(demo.truth_files()["truth.json"])["invented"] is True


def test_raw_files_hold_nothing_of_the_truth():
    demo = generate(7)
    names = [line.name for line in demo.truth.lines]
    for data in demo.files.values():
        text = data.decode()
        assert not any(name in text for name in names)
        assert not any(cause in text for cause in CAUSES if cause not in ("float", "tilt"))


def test_files_are_written_apart_from_the_truth(tmp_path):
    demo = write_demo(tmp_path, 7)
    for name, data in demo.files.items():
        assert (tmp_path / "incoming" / name).read_bytes() == data
    tree = json.loads((tmp_path / "truth" / "truth.json").read_bytes())
    assert len(tree["shots"]["row"]) == len(demo.truth)
