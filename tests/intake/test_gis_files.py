"""GeoJSON, GeoPackage, shapefiles, KML and archives of them, sound and hostile."""

import io
import json
import sqlite3
import zipfile

import numpy as np
import pyogrio.raw
import pytest
import shapely

from asfound.errors import AmbiguityError, InputError
from asfound.intake import archives, guess_mapping, mapping_from_toml, mapping_to_toml, read_upload
from asfound.model import Utility

POINTS = [[-98.1, 39.2], [-98.11, 39.21], [-98.12, 39.22]]


def _take(data, name, **hints):
    guess = guess_mapping(data, name, hints=hints)
    mapping = mapping_from_toml(mapping_to_toml(guess.mapping), "m.toml")
    return guess, read_upload(data, name, mapping, tag="A", source_index=0)


def _write(path, crs="EPSG:6318", layer=None, geometry=None):
    options = {"layer": layer} if layer else {}
    pyogrio.raw.write(
        path,
        shapely.to_wkb(geometry if geometry is not None else shapely.points(POINTS)),
        [np.array([1.2, 3.3, np.nan]), np.array(["gas", "water", "gas"], object)],
        ["Depth_m", "Utility"],
        geometry_type="Unknown" if geometry is not None else "Point",
        crs=crs,
        **options,
    )


def _zipped(files):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def _geojson(*features, **more):
    return json.dumps({"type": "FeatureCollection", "features": features, **more}).encode()


def _feature(coordinates, kind="Point", **properties):
    geometry = {"type": kind, "coordinates": coordinates} if kind else None
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def test_geojson_points_become_shots_and_other_features_are_reported():
    data = _geojson(
        _feature([-98.1, 39.2, 405.0], depth_ft=4, utility="gas"),
        _feature([[-98.1, 39.2], [-98.2, 39.2]], "LineString", depth_ft=4),
        _feature(None, None, depth_ft=4),
        _feature([-98.1, 95.0], depth_ft=4),
        _feature([[-98.1, 39.2]], "MultiPoint", depth_ft=5),
    )
    guess, upload = _take(data, "f.geojson", frame="NAD83(2011)")
    assert guess.mapping.format == "geojson"
    assert upload.account.rows == 5
    assert upload.account.shots == 2
    assert upload.shots.depth == pytest.approx([1.2192, 1.524])
    assert upload.shots.height[0] == 405.0
    assert upload.shots.row.tolist() == [1, 5]
    reasons = {r.row: r.reason for r in upload.reports if not r.accepted}
    assert "linestring" in reasons[2]
    assert "no geometry" in reasons[3]
    assert "beyond 90" in reasons[4]


def test_geojson_without_frame_is_a_metre_level_wgs84():
    guess, upload = _take(_geojson(_feature([-98.1, 39.2])), "f.geojson")
    assert upload.source.frame.crs == "EPSG:4979"
    assert any("realisation" in doubt.what for doubt in guess.doubts)


