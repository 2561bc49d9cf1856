"""`asfound stakeout` and `asfound return`: lists out, spots measured again, evidence kept."""

import csv
import io
import json
import tomllib
from datetime import date
from shutil import copytree

import numpy as np
import pytest
from typer.testing import CliRunner

from asfound.cli.app import app
from asfound.errors import AmbiguityError, AsfoundError, InputError, SettingsError
from asfound.folder import (
    open_job,
    parse_spacing,
    read_repeats,
    read_stakeouts,
    run_job,
    store_stakeout,
)
from asfound.folder.demonstration import build_demo
from asfound.folder.ledger import read_ledger
from asfound.model import Frame, LineChoice, Pit, StakeoutRequest, Trench
from asfound.stakeout.choosing import _corners

DAY = "2027-06-01"


def run(command, job, *more):
    made = CliRunner().invoke(app, [command, str(job), *more])
    if made.exception is not None:
        raise made.exception
    return made.stdout


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    path = build_demo(tmp_path_factory.mktemp("return") / "street", 7).path
    (path / "digs.toml").unlink(missing_ok=True)  # checked elsewhere
    return path


@pytest.fixture(scope="module")
def results(job):
    return run_job(job)


@pytest.fixture(scope="module")
def listed(job):
    out = run("stakeout", job, "--service", "ITRF2020", "--date", DAY, "--shot", "A-17",
              "--shot", "A-18", "--line", "W1", "--every", "50ft-us", "--tees", "--crossings",
              "--format", "csv,gpx,kml,geojson", "--name", "june", "--store", "--json")  # fmt: skip
    return json.loads(out)


def again(job, target, *more):
    return json.loads(run("return", job, target, *more, "--json"))


def place(listed, name):
    (spot,) = [t for t in listed["targets"] if t["name"] == name]
    return f"{spot['latitude_deg']:.10f},{spot['longitude_deg']:.10f},{spot['height_m']:.5f}m"


def test_a_list_of_all_control_points_is_written_and_kept(job, results, tmp_path):
    job = copytree(job, tmp_path / "street")
    out = run("stakeout", job, "--service", "ITRF2020", "--date", DAY, "--control", "--name",
              "control", "--store", "--json")  # fmt: skip
    targets = json.loads(out)["targets"]
    control = results.settings.control
    assert control
    assert {t["name"] for t in targets} == {point.name for point in control}
    assert {t["kind"] for t in targets} == {"control point"}
    (kept,) = [one for one in read_stakeouts(open_job(job)) if one.name == "control"]
    assert kept.control
    assert not kept.exposures


def test_a_list_holds_what_was_chosen_in_walking_order_with_its_frame(job, listed, results):
    kinds = {t["kind"] for t in listed["targets"]}
    assert {"shot", "station", "end", "crossing"} <= kinds
    assert listed["frame"] == "ITRF2020"
    assert listed["epoch"] == pytest.approx(2027.415, abs=0.01)
    assert listed["walking_distance_m"] > 100.0
    assert any("not modelled" in words for words in listed["not_modelled"])
    names = [t["name"] for t in listed["targets"]]
    assert sum(name.startswith("W1 ") for name in names) >= 17
    folder = job / "out" / "stakeout"
    assert {p.name for p in folder.iterdir()} >= {
        "june.csv", "june.gpx", "june.kml", "june.geojson", "june.txt"
    }  # fmt: skip
    words = (folder / "june.txt").read_text()
    assert "ITRF2020 at epoch 2027.42" in words
    assert "does not give leave to dig" in words


def test_without_a_line_tees_and_crossings_are_those_of_all_lines(job, results):
    out = run("stakeout", job, "--service", "ITRF2020", "--date", DAY, "--tees", "--crossings",
              "--start", "39.2715,-98.0402", "--name", "met", "--json")  # fmt: skip
    kinds = [t["kind"] for t in json.loads(out)["targets"]]
    assert kinds.count("tee") == len(results.assembly.tees) > 0
    assert kinds.count("crossing") == len(results.crossings) > 0


