"""What the job page reads: encoded places against the results, and pyproj and shapely as judges."""

from __future__ import annotations

import json
import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely

from asfound.deliver.delivery import prepare
from asfound.desk.shot_columns import MISSING_LENGTH, MISSING_PLACE, SCALE, shots_bytes
from asfound.desk.view import build_view, origin_of, proj_text
from asfound.folder import run_job
from asfound.folder.demonstration import build_demo
from asfound.job import process
from asfound.model import Bore, Exposure, Pit, Plan, Post, Results, Trench, Verdict

LEVEL = np.full(2, np.nan)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return run_job(build_demo(tmp_path_factory.mktemp("view") / "demo", 1).path)


@pytest.fixture(scope="module")
def results(plain: Results) -> Results:
    line = plain.lines[0]
    middle = len(line.easting) // 2
    e, n = float(line.easting[middle]), float(line.northing[middle])
    digs = (
        Trench("T1", np.array([e - 6, e + 6]), np.array([n - 4, n + 4]), np.full(2, 0.6),
               np.full(2, 1.2), LEVEL),
        Bore("B1", np.array([e - 9, e + 9]), np.array([n, n]), np.full(2, 1.5), LEVEL, 0.1, 0.3),
        Pit("Q1", np.array([e, e + 2, e + 2, e]), np.array([n, n, n + 3, n + 3]), 1.0),
        Post("P1", e + 3.0, n + 5.0, 0.4, 1.0),
    )  # fmt: skip
    seen = Exposure("X1", line.name, float(line.easting[3]), float(line.northing[3]), 0.9)
    return process(plain.intake, plain.settings, Plan(digs=digs, exposures=(seen,)))