def test_geopackage_and_shapefile_give_the_same_shots(tmp_path):
    _write(tmp_path / "s.shp")
    _write(tmp_path / "g.gpkg", layer="shots")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    archive = _zipped({f"folder/{name}": data for name, data in before.items() if name[0] == "s"})
    uploads = [
        _take(tmp_path / "s.shp", "s.shp")[1],
        _take(archive, "s.zip")[1],
        _take(tmp_path / "g.gpkg", "g.gpkg")[1],
        _take(before["g.gpkg"], "g.gpkg")[1],
    ]
    for upload in uploads:
        assert upload.source.frame.crs == "EPSG:6318"
        assert upload.shots.x == pytest.approx([-98.1, -98.11, -98.12])
        assert upload.shots.depth[:2].tolist() == [1.2, 3.3]
        assert np.isnan(upload.shots.depth[2])
        assert upload.shots.utility.tolist() == [Utility.GAS, Utility.WATER, Utility.GAS]
    # Raw files are never written to, nor beside.
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_grid_in_feet_keeps_its_unit(tmp_path):
    points = shapely.points([[1_000_000.25, 500_000.5, 1200.0], [1_000_100.0, 500_000.5, 1200.0]])
    path = tmp_path / "g.gpkg"
    pyogrio.raw.write(
        path,
        shapely.to_wkb(points),
        [np.array([1.0, 2.0])],
        ["Depth_ft"],
        geometry_type="Point Z",
        crs="EPSG:6467",
        layer="shots",
    )
    # The frame's plane is in US survey feet, but nothing says what the heights are in.
    asked = guess_mapping(path, "g.gpkg", hints={"heights": "ellipsoidal"}).ambiguities
    assert [doubt.field for doubt in asked] == ["height"]
    for unit, metres in (("ftUS", 1200 / 3937), ("m", 1.0)):
        given = {"heights": "ellipsoidal", "units": {"height of the geometry": unit}}
        _, upload = _take(path, "g.gpkg", **given)
        assert upload.shots.x[0] == 1_000_000.25
        assert upload.shots.height[0] == pytest.approx(1200 * metres)
    with pytest.raises(InputError, match="not a unit of heights"):
        guess_mapping(path, "g.gpkg", hints={"units": {"height of the geometry": "fathom"}})


def test_a_vertical_axis_says_what_heights_are_in(tmp_path):
    # NAD83(2011) / Colorado Central (ftUS) + NAVD88 height (ftUS): EPSG:6428 and EPSG:6360.
    path = tmp_path / "g.gpkg"
    pyogrio.raw.write(
        path,
        shapely.to_wkb(shapely.points([[3_000_000.0, 1_700_000.0, 5280.0]])),
        [np.array([1.0])],
        ["Depth_ft"],
        geometry_type="Point Z",
        crs="EPSG:6428+6360",
        layer="shots",
    )
    guess = guess_mapping(path, "g.gpkg", hints={"heights": "orthometric", "geoid": "g.tif"})
    assert guess.mapping.columns["height"].unit == "ftUS"
    assert "height" not in [doubt.field for doubt in (*guess.ambiguities, *guess.doubts)]


def test_heights_of_points_without_any_unit_are_doubted(tmp_path):
    path = tmp_path / "g.gpkg"
    _write(path, geometry=shapely.points([[-98.1, 39.2, 405.0]] * 3))
    guess = guess_mapping(path, "g.gpkg", hints={"heights": "ellipsoidal"})
    assert guess.mapping.columns["height"].unit == "m"
    assert any(doubt.field == "height" for doubt in guess.doubts)


@pytest.mark.parametrize("entry", ["x", None, 7, [], {}, {"type": "Point"}])
def test_an_entry_that_is_no_feature_keeps_its_number_and_is_reported(entry):
    places = [_feature([-98.1, 39.2 + k / 1000], depth_m=1.0 + k / 10) for k in range(4)]
    data = _geojson(*places[:2], entry, *places[2:])
    _, upload = _take(data, "f.geojson", frame="NAD83(2011)")
    assert (upload.account.rows, upload.account.shots, upload.account.reported) == (5, 4, 1)
    assert upload.shots.row.tolist() == [1, 2, 4, 5]
    assert upload.shots.depth.tolist() == pytest.approx([1.0, 1.1, 1.2, 1.3])
    (report,) = [report for report in upload.reports if not report.accepted]
    assert report.row == 3
    assert "no GeoJSON feature" in report.reason


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"[" * 200_000, "nested too deeply"),
        (b'{"type": "FeatureCollection", "features": [', "line 1, character"),
        (b'{"type": "FeatureCollection", "features": ["\xff"]}', "not UTF-8"),
    ],
)
def test_what_is_no_json_is_said_in_plain_words(data, what):
    with pytest.raises(InputError, match="no GeoJSON") as caught:
        guess_mapping(data, "f.geojson", hints={"frame": "NAD83(2011)"})
    assert what in str(caught.value)
    assert "asfound-" not in str(caught.value)