def test_columns_come_in_the_controllers_order_and_unit(job):
    run("stakeout", job, "--service", "EPSG:6467", "--date", DAY, "--shot", "A-17",
        "--columns", "name,y,x,height", "--unit", "m", "--name", "cols")  # fmt: skip
    text = (job / "out" / "stakeout" / "cols.csv").read_text()
    heading, row = csv.reader(io.StringIO(text))
    assert heading[0] == "name"
    assert heading[1].startswith("northing_")
    assert row[0] == "A-17"


def test_a_stored_list_is_written_again_with_the_job_to_the_byte(job, listed):
    folder = job / "out" / "stakeout"
    before = {name: (folder / name).read_bytes() for name in ("june.csv", "june.gpx", "june.txt")}
    for name in before:
        (folder / name).unlink()
    run("process", job)
    assert {name: (folder / name).read_bytes() for name in before} == before
    found = json.loads((job / "out" / "results.json").read_text())["stakeouts"]
    assert [item["name"] for item in found] == ["return-visit", "june"]
    assert found[1]["targets"] == listed["targets"]
    run("stakeout", job, "--name", "june")
    assert (folder / "june.csv").read_bytes() == before["june.csv"]


def test_requests_survive_their_file(tmp_path):
    folder = open_job(build_demo(tmp_path / "job", 7).path)
    request = StakeoutRequest(
        "all",
        Frame("ETRF2000 / UTM zone 32N", 2025.5, "orthometric", "geoid.tif"),
        date(2026, 12, 1),
        shots=("A-1", "B-2"),
        lines=(
            LineChoice("W1", 10 * 1200 / 3937, "ftUS", 5 * 1200 / 3937),
            LineChoice("G1", 2.5, "m", 0.0, 40.0),
            LineChoice("E1"),
        ),
        bends=False,
        tees=True,
        digs=("*",),
        exposures=True,
        start=("grid", 396550.25, 104207.5),
        formats=("csv", "landxml"),
        columns=("name", "x", "y"),
        unit="ft",
        plate="EURA",
        position_accuracy=0.5,
    )
    store_stakeout(folder, request)
    back = read_stakeouts(folder)[-1]
    for one, other in zip(back.lines, request.lines, strict=True):
        assert (one.line, one.unit) == (other.line, other.unit)
        np.testing.assert_allclose(
            [one.every, one.start, one.end], [other.every, other.start, other.end], atol=1e-8
        )
    fields = set(StakeoutRequest.__dataclass_fields__) - {"lines"}
    assert {name: getattr(back, name) for name in fields} == {
        name: getattr(request, name) for name in fields
    }
    store_stakeout(folder, request)
    assert len(read_stakeouts(folder)) == 2


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("[[list]]\nname='a'\nservice='ITRF2020'\n", "'day' is missing"),
        ("[[list]]\nname='../a'\nservice='ITRF2020'\nday=2026-12-01\n", "can't name a list"),
        ("[[list]]\nname='a'\nservice='ITRF2020'\nday=2026-12-01\nformats=['doc']\n", "format"),
        ("[[list]]\nname='a'\nservice='ITRF2020'\nday=2026-12-01\nshot='A-1'\n", "unknown key"),
        ("[[liste]]\n", "unknown table"),
        ("[[list]\n", "not readable"),
    ],
)
def test_a_stakeout_file_that_cant_be_used_says_what_is_wrong(tmp_path, text, match):
    folder = build_demo(tmp_path / "job", 7)
    (folder.path / "stakeout.toml").write_text(text)
    with pytest.raises(SettingsError, match=match):
        read_stakeouts(folder)


