"""CSV, GeoJSON and results.json read back by independent readers and compared with the results."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from asfound.deliver import write_outputs
from asfound.deliver.csv_table import safe_cell
from asfound.model import CAUTIONS, Results, Verdict
from asfound.units import length_unit

FORMATS = ("json", "csv", "geojson")


def _write(results: Results, folder: Path) -> Path:
    write_outputs(results, folder, formats=FORMATS)
    return folder


def _table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_shot_stands_in_the_csv_with_its_values(any_results: Results, tmp_path: Path) -> None:
    rows = _table(_write(any_results, tmp_path) / "shots.csv")
    shots, ground = any_results.intake.shots, any_results.ground
    assert len(rows) == len(shots)
    unit = length_unit(any_results.settings.length_unit)
    grid = {1.0: "m"}.get(ground.unit_metres, "ftUS")
    for k, row in enumerate(rows):
        assert row["shot"] == any_results.shot_name(k)
        assert row["verdict"] == Verdict(int(any_results.verdict[k])).word
        if np.isnan(ground.easting[k]):
            assert row[f"easting_{grid}"] == row["longitude_deg"] == ""
        else:
            easting = float(row[f"easting_{grid}"]) * ground.unit_metres
            assert easting == pytest.approx(ground.easting[k], abs=0.0006)
            assert float(row["longitude_deg"]) == pytest.approx(ground.longitude[k], abs=6e-10)
        depth = row[f"depth_{unit.symbol}"]
        if np.isnan(any_results.depth[k]):
            assert depth == ""
        else:
            assert float(depth) * unit.metres == pytest.approx(any_results.depth[k], abs=0.0006)
        read = row[f"depth_read_{unit.symbol}"]
        assert (read == "") == bool(np.isnan(shots.depth[k]))
        assert int(row["row"]) == shots.row[k]


def test_the_csv_opens_in_pandas_with_numbers_as_numbers(foot: Results, tmp_path: Path) -> None:
    frame = pd.read_csv(_write(foot, tmp_path) / "shots.csv")
    assert frame["depth_ftUS"].dtype == np.float64
    assert frame.columns[0] == "shot"
    assert frame["easting_ftUS"].to_numpy() * 1200 / 3937 == pytest.approx(
        foot.ground.easting, abs=0.0006
    )


def test_csvw_metadata_names_every_column_of_every_file(metre: Results, tmp_path: Path) -> None:
    # W3C Metadata Vocabulary for Tabular Data, 5.2: "tables" with "url" and "tableSchema".
    folder = _write(metre, tmp_path)
    group = json.loads((folder / "csv-metadata.json").read_text("utf-8"))
    assert group["@context"][0] == "http://www.w3.org/ns/csvw"
    for table in group["tables"]:
        with (folder / table["url"]).open(encoding="utf-8-sig", newline="") as stream:
            header = next(csv.reader(stream))
        assert [column["titles"] for column in table["tableSchema"]["columns"]] == header
    assert {p.name for p in folder.glob("*.csv")} == {table["url"] for table in group["tables"]}


# OWASP "CSV injection": cells that begin with = + - @ tab or carriage return.
@pytest.mark.parametrize(
    "word",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", ' "=1', "'=1", "  =cmd|' /C calc'!A0", "＝1"],
)
def test_a_cell_that_a_spreadsheet_could_run_gets_an_apostrophe(word: str) -> None:
    assert safe_cell(word) == "'" + word


@pytest.mark.parametrize("word", ["G1", "near valve", "", "3-way", "a=b", "ö", "(12)", "#4"])
def test_harmless_cells_stay_as_they_are(word: str) -> None:
    assert safe_cell(word) == word


@given(st.text())
def test_no_text_cell_starts_a_formula(word: str) -> None:
    cell = safe_cell(word)
    assert not cell.lstrip(' "').startswith(("=", "+", "-", "@", "\t", "\r"))
    assert len(cell) - len(word) in (0, 1)


def test_hostile_notes_come_through_csv_defused_and_json_untouched(
    hostile: Results, tmp_path: Path
) -> None:
    folder = _write(hostile, tmp_path)
    given_notes = list(hostile.intake.shots.note.words())
    notes = [row["note"] for row in _table(folder / "shots.csv")]
    assert any(note.startswith("'=HYPERLINK") for note in notes)
    assert not any(note.startswith(("=", "+", "-", "@")) for note in notes)
    whole = json.loads((folder / "results.json").read_text("utf-8"))
    assert [shot["note"] for shot in whole["shots"]] == given_notes


def test_results_json_holds_all_tables_frames_and_hashes(
    any_results: Results, tmp_path: Path
) -> None:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    text = (_write(any_results, tmp_path) / "results.json").read_text("utf-8")
    whole = json.loads(text, parse_constant=refuse)
    assert whole["schema"] == "asfound-results/1"
    assert whole["cautions"] == list(CAUTIONS)
    assert whole["frame"]["epoch"] == 2010.0
    assert whole["frame"]["vertical_reference"] == any_results.ground.vertical_reference
    assert [u["sha256"] for u in whole["uploads"]] == [s.sha256 for s in any_results.intake.sources]
    assert len(whole["shots"]) == len(any_results.intake.shots)
    assert len(whole["findings"]) == len(any_results.findings)
    assert len(whole["lines"]) == len(any_results.lines)
    for entry, line in zip(whole["lines"], any_results.lines, strict=True):
        axis = entry["axis"]
        assert len(axis["longitude_deg"]) == len(line.axis_station)
        assert len(entry["members"]) == len(line.shots)
    for table, columns in whole["columns"].items():
        for record in whole[table]:
            assert list(record)[: len(columns)] == [column["name"] for column in columns]


def test_each_budget_term_adds_up_to_the_shots_covariance(metre: Results, tmp_path: Path) -> None:
    whole = json.loads((_write(metre, tmp_path) / "results.json").read_text("utf-8"))
    total = sum(np.asarray(term["horizontal_sd_m"]) ** 2 * 2 for term in whole["budget"])
    covariance = metre.budget.covariance
    assert total == pytest.approx(covariance[:, 0, 0] + covariance[:, 1, 1], rel=0.01)


def test_geojson_is_read_by_gdal_with_the_same_positions(
    any_results: Results, tmp_path: Path
) -> None:
    folder = _write(any_results, tmp_path)
    if not len(any_results.ground):
        assert json.loads((folder / "shots.geojson").read_text())["features"] == []
        return
    info, _, geometry, _ = pyogrio.raw.read(folder / "shots.geojson")
    assert info["crs"] == "EPSG:4326"
    ground = any_results.ground
    known = np.isfinite(ground.longitude)
    points = shapely.get_coordinates(shapely.from_wkb(geometry))
    assert points[:, 0] == pytest.approx(ground.longitude[known], abs=6e-10)
    assert points[:, 1] == pytest.approx(ground.latitude[known], abs=6e-10)
    info, _, geometry, _ = pyogrio.raw.read(folder / "lines.geojson")
    lines = shapely.from_wkb(geometry)
    assert len(lines) == len(any_results.lines)
    deep = np.isfinite(any_results.lines[0].height).all()
    assert all(shapely.has_z(lines) == deep)


def test_geojson_says_which_frame_its_coordinates_are_in(metre: Results, tmp_path: Path) -> None:
    folder = _write(metre, tmp_path)
    for path in folder.glob("*.geojson"):
        whole = json.loads(path.read_text("utf-8"))
        assert "crs" not in whole  # RFC 7946, 4: the old "crs" member must not be used.
        statement = whole["asfound"]
        assert "NAD83(2011)" in statement["coordinates"]
        assert "nominal" in statement["coordinates"]
        assert statement["epoch"].startswith("2010")
        assert statement["cautions"] == list(CAUTIONS)


def test_envelopes_hold_their_axis_and_are_as_wide_as_stated(
    metre: Results, tmp_path: Path
) -> None:
    folder = _write(metre, tmp_path)
    whole = json.loads((folder / "envelopes.geojson").read_text("utf-8"))
    geod = __import__("pyproj").Geod(ellps="GRS80")
    for feature, line in zip(whole["features"], metre.lines, strict=True):
        polygon = shapely.geometry.shape(feature["geometry"])
        assert polygon.is_valid
        assert polygon.exterior.is_ccw  # RFC 7946, 3.1.6
        area = abs(geod.geometry_area_perimeter(polygon)[0])
        # Both sides: 2 x 1.96 x 0.02 m; grid and ground differ by less than 0.1 %.
        assert area == pytest.approx(2 * 1.959964 * 0.02 * line.length, rel=2e-3)


def test_a_shot_corrected_by_a_sweep_shows_both_depths_and_where_from(
    metre: Results, tmp_path: Path
) -> None:
    folder = _write(metre, tmp_path)
    correction = metre.corrections[0]
    row = _table(folder / "shots.csv")[correction.shot]
    assert float(row["depth_read_m"]) == pytest.approx(correction.depth_before, abs=0.0006)
    assert float(row["depth_m"]) == pytest.approx(correction.depth, abs=0.0006)
    assert row["depth_from"] == "sweep S1"
    assert float(row["moved_left_m"]) == pytest.approx(0.12)
    whole = json.loads((folder / "results.json").read_text("utf-8"))
    assert whole["corrections"][0]["shot"] == metre.shot_name(correction.shot)
    assert whole["corrections"][0]["significant"] is True


def test_sweeps_and_their_conductors_have_tables_of_their_own(
    foot: Results, tmp_path: Path
) -> None:
    folder = _write(foot, tmp_path)
    sweeps = _table(folder / "sweeps.csv")
    assert [row["status"] for row in sweeps] == ["explained", "not usable"]
    assert "too few" in sweeps[1]["reason"]
    assert float(sweeps[0]["shown_depth_ftUS"]) * 1200 / 3937 == pytest.approx(1.52, abs=0.001)
    found = _table(folder / "conductors.csv")
    assert [row["line"] for row in found] == ["W1", ""]
    unit = 1200 / 3937
    # 95 % in a plane: 2.4477 standard deviations (chi-squared, 2 degrees); in one: 1.9600.
    assert float(found[0]["horizontal_95_ftUS"]) * unit == pytest.approx(2.4477 * 0.04, abs=0.001)
    assert float(found[0]["vertical_95_ftUS"]) * unit == pytest.approx(1.96 * 0.05, abs=0.001)
    geometry = pyogrio.raw.read(folder / "conductors.geojson")[2]
    assert len(geometry) == 2
    tapes = json.loads((folder / "sweeps.geojson").read_text("utf-8"))["features"]
    assert len(tapes[0]["geometry"]["coordinates"]) == 2