def test_a_damaged_record_of_a_geopackage_is_reported_and_the_others_are_kept(tmp_path):
    path = tmp_path / "g.gpkg"
    _write(path)
    with sqlite3.connect(path) as database:
        # Triggers of the spatial index need functions that plain SQLite lacks.
        for (name,) in database.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            database.execute(f'DROP TRIGGER "{name}"')
        database.execute(
            "UPDATE g SET Utility = CAST(? AS TEXT) WHERE fid = 2", (b"wa\xff\xffter",)
        )
    database.close()
    _, upload = _take(path, "g.gpkg")
    assert (upload.account.rows, upload.account.shots, upload.account.reported) == (3, 2, 1)
    (report,) = [report for report in upload.reports if not report.accepted]
    assert report.row == 2
    assert "damaged" in report.reason


def test_a_shapefile_without_prj_has_no_frame(tmp_path):
    _write(tmp_path / "s.shp")
    (tmp_path / "s.prj").unlink()
    with pytest.raises(AmbiguityError, match="reference frame") as caught:
        _take(tmp_path / "s.shp", "s.shp")
    assert "--frame" in caught.value.remedy
    assert _take(tmp_path / "s.shp", "s.shp", frame="NAD83(2011)")[1].account.shots == 3


def test_parts_of_a_shapefile_are_named(tmp_path):
    _write(tmp_path / "s.shp")
    with pytest.raises(InputError, match=r"lacks its \.dbf and \.shx"):
        guess_mapping((tmp_path / "s.shp").read_bytes(), "s.shp")
    for part in ("s.dbf", "s.shx", "s.prj"):
        with pytest.raises(InputError, match="part of a shapefile"):
            guess_mapping((tmp_path / part).read_bytes(), part)


def test_a_geopackage_with_several_layers_asks_which(tmp_path):
    path = tmp_path / "g.gpkg"
    for layer in ("one", "two"):
        pyogrio.raw.write(
            path,
            shapely.to_wkb(shapely.points(POINTS)),
            [np.array([1.0, 2.0, 3.0])],
            ["Depth_m"],
            geometry_type="Point",
            crs="EPSG:6318",
            layer=layer,
            append=path.exists(),
        )
    with pytest.raises(InputError, match="one, two"):
        guess_mapping(path, "g.gpkg")
    guess, upload = _take(path, "g.gpkg", layer="two")
    assert guess.mapping.layer == "two"
    assert upload.account.shots == 3


def test_a_geopackage_with_a_corrupt_page_is_refused_whole(tmp_path):
    path = tmp_path / "g.gpkg"
    _write(path, layer="shots")
    size = sqlite3.connect(path).execute("PRAGMA page_size").fetchone()[0]
    data = bytearray(path.read_bytes())
    pages = len(data) // size
    refused = 0
    for page in range(1, pages):
        spoiled = data.copy()
        spoiled[page * size : (page + 1) * size] = b"\xff" * size
        try:
            upload = _take(bytes(spoiled), "g.gpkg")[1]
        except InputError:
            refused += 1
        except AmbiguityError:
            pass
        else:
            # A page that holds no rows of the layer: all of them must be there.
            assert upload.account.shots == 3
    assert refused > pages // 2


def test_cut_files_are_refused(tmp_path):
    _write(tmp_path / "s.shp")
    _write(tmp_path / "g.gpkg", layer="shots")
    shapefile = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.name[0] == "s"}
    shapefile["s.dbf"] = shapefile["s.dbf"][:60]
    for data, name in (
        ((tmp_path / "g.gpkg").read_bytes()[:6000], "g.gpkg"),
        (_geojson(_feature([-98.1, 39.2]))[:70], "f.geojson"),
        (_zipped({"s.shp": b"x"})[:30], "s.zip"),
        (b"named so", "f.gpkg"),
    ):
        with pytest.raises(InputError) as caught:
            guess_mapping(data, name, hints={"frame": "NAD83(2011)"})
        assert caught.value.where == name
        assert caught.value.remedy


