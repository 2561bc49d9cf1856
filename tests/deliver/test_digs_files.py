"""Digs in every file, read back by independent readers: GDAL, ezdxf, csv, json."""

from __future__ import annotations

import csv
import json
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf import recover

from asfound.deliver import write_outputs
from asfound.deliver.dig_columns import by_contact
from asfound.folder import run_job
from asfound.folder.demonstration import build_demo
from asfound.model import CAUTIONS, Post, Results
from asfound.units import US_SURVEY_FOOT

FOOT = US_SURVEY_FOOT.metres
INCH = 0.0254  # exact, international yard and pound agreement 1959


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return run_job(build_demo(tmp_path_factory.mktemp("demo") / "street", 7).path)


@pytest.fixture(scope="module")
def folder(results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("out")
    write_outputs(results, path, formats=("json", "csv", "geojson", "gpkg", "shp", "kml", "dxf"))
    return path


def layer(path: Path | str, name: str | None = None) -> tuple[dict[str, np.ndarray], np.ndarray]:
    info, _, geometry, data = pyogrio.raw.read(path, layer=name)
    return dict(zip(info["fields"], data, strict=True)), shapely.from_wkb(geometry)


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    text = (folder / name).read_text("utf-8-sig")
    return list(csv.DictReader(text.splitlines()))


def test_csv_has_one_row_a_dig_and_one_a_line_near_it(results: Results, folder: Path) -> None:
    report = results.digs
    digs, near = rows(folder, "digs.csv"), rows(folder, "approaches.csv")
    assert [row["dig"] for row in digs] == [item.dig.name for item in report.digs]
    assert len(near) == sum(len(item.approaches) for item in report.digs)
    expected = [(item, one) for item in report.digs for one in by_contact(item)]
    for row, (item, one) in zip(near, expected, strict=True):
        assert (row["dig"], row["line"]) == (item.dig.name, one.line)
        assert float(row["clearance_ftUS"]) == pytest.approx(one.clearance / FOOT, abs=6e-4)
        assert 0 < float(row["p_contact"]) < 1
        assert float(row["p_contact"]) == pytest.approx(one.p_contact, abs=2e-6)
        assert "no leave to dig" in row["caution"]
    records = [row for row in near if row["source"] == "records"]
    assert records
    assert all("Nobody located it" in row["in_words"] for row in records)


def test_what_an_exposure_changed_stands_beside_the_answer(results: Results, folder: Path) -> None:
    changed = [
        row for row in rows(folder, "approaches.csv") if (row["dig"], row["line"]) == ("B1", "S1")
    ]
    assert len(changed) == 1
    assert float(changed[0]["p_contact_without_exposures"]) > 20 * float(changed[0]["p_contact"])
    (seen,) = rows(folder, "exposures.csv")
    comparison = results.exposed.comparisons[0]
    assert seen["result"] == "agrees"
    assert float(seen["found_up_ftUS"]) == pytest.approx(comparison.up / FOOT, abs=6e-4)
    assert seen["who"] == "Crew 2"


def test_json_names_every_rule_with_its_source(results: Results, folder: Path) -> None:
    tree = json.loads((folder / "results.json").read_text("utf-8"))
    rules = {rule["id"]: rule for rule in tree["clearance"]["rules"]}
    # Common Ground Alliance, Best Practices 5.19: 18 inches.
    assert rules["tolerance-18"]["horizontal_ftUS"] == pytest.approx(18 * INCH / FOOT, abs=1e-4)
    assert all(rule["citation"] for rule in rules.values())
    used = {
        answer["rule"]
        for dig in tree["clearance"]["digs"]
        for line in dig["lines"]
        for answer in line["rules"]
    }
    assert used <= set(rules)
    assert tree["clearance"]["advice"]
    assert [row["dig"] for row in tree["digs"]] == [item.dig.name for item in results.digs.digs]
    for dig in tree["clearance"]["digs"]:
        assert dig["cautions"] == list(CAUTIONS)


def test_geopackage_footprints_have_the_plans_areas(results: Results, folder: Path) -> None:
    table, shapes = layer(folder / "map.gpkg", "digs")
    for name, shape in zip(table["dig"], shapes, strict=True):
        dig = next(item.dig for item in results.digs.digs if item.dig.name == name)
        area = shapely.area(shape) * FOOT**2
        if isinstance(dig, Post):
            assert area == pytest.approx(np.pi * dig.diameter**2 / 4, rel=0.01)
            centre = shapely.centroid(shape)
            assert (centre.x * FOOT, centre.y * FOOT) == pytest.approx((dig.easting, dig.northing))
    trench = results.digs.digs[0].dig
    length = np.hypot(np.ptp(trench.easting), np.ptp(trench.northing))
    area = shapely.area(shapes[table["dig"].tolist().index("T1")]) * FOOT**2
    assert area == pytest.approx(length * trench.width[0], rel=1e-6)


def test_tolerance_zones_are_18_inches_beyond_the_lines_outside(
    results: Results, folder: Path
) -> None:
    table, zones = layer(folder / "map.gpkg", "tolerance_zones")
    for k, zone in enumerate(zones):
        line = next((one for one in results.lines if one.name == table["line"][k]), None)
        if line is None:
            continue
        axis = shapely.LineString(np.column_stack((line.easting, line.northing)) / FOOT)
        half = (18 * INCH + 0.5 * table["outside_diameter_ftUS"][k] * FOOT) / FOOT
        corners = shapely.points(shapely.get_coordinates(zone))
        assert shapely.distance(axis, corners).max() == pytest.approx(half, rel=2e-3)


def test_approaches_run_from_the_dig_to_the_line(results: Results, folder: Path) -> None:
    table, ways = layer(folder / "map.gpkg", "approaches")
    expected = [one for item in results.digs.digs for one in by_contact(item)]
    for way, one, clearance in zip(ways, expected, table["clearance_ftUS"], strict=True):
        ends = shapely.get_coordinates(way, include_z=True) * FOOT
        long = np.linalg.norm(ends[1] - ends[0])
        if clearance > 0:
            assert ends[1] == pytest.approx(one.line_point, abs=1e-6)
            # a bore's nearest point is on its axis, so the way is longer by its radius
            assert long >= clearance * FOOT + 0.5 * one.outside_diameter - 1e-3
        else:
            assert long > 0.1
            assert ends.mean(axis=0) == pytest.approx(one.line_point, abs=0.3)


def test_shapefile_and_geojson_hold_the_same_rows(folder: Path) -> None:
    for name, file in (
        ("digs", "digs"),
        ("tolerance_zones", "tolerance-zones"),
        ("approaches", "approaches"),
        ("exposures", "exposures"),
        ("hole_advice", "hole-advice"),
    ):
        with zipfile.ZipFile(folder / "map-shapefile.zip") as archive:
            assert f"{name}.prj" in archive.namelist()
        shape, _ = layer(f"/vsizip/{folder / 'map-shapefile.zip'}/{name}.shp")
        tree = json.loads((folder / f"{file}.geojson").read_text("utf-8"))
        assert len(next(iter(shape.values()))) == len(tree["features"]) > 0
        assert tree["asfound"]["cautions"] == list(CAUTIONS)


def test_geojson_places_are_the_plans_own(results: Results, folder: Path) -> None:
    tree = json.loads((folder / "exposures.geojson").read_text("utf-8"))
    table, points = layer(folder / "map.gpkg", "exposures")
    seen = results.plan.exposures[0]
    assert (points[0].x * FOOT, points[0].y * FOOT) == pytest.approx((seen.easting, seen.northing))
    longitude, latitude = tree["features"][0]["geometry"]["coordinates"]
    assert (longitude, latitude) == pytest.approx(
        (table["longitude_deg"][0], table["latitude_deg"][0])
    )


def test_kml_has_a_folder_for_each_kind(folder: Path) -> None:
    space = "{http://www.opengis.net/kml/2.2}"
    root = ElementTree.parse(folder / "map.kml").getroot()
    counts = {
        item.findtext(f"{space}name"): len(item.findall(f"{space}Placemark"))
        for item in root.iter(f"{space}Folder")
    }
    assert counts["Planned digs"] == 8
    assert counts["Exposures"] == 1
    assert counts["Nearest approaches"] == counts["Tolerance zones near digs"] > 8


def test_dxf_draws_solids_in_space_on_a_layer_each(results: Results, folder: Path) -> None:
    drawing, auditor = recover.readfile(folder / "map.dxf")
    assert not auditor.has_errors
    assert not auditor.fixes
    space = drawing.modelspace()
    for item in results.digs.digs:
        dig = item.dig
        solids = space.query(f'POLYLINE[layer=="DIG-{dig.name}"]')
        points = np.array([v.dxf.location.xyz for e in solids for v in e.vertices]) * FOOT
        if isinstance(dig, Post):
            # twelve inches across, from the ground down to its depth
            assert np.ptp(points[:, 0]) == pytest.approx(dig.diameter, rel=0.02)
            assert np.ptp(points[:, 2]) == pytest.approx(dig.depth, abs=0.1)
        assert space.query(f'TEXT[layer=="DIG-{dig.name}"]').first.dxf.text.endswith("cautions")
        ways = space.query(f'POLYLINE[layer=="DIG-{dig.name}-APPROACH"]')
        assert len(ways) == len(item.approaches)
    bore = next(item.dig for item in results.digs.digs if item.dig.kind == "bore")
    axis = space.query('POLYLINE[layer=="DIG-B1"]').first
    path = np.array([v.dxf.location.xyz for v in axis.vertices]) * FOOT
    assert path[:, 2] == pytest.approx(bore.elevation, abs=1e-5)
    assert len(space.query('LWPOLYLINE[layer=="TOLERANCE-ZONE"]')) > 8
    (seen,) = space.query('POINT[layer=="EXPOSURE"]')
    exposure = results.plan.exposures[0]
    top = (exposure.ground_height - exposure.top_depth) / FOOT
    assert seen.dxf.location.z == pytest.approx(top, abs=1e-4)


def test_hostile_names_of_digs_make_lawful_layers(results: Results, tmp_path: Path) -> None:
    from dataclasses import replace

    names = ["a/b:c", "A_B_C", "%%d^J{\\f;}", "=1+1", "x" * 400, "<post>", "'; --", "Ä\U0001f6b0"]
    report = results.digs
    renamed = tuple(
        replace(item, dig=replace(item.dig, name=name))
        for item, name in zip(report.digs, names, strict=True)
    )
    hostile = replace(results, digs=replace(report, digs=renamed, without_exposures={}))
    write_outputs(hostile, tmp_path, formats=("dxf", "csv", "kml", "gpkg"))
    drawing, auditor = recover.readfile(tmp_path / "map.dxf")
    assert not auditor.has_errors
    layers = {entry.dxf.name for entry in drawing.layers if entry.dxf.name.startswith("DIG-")}
    assert len(layers) == 2 * len(names)
    table, _ = layer(tmp_path / "map.gpkg", "digs")
    assert table["dig"].tolist() == names
    assert [row["dig"] for row in rows(tmp_path, "digs.csv")][3] == "'=1+1"
    ElementTree.parse(tmp_path / "map.kml")


def test_no_file_says_that_a_dig_is_safe(folder: Path) -> None:
    for name in ("digs.csv", "approaches.csv", "results.json", "map.kml", "digs.geojson"):
        text = (folder / name).read_text("utf-8-sig").lower()
        assert "safe to dig" not in text
        assert " is clear" not in text


def test_a_drawing_without_digs_has_no_layers_for_them(metre: Results, tmp_path: Path) -> None:
    write_outputs(metre, tmp_path, formats=("dxf",))
    names = {entry.dxf.name for entry in ezdxf.readfile(tmp_path / "map.dxf").layers}
    assert not {name for name in names if name.startswith("DIG") or name == "TOLERANCE-ZONE"}