def test_a_list_that_cant_be_made_does_not_stop_the_job(tmp_path):
    folder = build_demo(tmp_path / "job", 7)
    (folder.path / "digs.toml").unlink(missing_ok=True)
    store_stakeout(
        folder, StakeoutRequest("lost", Frame("ITRF2020"), date(2026, 12, 1), shots=("Z-99",))
    )
    stored, made = run_job(folder.path).stakeouts
    assert stored.targets is not None
    assert made.targets is None
    assert "no shot 'Z-99'" in made.reason


@pytest.mark.parametrize(
    ("words", "metres", "unit"),
    [("5m", 5.0, "m"), ("10 ft", 3.048, "ft"), ("10ft-us", 12000 / 3937, "ftUS"),
     ("10 ftUS", 12000 / 3937, "ftUS"), (".5 m", 0.5, "m")],
)  # fmt: skip
def test_spacings_have_their_unit(words, metres, unit):
    assert parse_spacing(words) == (pytest.approx(metres, abs=1e-12), unit)


@pytest.mark.parametrize("words", ["5", "m", "5 yards", "-5m", "5 m 3"])
def test_spacings_without_a_known_unit_are_refused(words):
    with pytest.raises(InputError):
        parse_spacing(words)


def test_a_trenchs_corners_are_those_of_its_outline():
    trench = Trench("T", np.array([0.0, 5.0, 10.0, 10.0]), np.array([0.0, 0.0, 0.0, 8.0]),
                    np.full(4, 2.0), np.full(4, 1.0), np.full(4, np.nan))  # fmt: skip
    corners = _corners(trench)
    spots = set(zip(np.round(corners.easting, 9), np.round(corners.northing, 9), strict=True))
    # by geometry: a trench 2 m wide around (0,0) (10,0) (10,8); the collinear vertex is no corner
    assert spots == {(0, 1), (9, 1), (9, 8), (0, -1), (11, -1), (11, 8)}
    pit = Pit("P", np.array([0.0, 2.0, 2.0]), np.array([0.0, 0.0, 2.0]), 1.0)
    assert _corners(pit).name == ("P corner 1", "P corner 2", "P corner 3")


def test_the_recorded_spot_of_a_list_is_the_same_spot_to_a_tenth_of_a_millimetre(job, listed):
    found = again(job, "A-17", "--at", place(listed, "A-17"), "--service", "ITRF2020",
                  "--date", DAY, "--mark")  # fmt: skip
    assert found["outcome"] == "same"
    assert found["freedom"] == 3
    assert max(abs(found[key]) for key in ("east_m", "north_m", "up_m")) < 1e-4
    located = again(job, "A-17", "--at", place(listed, "A-17"), "--service", "ITRF2020",
                    "--date", DAY)  # fmt: skip
    assert located["horizontal_95_m"] > found["horizontal_95_m"]


def test_coordinates_taken_for_another_frame_are_a_different_spot_and_the_cause_is_named(
    job, listed
):
    found = again(job, "A-17", "--at", place(listed, "A-17"), "--service", "NAD83(2011)",
                  "--date", DAY, "--mark")  # fmt: skip
    assert found["outcome"] == "different"
    assert 1.0 < found["horizontal_m"] < 1.7  # as everywhere in North America at this epoch
    assert any("ITRF2020 and NAD83(2011)" in words for words in found["hints"])


def test_a_neighbouring_shot_is_a_different_spot(job):
    found = again(job, "A-17", "--shot", "A-18")
    assert found["outcome"] == "different"
    assert found["hints"] == []


def test_a_poor_measurement_decides_nothing(job, listed):
    found = again(job, "A-17", "--at", place(listed, "A-17"), "--service", "ITRF2020",
                  "--date", DAY, "--deviation", "0.3,0.5")  # fmt: skip
    assert found["outcome"] == "not decidable"
    assert found["detectable_m"] > 0.5