KML = """<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder>
<Placemark><name>P1</name><ExtendedData><Data name="Depth (ft)"><value>4</value></Data>
<Data name="Utility"><value>gas</value></Data></ExtendedData>
<Point><coordinates> -98.1,39.2,12 </coordinates></Point></Placemark>
<Placemark><name>L</name><LineString><coordinates>-98.1,39.2 -98.2,39.3</coordinates></LineString>
</Placemark>
<Placemark><name>N</name></Placemark>
<Placemark><name>X</name><Point><coordinates>west,39</coordinates></Point></Placemark>
</Folder></Document></kml>
"""


def test_kml_and_kmz_placemarks_become_shots():
    for data, name in ((KML.encode(), "f.kml"), (_zipped({"doc.kml": KML}), "f.kmz")):
        guess, upload = _take(data, name)
        assert guess.mapping.frame.height_kind == "none"
        assert upload.source.frame.crs == "EPSG:4979"
        assert upload.account.rows == 4
        assert upload.account.shots == 1
        assert upload.shots.depth[0] == pytest.approx(1.2192)
        assert upload.shots.name.word(0) == "P1"
        assert upload.shots.line_number.tolist() == [3]
        assert [r.line_number for r in upload.reports] == [6, 8, 9]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('<!DOCTYPE k [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><kml>&b;</kml>', "entities"),
        ('<!DOCTYPE k [<!ENTITY x SYSTEM "file:///etc/passwd">]><kml>&x;</kml>', "entities"),
        ('<!DOCTYPE kml SYSTEM "http://nowhere.invalid/kml.dtd"><kml/>', "entities"),
        ("<kml>" + "<Folder>" * 1000, "nested"),
        ("<kml><Placemark></kml>", "no sound XML"),
        ("<kml></kml>", "no features"),
    ],
)
def test_hostile_kml_is_refused(text, what):
    with pytest.raises(InputError, match=what) as caught:
        guess_mapping(text.encode(), "f.kml")
    assert caught.value.where == "f.kml"


@pytest.mark.parametrize(
    "name", ["../s.shp", "/etc/s.shp", "a/../../s.shp", "..\\s.shp", "C:s.shp"]
)
def test_archives_whose_members_point_outside_are_refused(name, tmp_path):
    with pytest.raises(InputError, match="outside"):
        guess_mapping(_zipped({name: b"x", "ok.shp": b""}), "s.zip")


def test_zip_bombs_are_refused(monkeypatch):
    with pytest.raises(InputError, match="fold"):
        guess_mapping(_zipped({"s.shp": bytes(8 * 1024 * 1024)}), "s.zip")
    many = {f"{k}.txt": b"" for k in range(1200)}
    with pytest.raises(InputError, match="members"):
        guess_mapping(_zipped(many), "s.zip")
    monkeypatch.setattr(archives, "ARCHIVE_BYTES", 100)
    with pytest.raises(InputError, match="expands"):
        guess_mapping(_zipped({"doc.kml": KML}), "f.kmz")


def test_a_member_that_lies_about_its_size_is_stopped():
    data = bytearray(_zipped({"doc.kml": " " * 2_000_000 + KML}))
    place = data.rindex(b"PK\x01\x02")
    data[place + 24 : place + 28] = (1000).to_bytes(4, "little")
    with pytest.raises(InputError):
        _take(bytes(data), "f.kmz")


def test_workbooks_and_other_archives_are_explained():
    with pytest.raises(InputError, match="workbook"):
        guess_mapping(_zipped({"xl/workbook.xml": b"x"}), "day.xlsx")
    with pytest.raises(InputError, match=r"it holds photo\.jpg"):
        guess_mapping(_zipped({"photo.jpg": b"x"}), "day.zip")
