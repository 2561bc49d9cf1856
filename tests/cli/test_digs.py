"""`asfound digs` as a user meets it: prints, JSON, files checked and files stored."""

import json
import os
import subprocess
import sys

import pytest

from asfound.folder import open_job
from asfound.folder.demonstration import build_demo
from asfound.folder.ledger import read_ledger

FENCE = {
    "type": "FeatureCollection",
    "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6467"}},
    "features": [
        {
            "type": "Feature",
            "properties": {"name": "F1"},
            "geometry": {"type": "Point", "coordinates": [1301379.96, 342032.36]},
        }
    ],
}


def run(*arguments, code=0):
    done = subprocess.run(
        [sys.executable, "-m", "asfound.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "160"},
        check=False,
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    return done


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    return build_demo(tmp_path_factory.mktemp("job") / "street", 7).path


@pytest.fixture
def fence(tmp_path):
    path = tmp_path / "fence.geojson"
    path.write_text(json.dumps(FENCE))
    return path


def test_the_answer_names_the_conflict_the_rule_and_what_the_exposure_changed(job):
    said = run("digs", job).stdout
    assert said.lstrip().startswith("post P3")  # the sure conflict stands first
    assert "no leave to dig" in said or "does not give leave to dig" in said
    assert "Contact with S1 before it was exposed" in said
    assert "Exposure X1 on S1" in said
    assert "tolerance-18: Tolerance zone: 18 inches" in said
    assert "Expose line" in said
    assert "safe" not in said.lower()


def test_json_tells_the_same_to_programs(job):
    tree = json.loads(run("digs", job, "--json", "--holes", "1").stdout)
    digs = {dig["name"]: dig for dig in tree["digs"]}
    assert set(digs) == {"T1", "B1", *(f"P{k}" for k in range(1, 7))}
    assert digs["P3"]["lines"][0]["p_contact"] > 0.9
    near = next(line for line in digs["B1"]["lines"] if line["line"] == "S1")
    assert near["p_contact_without_exposures"] > 20 * near["p_contact"]
    assert len(tree["expose"]) == 1
    assert all(rule["citation"] for rule in tree["rules"])
    assert all(dig["cautions"] for dig in tree["digs"])
    assert tree["ground"]
    assert tree["searched"]


def test_a_file_is_checked_without_storing_anything(job, fence):
    before = {path: path.read_bytes() for path in sorted(job.rglob("*")) if path.is_file()}
    done = run(
        "digs", job, "--from", fence, "--diameter", "1 ft", "--depth", "3 ft", "--holes", "0",
        "--json",
    )  # fmt: skip
    (dig,) = json.loads(done.stdout)["digs"]
    assert dig["name"] == "F1"
    assert dig["lines"][0]["p_contact"] > 0.9  # it stands where P3 does
    after = {path: path.read_bytes() for path in sorted(job.rglob("*")) if path.is_file()}
    assert after == before


def test_a_file_is_stored_and_checked_with_the_others(job, fence):
    said = run("digs", job, "--add", fence, "--diameter", "1 ft", "--depth", "3 ft").stdout
    assert "digs/fence.geojson is in the job now: 1 dig." in said
    assert "post F1" in said
    assert "post P1" in said
    assert (job / "digs" / "fence.geojson").read_bytes() == fence.read_bytes()
    told = str([one.payload for one in read_ledger(open_job(job))])
    assert "digs/fence.geojson" in told
    assert "digs.toml" in told


def test_a_file_with_a_dig_that_cannot_be_is_not_stored(job, tmp_path):
    crossed = json.loads(json.dumps(FENCE))
    east, north = FENCE["features"][0]["geometry"]["coordinates"]
    corners = [[0, 0], [5, 5], [5, 0], [0, 5], [0, 0]]
    crossed["features"][0]["geometry"] = {
        "type": "Polygon", "coordinates": [[[east + x, north + y] for x, y in corners]],
    }  # fmt: skip
    file = tmp_path / "pits.geojson"
    file.write_text(json.dumps(crossed))
    before = {path: path.read_bytes() for path in sorted(job.rglob("*")) if path.is_file()}
    done = run("digs", job, "--add", file, "--depth", "3 ft", code=3)
    assert "crosses or touches itself" in done.stderr
    assert {path: path.read_bytes() for path in sorted(job.rglob("*")) if path.is_file()} == before


def test_a_table_of_stations_is_checked_along_the_axis_given_with_it(job, tmp_path):
    table = tmp_path / "crossing.csv"
    table.write_text("station,offset,depth\n0,0,3\n30,0,6\n60,0,3\n")
    more = ("--unit", "ft", "--final-diameter", "1 ft", "--holes", "0", "--json")
    axis = ("--axis", "1301345.0,342050.0", "--axis", "1301405.0,342010.0")
    (dig,) = json.loads(run("digs", job, "--from", table, *axis, *more).stdout)["digs"]
    assert (dig["name"], dig["kind"]) == ("crossing", "bore")
    assert any(line["crosses"] for line in dig["lines"])
    assert "--axis" in run("digs", job, "--from", table, *axis[:2], *more, code=3).stdout


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (("--from", "{fence}"), "diameter"),
        (("--from", "{fence}", "--diameter", "12"), "unit"),
        (("--from", "{fence}", "--kind", "well", "--diameter", "1 ft"), "well"),
        (("--from", "{fence}", "--add", "{fence}"), "one of them"),
        (("--diameter", "1 ft"), "--from"),
        (("--from", "nothing.dxf"), "no such file"),
        (("--from", "{fence}", "--diameter", "1 ft", "--installs", "beer"), "beer"),
    ],
)
def test_what_is_wrong_is_said_with_a_remedy(job, fence, options, named):
    done = run("digs", job, *(word.format(fence=fence) for word in options), code=3)
    assert named in done.stderr


def test_a_job_without_digs_says_how_to_plan_some(job, tmp_path):
    (job / "digs.toml").rename(tmp_path / "digs.toml")
    try:
        done = run("digs", job, code=3)
    finally:
        (tmp_path / "digs.toml").rename(job / "digs.toml")
    assert "digs-file.md" in done.stderr
    assert "--add FILE" in done.stderr