def test_a_stored_return_is_kept_whole_and_counts_as_evidence(tmp_path):
    path = build_demo(tmp_path / "job", 7).path
    (path / "digs.toml").unlink(missing_ok=True)
    out = run("stakeout", path, "--service", "ITRF2020", "--date", DAY, "--shot", "A-17", "--json")
    where = place(json.loads(out), "A-17")
    found = again(path, "A-17", "--at", where, "--service", "ITRF2020", "--date", DAY, "--mark",
                  "--store", "--who", "Crew 2", "--receiver", "R-9", "--note", "May")  # fmt: skip
    assert found["stored"] == "r1"
    (kept,) = read_repeats(open_job(path))
    assert (kept.who, kept.receiver, kept.note, kept.outcome) == ("Crew 2", "R-9", "May", "same")
    assert kept.frame == "ITRF2020"
    assert kept.when.date() == date(2027, 6, 1)
    np.testing.assert_allclose(kept.position, kept.target_position, atol=1e-4)
    assert np.linalg.eigvalsh(kept.covariance)[0] > 0
    assert tomllib.loads((path / "repeats.toml").read_text())["repeat"][0]["id"] == "r1"
    assert "repeats.toml" in noted(path)
    again(path, "A-17", "--shot", "A-18", "--store")
    results = run_job(path)
    assert [item.id for item in results.plan.repeats] == ["r1", "r2"]
    assert results.plan.repeats[1].measured is not None


def noted(path):
    """All that the ledger says of a job, as text."""
    return str([one.payload for one in read_ledger(open_job(path))])


def test_a_stored_list_is_noted_in_the_ledger(tmp_path):
    path = build_demo(tmp_path / "job", 7).path
    for name in ("digs.toml", "stakeout.toml"):
        (path / name).unlink(missing_ok=True)
    wanted = ("--service", "ITRF2020", "--date", DAY, "--shot", "A-17", "--json")
    run("stakeout", path, *wanted)
    run("stakeout", path, *wanted, "--store")
    assert "stakeout.toml" in noted(path)


def log_at(spot, fix, count=30):
    latitude, longitude, height = (float(v.rstrip("m")) for v in spot.split(","))
    lines = []
    for k in range(count):
        clock = f"1200{k / 10:05.2f}"
        north, west = latitude, -longitude
        body = (
            f"GNGGA,{clock},{int(north):02d}{north % 1 * 60:011.8f},N,"
            f"{int(west):03d}{west % 1 * 60:011.8f},W,{fix},17,0.6,{height + 2:.4f},M,0.0,M,1.0,1"
        )
        check = 0
        for byte in body.encode():
            check ^= byte
        lines.append(f"${body}*{check:02X}\r\n")
    return "".join(lines)


def test_live_fixes_are_a_measurement_only_if_they_are_fixed(tmp_path, job, listed):
    log = tmp_path / "log.nmea"
    log.write_text(log_at(place(listed, "A-17"), 4))
    how = ("--nmea", str(log), "--service", "ITRF2020", "--date", DAY, "--mark", "--seconds", "2")
    found = again(job, "A-17", *how)
    assert found["outcome"] == "same"
    assert found["horizontal_m"] < 2e-4
    assert found["freedom"] == 3
    log.write_text(log_at(place(listed, "A-17"), 5))
    with pytest.raises(InputError, match="not fixed"):
        again(job, "A-17", *how)
    log.write_text("")
    with pytest.raises(InputError, match="no position came"):
        again(job, "A-17", *how)


@pytest.mark.parametrize(
    "more",
    [
        (),
        ("--shot", "A-18", "--at", "39,-98"),
        ("--at", "39.0,-98.0"),
        ("--at", "39.0", "--service", "ITRF2020"),
        ("--at", "39.0,-98.0", "--service", "EPSG:6467"),
        ("--at", "396550,104207", "--service", "ITRF2020"),
        ("--shot", "A-17"),
        ("--shot", "Q-1"),
    ],
)
def test_second_measurements_that_are_none_are_refused(job, more):
    with pytest.raises(AsfoundError) as raised:
        again(job, "A-17", *more)
    assert raised.value.remedy


