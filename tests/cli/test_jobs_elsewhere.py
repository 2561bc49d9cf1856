"""Whole jobs outside the demonstration: frames, units and names as they occur elsewhere."""

import csv
import json

import numpy as np
import pyogrio
import pytest
from typer.testing import CliRunner

from asfound.cli.app import app

COLUMNS = [
    "point", "easting", "northing", "height", "antenna_height", "time", "fix", "utility", "depth",
    "current",
]  # fmt: skip
PLACES = {
    # name of the folder, job's frame, uploads' frame, unit, first easting and northing
    "Straße Süd": ("ETRF2000 / UTM zone 32N", "ITRF2014 / UTM zone 32N", "m", 520e3, 5.42e6),
    "own grid": (
        "NAD83(2011) / +proj=tmerc +lat_0=39 +lon_0=-104.8 +k=1.00025 +x_0=50000",
        "NAD83(2011) / +proj=tmerc +lat_0=39 +lon_0=-104.8 +k=1.00025 +x_0=50000",
        "ft", 50e3, 1e3,
    ),
    "O'Dwyer \"lane\"": ("EPSG:7856", "EPSG:7856", "m", 330e3, 6.251e6),
}  # fmt: skip


def run(*arguments):
    made = CliRunner().invoke(app, [str(item) for item in arguments])
    if made.exception is not None:
        raise made.exception
    return made.stdout


@pytest.mark.parametrize("name", PLACES)
def test_a_job_goes_all_the_way_in_any_frame_that_its_settings_may_name(name, tmp_path):
    crs, declared, unit, easting, northing = PLACES[name]
    raw, job = tmp_path / "raw.csv", tmp_path / name
    rng = np.random.default_rng(3)
    with raw.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for k in range(25):
            east, north, up, deep = rng.normal((easting + 3 * k, northing + k, 340, 1.2), 0.01)
            writer.writerow([
                f"P{k}", f"{east:.3f}", f"{north:.3f}", f"{up:.3f}", "2.000",
                f"2026-11-17T08:{k:02d}:00Z", 4, "gas", f"{deep:.2f}", 85,
            ])  # fmt: skip
    run("new", job, "--crs", crs, "--unit", unit)
    run("add", job, raw, "--frame", declared, "--unit", "height=m", "--unit", "depth=m",
        "--heights", "ellipsoidal")  # fmt: skip
    run("process", job)
    result = json.loads((job / "out" / "results.json").read_text())
    assert len(result["lines"]) == 1
    for written in ("report.pdf", "map.gpkg", "map.dxf", "map.kml"):
        assert (job / "out" / written).stat().st_size > 1000
    info = pyogrio.read_info(job / "out" / "map.gpkg", layer="shots")
    assert info["features"] == 25
    assert info["crs"]
    level = json.loads(run("accuracy", job, "--scheme", "pas-128", "--json"))
    assert level
    listed = json.loads(
        run("stakeout", job, "--service", "ITRF2020", "--date", "2027-05-01", "--line", "G1",
            "--every", "10m", "--format", "csv,gpx,kml,geojson", "--name", name[:8], "--json")
    )  # fmt: skip
    assert listed["frame"] == "ITRF2020"
    again = json.loads(run("return", job, "A-5", "--shot", "A-6", "--json"))
    assert again["outcome"] == "different"  # 3 m farther along the line