@pytest.fixture(scope="module")
def folder(results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("built")
    build_view(results, target)
    return target


@pytest.fixture(scope="module")
def view(folder: Path) -> dict[str, Any]:
    return json.loads((folder / "view.json").read_text())


def columns(data: bytes) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """The reader that a stranger would write from the docstring of `shots_bytes`."""
    assert data[:4] == b"ASFS"
    (length,) = struct.unpack("<I", data[4:8])
    header = json.loads(data[8 : 8 + length])
    found = {
        column["name"]: np.frombuffer(
            data, np.dtype(column["type"]).newbyteorder("<"), header["count"],
            8 + length + column["offset"],
        )
        for column in header["columns"]
    }  # fmt: skip
    return header, found


def decoded(deltas: list[int], origin: list[int]) -> np.ndarray:
    return np.cumsum(np.array(deltas, np.int64).reshape(-1, 2), axis=0) * SCALE + origin


def test_columns_hold_the_shots_to_a_tenth_of_a_millimetre(results: Results) -> None:
    header, found = columns(shots_bytes(results, origin_of(results)))
    east, north = origin_of(results)
    assert header["count"] == len(results.verdict)
    np.testing.assert_allclose(
        found["easting"] * SCALE + east, results.ground.easting, atol=SCALE / 2 + 1e-9
    )
    np.testing.assert_allclose(
        found["northing"] * SCALE + north, results.ground.northing, atol=SCALE / 2 + 1e-9
    )
    np.testing.assert_allclose(
        found["major"] * SCALE, results.budget.ellipse[:, 0], atol=SCALE / 2 + 1e-9
    )
    np.testing.assert_allclose(found["bearing"] * 1e-4, results.budget.ellipse[:, 2], atol=5.1e-5)
    np.testing.assert_array_equal(found["verdict"], results.verdict)
    np.testing.assert_array_equal(found["line"], results.assembly.line)


def test_every_column_starts_where_a_typed_array_may(results: Results) -> None:
    data = shots_bytes(results, origin_of(results))
    (length,) = struct.unpack("<I", data[4:8])
    header, _ = columns(data)
    for column in header["columns"]:
        assert (8 + length + column["offset"]) % np.dtype(column["type"]).itemsize == 0


def test_missing_numbers_are_told_from_zero(results: Results) -> None:
    easting = results.ground.easting.copy()
    easting[3] = np.nan
    ellipse = results.budget.ellipse.copy()
    ellipse[4] = np.nan
    spoilt = replace(
        results,
        ground=replace(results.ground, easting=easting),
        budget=replace(results.budget, ellipse=ellipse),
    )
    _, found = columns(shots_bytes(spoilt, origin_of(results)))
    assert found["easting"][3] == MISSING_PLACE
    assert found["major"][4] == MISSING_LENGTH
    depth = results.depth
    np.testing.assert_array_equal(found["depth"] == MISSING_PLACE, np.isnan(depth))


def test_the_same_results_give_the_same_bytes(
    results: Results, folder: Path, tmp_path: Path
) -> None:
    build_view(results, tmp_path)
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    assert "view.json" in names
    for name in names:
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


def test_drawn_lines_keep_within_a_millimetre_of_the_estimated_ones(
    results: Results, view: dict[str, Any]
) -> None:
    """Hausdorff distance by shapely (GEOS)."""
    for line, drawn, shape in zip(
        results.lines, view["lines"], prepare(results).shapes, strict=True
    ):
        axis = shapely.linestrings(np.column_stack([line.easting, line.northing]))
        there = shapely.linestrings(decoded(drawn["axis"], view["origin"]))
        assert shapely.hausdorff_distance(axis, there) < 1.2e-3
        rings = [shapely.polygons(decoded(ring, view["origin"])) for ring in drawn["envelope"]]
        area = rings[0]
        for ring in rings[1:]:
            area = shapely.symmetric_difference(area, ring)
        apart = shapely.area(shapely.symmetric_difference(area, shape.envelope))
        assert apart < 2e-3 * shapely.length(shape.envelope)


def test_the_browsers_projection_is_the_jobs_in_metres(
    results: Results, view: dict[str, Any]
) -> None:
    """PROJ's own registry as judge: the job's CRS counts in US survey feet, the page in metres."""
    browser = pyproj.CRS(view["frame"]["proj"])
    job = pyproj.CRS(results.settings.frame.crs)
    assert browser.axis_info[0].unit_conversion_factor == 1.0
    there = np.setdiff1d(np.arange(60), [item.shot for item in results.corrections])
    longitude, latitude = results.ground.longitude[there], results.ground.latitude[there]
    forward = pyproj.Transformer.from_crs(browser.geodetic_crs, browser, always_xy=True)
    east, north = forward.transform(longitude, latitude)
    np.testing.assert_allclose(east, results.ground.easting[there], atol=5e-4)
    np.testing.assert_allclose(north, results.ground.northing[there], atol=5e-4)
    assert job.axis_info[0].unit_conversion_factor != 1.0


def test_a_frame_without_a_proj_string_still_gives_a_sheet() -> None:
    local = pyproj.CRS(
        'ENGCRS["site",EDATUM["peg"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
        'LENGTHUNIT["metre",1]]'
    )
    assert proj_text(local) == ""


def test_digs_are_drawn_where_they_are_and_their_zone_holds_them(
    results: Results, view: dict[str, Any]
) -> None:
    by_name = {dig["name"]: dig for dig in view["digs"]}
    assert set(by_name) == {"T1", "B1", "Q1", "P1"}

    def area(rings: list[list[int]]) -> Any:
        return shapely.union_all([shapely.polygons(decoded(r, view["origin"])) for r in rings])

    # Areas by hand: 0.6 m wide along 14.42 m; 2 m by 3 m; a disc of 0.4 m.
    assert area(by_name["T1"]["footprint"]).area == pytest.approx(0.6 * np.hypot(12, 8), rel=0.02)
    assert area(by_name["Q1"]["footprint"]).area == pytest.approx(6.0, rel=1e-3)
    assert area(by_name["P1"]["footprint"]).area == pytest.approx(np.pi * 0.04, rel=0.03)
    for dig in by_name.values():
        assert len(dig["footprint"]) == 1
        zone = shapely.buffer(area(dig["footprint"]), dig["zone_m"] - 0.01)
        assert shapely.covers(area(dig["zone"]), zone)
        assert dig["clearance"]["cautions"] == view["cautions"]
    assert view["exposures"][0]["name"] == "X1"


def test_counts_and_findings_agree_with_the_results(
    results: Results, view: dict[str, Any], folder: Path
) -> None:
    counts = view["counts"]
    assert counts["unfit"] == int(np.count_nonzero(results.verdict == Verdict.UNFIT))
    listed = json.loads((folder / "findings.json").read_text())["findings"]
    assert len(listed) == len(results.findings) == sum(counts["findings"].values())
    for one in listed:
        if one["about"] == "shot":
            assert one["subject"] == results.shot_name(one["index"])


def test_no_file_holds_a_number_that_json_does_not_know(folder: Path) -> None:
    def refuse(word: str) -> None:
        raise AssertionError(word)

    for path in folder.rglob("*.json"):
        json.loads(path.read_text(), parse_constant=refuse)


def test_the_first_view_holds_every_line_and_the_work_area_but_no_stray(
    results: Results, view: dict[str, Any]
) -> None:
    west, south, east, north = view["extent"]
    for line in results.lines:
        assert west < line.easting.min()
        assert line.easting.max() < east
    area = decoded(view["work_area"], view["origin"])
    assert (area > [west, south]).all()
    assert (area < [east, north]).all()
    far = results.ground.easting.copy()
    unjoined = int(np.flatnonzero(results.assembly.line < 0)[0])
    far[unjoined] += 90_000.0
    moved = replace(results, ground=replace(results.ground, easting=far))
    from asfound.desk.view import digs_body, view_body

    again = view_body(prepare(moved), origin_of(moved), digs_body(moved))
    assert again["extent"] == view["extent"]