def test_a_height_without_its_unit_is_not_guessed_in_a_job_in_feet(job, listed):
    (spot,) = [t for t in listed["targets"] if t["name"] == "A-17"]
    where = f"{spot['latitude_deg']:.10f},{spot['longitude_deg']:.10f}"
    with pytest.raises(AmbiguityError, match="metres or feet"):
        again(job, "A-17", "--at", f"{where},401.7", "--service", "ITRF2020", "--date", DAY)
    feet = spot["height_m"] * 3937 / 1200  # US survey foot, by definition
    found = again(job, "A-17", "--at", f"{where},{feet:.5f}ftUS", "--service", "ITRF2020",
                  "--date", DAY, "--mark")  # fmt: skip
    assert found["up_m"] == pytest.approx(0.0, abs=1e-4)


def test_beside_eastings_in_feet_a_bare_height_is_in_feet_too(job, results):
    east, north, up = (
        float(part[16]) * 3937 / 1200
        for part in (results.ground.easting, results.ground.northing, results.ground.height)
    )
    name = results.shot_name(16)
    found = again(job, name, "--at", f"{east:.5f},{north:.5f},{up:.5f}", "--service", "EPSG:6467",
                  "--mark")  # fmt: skip
    assert (found["east_m"], found["north_m"], found["up_m"]) == pytest.approx((0, 0, 0), abs=1e-4)


def test_a_control_point_is_found_again_with_its_height(job, results):
    point = results.settings.control[0]
    east, north, up = (v * 3937 / 1200 for v in (point.easting, point.northing, point.height))
    found = again(job, point.name, "--at", f"{east:.5f},{north:.5f},{up:.5f}", "--service",
                  "EPSG:6467")  # fmt: skip
    assert found["freedom"] == 3
    # 95 % of a normal: 1.96 times both deviations, the point's own and the pole's, in quadrature
    assert found["vertical_95_m"] == pytest.approx(1.96 * np.hypot(point.vertical_sd, 0.022), 1e-3)


def test_a_stored_list_is_written_for_another_day_and_never_mixed_with_a_new_one(job, listed):
    moved = json.loads(run("stakeout", job, "--name", "june", "--date", "2037-06-01", "--json"))
    first, later = (place(of, "A-17").split(",") for of in (listed, moved))
    # North America moves west in ITRF2020 by 1 to 2 cm a year: in ten years more than 10 cm
    assert float(later[1]) < float(first[1]) - 0.1 / (111_320 * np.cos(np.radians(39.3)))
    with pytest.raises(InputError, match="not for which service"):
        run("stakeout", job, "--name", "june", "--shot", "A-20")
    with pytest.raises(InputError, match="too little"):
        run("stakeout", job, "--service", "ITRF2020", "--line", "W1", "--every", "0ft")


def test_one_jump_does_not_spoil_a_return_and_a_walking_pole_is_no_spot(tmp_path, job, listed):
    where = place(listed, "A-17")
    latitude, rest = where.split(",", 1)
    still, log = log_at(where, 4).splitlines(keepends=True), tmp_path / "log.nmea"
    how = ("--nmea", str(log), "--service", "ITRF2020", "--date", DAY, "--mark", "--seconds", "5")

    def shifted(metres):  # a degree of latitude is 111 km here
        moved = f"{float(latitude) + metres / 111_000:.10f},{rest}"
        return log_at(moved, 4).splitlines(keepends=True)

    log.write_text("".join([*still[:20], shifted(100.0)[20], *still[21:]]))
    found = again(job, "A-17", *how)
    assert found["outcome"] == "same"
    assert found["horizontal_95_m"] < 0.06
    log.write_text("".join(shifted(0.1 * k)[k] for k in range(30)))  # 1 m/s
    with pytest.raises(InputError, match="did not stand still"):
        again(job, "A-17", *how)
