"""GeoPackage, Shapefile and KML read back through GDAL and sqlite3."""

from __future__ import annotations

import html
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyogrio
import pyproj
import pytest
import shapely

from asfound.deliver import write_outputs
from asfound.deliver.kml import xml_text
from asfound.model import CAUTIONS, Results, Utility, Verdict
from asfound.units import length_unit

DIG_LAYERS = ("digs", "tolerance_zones", "approaches", "exposures", "hole_advice")


def _columns(path: Path | str, layer: str | None = None) -> dict[str, np.ndarray]:
    info, _, geometry, data = pyogrio.raw.read(path, layer=layer)
    table = dict(zip(info["fields"], data, strict=True))
    table["crs"] = info["crs"] if "crs" not in table else table["crs"]
    if geometry is not None:
        table["geometry"] = shapely.from_wkb(geometry)
    return table


@pytest.fixture(scope="module")
def folder(any_results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("out")
    write_outputs(any_results, path, formats=("gpkg", "shp", "kml"))
    return path


def _known(results: Results) -> tuple[np.ndarray, ...]:
    """Easting, northing, longitude, latitude of the shots that have a position."""
    ground = results.ground
    known = np.isfinite(ground.easting)
    return tuple(
        values[known]
        for values in (ground.easting, ground.northing, ground.longitude, ground.latitude)
    )


def test_geopackage_shots_have_the_results_positions_and_depths(
    any_results: Results, folder: Path
) -> None:
    table = _columns(folder / "map.gpkg", "shots")
    count = len(any_results.intake.shots)
    assert len(table["geometry"]) == count
    if count == 0:
        return
    info = pyogrio.read_info(folder / "map.gpkg", layer="shots")
    assert pyproj.CRS(info["crs"]) == pyproj.CRS(any_results.settings.frame.crs)
    easting, northing, _, _ = _known(any_results)
    xy = shapely.get_coordinates(table["geometry"]) * any_results.ground.unit_metres
    assert xy[:, 0] == pytest.approx(easting, abs=1e-6)
    assert xy[:, 1] == pytest.approx(northing, abs=1e-6)
    unit = length_unit(any_results.settings.length_unit)
    depth = table[f"depth_{unit.symbol}"].astype(float) * unit.metres
    np.testing.assert_allclose(depth, any_results.depth, atol=0.0006)
    words = [Verdict(int(code)).word for code in any_results.verdict]
    assert table["verdict"].tolist() == words


def test_geopackage_lines_are_three_dimensional_where_heights_are_known(
    any_results: Results, folder: Path
) -> None:
    table = _columns(folder / "map.gpkg", "lines")
    for shape, line in zip(table["geometry"], any_results.lines, strict=True):
        deep = bool(np.isfinite(line.height).all())
        points = shapely.get_coordinates(shape, include_z=deep) * any_results.ground.unit_metres
        expected = [line.easting, line.northing, *([line.height] if deep else [])]
        np.testing.assert_allclose(points, np.column_stack(expected), atol=1e-6)


def test_geopackage_envelopes_hold_their_axis(any_results: Results, folder: Path) -> None:
    axes = _columns(folder / "map.gpkg", "lines")["geometry"]
    tubes = _columns(folder / "map.gpkg", "envelopes")["geometry"]
    assert len(axes) == len(tubes)
    for axis, tube in zip(axes, tubes, strict=True):
        assert tube.is_valid
        assert shapely.force_2d(axis).within(tube.buffer(1e-6))


def test_geopackage_carries_the_statement_findings_and_rows(
    any_results: Results, folder: Path
) -> None:
    table = _columns(folder / "map.gpkg", "about")
    assert set(CAUTIONS) <= set(table["words"])
    facts = dict(zip(table["heading"], table["words"], strict=True))
    assert any_results.ground.vertical_reference in facts["Vertical reference"]
    assert "2010" in facts["Epoch"]
    with closing(sqlite3.connect(folder / "map.gpkg")) as base:
        metadata = base.execute("SELECT metadata FROM gpkg_metadata").fetchall()
        findings = base.execute("SELECT count(*) FROM findings").fetchone()[0]
        rows = base.execute("SELECT count(*) FROM rows").fetchone()[0]
        assert base.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        # OGC 12-128r18, clause 1.1.1.1.1: application id "GPKG".
        assert base.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
    assert any(CAUTIONS[3].split(";")[0] in text for (text,) in metadata)
    assert findings == len(any_results.findings)
    assert rows == len(any_results.intake.reports)


def test_geopackage_styles_are_well_formed_and_tell_every_utility_and_verdict(
    folder: Path,
) -> None:
    with closing(sqlite3.connect(folder / "map.gpkg")) as base:
        rows = base.execute(
            "SELECT f_table_name, styleQML, styleSLD, useAsDefault FROM layer_styles"
        ).fetchall()
        tables = {name for (name,) in base.execute("SELECT table_name FROM gpkg_contents")}
        columns = {row[1] for row in base.execute("PRAGMA table_info(shots)")}
    assert {name for name, *_ in rows} == {
        *("shots", "lines", "envelopes", "crossings", "sweeps", "conductors"),
        *("quality_levels", *DIG_LAYERS),
    }
    assert {"layer_styles", "about", "findings", "rows"} <= tables
    for name, qml, sld, default in rows:
        root = ElementTree.fromstring(qml)
        rules = root.findall(".//rule")
        symbols = {symbol.get("name") for symbol in root.findall(".//symbol")}
        assert {rule.get("symbol") for rule in rules} <= symbols
        assert default == 1
        tree = ElementTree.fromstring(sld)
        found = tree.findall(".//{http://www.opengis.net/se}Rule")
        assert len(found) == len(rules)
        plain = name in ("crossings", "sweeps", "conductors", "quality_levels", *DIG_LAYERS)
        assert len(rules) == (1 if plain else len(Utility) * len(Verdict))
    assert "line_bearing_deg" in columns  # the styles turn ticks by it


def test_shapefile_zip_holds_complete_layers_with_projection_and_encoding(
    any_results: Results, folder: Path
) -> None:
    path = folder / "map-shapefile.zip"
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        assert archive.testzip() is None
        readme = archive.read("readme.txt").decode("utf-8")
        wkt = archive.read("shots.prj").decode("ascii")
        assert archive.read("shots.cpg").strip() == b"UTF-8"
    for layer in ("shots", "lines", "envelopes", "crossings", "sweeps", "conductors"):
        assert {f"{layer}.{end}" for end in ("shp", "shx", "dbf", "prj", "cpg")} <= names
    assert {"findings.dbf", "rows.dbf"} <= names
    assert all(caution in readme for caution in CAUTIONS)
    assert "Epoch: 2010" in readme
    # ESRI's WKT has no room for the realisation's epoch and other names: same projection.
    assert pyproj.CRS.from_wkt(wkt).is_projected
    if len(any_results.ground):
        table = _columns(f"/vsizip/{path}/shots.shp")
        xy = shapely.get_coordinates(table["geometry"]) * any_results.ground.unit_metres
        np.testing.assert_allclose(xy[:, 0], _known(any_results)[0], atol=1e-6)
        unit = length_unit(any_results.settings.length_unit)
        depth = table[f"DEPTH_{unit.symbol}"].astype(float) * unit.metres
        np.testing.assert_allclose(depth, any_results.depth, atol=0.0006)
        count = len(any_results.ground)
        assert table["SHOT"].tolist() == [any_results.shot_name(k) for k in range(count)]


def test_shapefile_field_names_fit_and_are_told_in_the_readme(
    any_results: Results, folder: Path
) -> None:
    path = folder / "map-shapefile.zip"
    with zipfile.ZipFile(path) as archive:
        readme = archive.read("readme.txt").decode("utf-8")
    for layer in ("shots.shp", "lines.shp", "crossings.shp", "findings.dbf", "rows.dbf"):
        fields = pyogrio.read_info(f"/vsizip/{path}/{layer}")["fields"].tolist()
        assert len(set(fields)) == len(fields)
        for name in fields:
            assert len(name) <= 10
            assert f"  {name}" in readme


def test_kml_is_read_by_gdal_with_the_same_positions(any_results: Results, folder: Path) -> None:
    layers = dict(pyogrio.list_layers(folder / "map.kml").tolist())
    assert {"Shots", "Lines", "Crossings"} <= layers.keys() or not len(any_results.ground)
    if not len(any_results.ground):
        return
    table = _columns(folder / "map.kml", "Shots")
    xy = shapely.get_coordinates(table["geometry"])
    _, _, longitude, latitude = _known(any_results)
    assert xy[:, 0] == pytest.approx(longitude, abs=2e-9)
    assert xy[:, 1] == pytest.approx(latitude, abs=2e-9)


def test_kml_carries_cautions_and_links_to_nothing(folder: Path) -> None:
    text = (folder / "map.kml").read_text("utf-8")
    root = ElementTree.fromstring(text)
    space = "{http://www.opengis.net/kml/2.2}"
    description = root.findtext(f"./{space}Document/{space}description") or ""
    assert all(caution in html.unescape(description) for caution in CAUTIONS)
    assert "nominal" in description
    assert not root.findall(f".//{space}href")
    assert not root.findall(f".//{space}NetworkLink")


def test_hostile_text_stays_text_in_gis_files(hostile: Results, tmp_path: Path) -> None:
    write_outputs(hostile, tmp_path, formats=("gpkg", "shp", "kml"))
    given = hostile.intake.shots.note.words().tolist()
    table = _columns(tmp_path / "map.gpkg", "shots")
    assert table["note"].tolist() == given
    assert _columns(tmp_path / "map.gpkg", "lines")["line"].tolist() == [
        line.name for line in hostile.lines
    ]
    space = "{http://www.opengis.net/kml/2.2}"
    root = ElementTree.parse(tmp_path / "map.kml").getroot()
    for description in root.iter(f"{space}description"):
        # What a viewer gets is HTML; no tag of the user's may be alive in it.
        assert "<script" not in (description.text or "")
    names = root.findtext(f"./{space}Document/{space}name")
    assert names == hostile.settings.name


def test_xml_text_drops_what_xml_forbids() -> None:
    # XML 1.0 (fifth edition), 2.2 Characters.
    assert xml_text("a\x00\x07\ufffe\ud800b<&>\"'") == (
        "a\ufffd\ufffd\ufffd\ufffdb&lt;&amp;&gt;&quot;&#x27;"
    )
