import csv
import io
import json
from datetime import date

import numpy as np
import pyogrio
import pytest
import shapely
from defusedxml import ElementTree

from asfound.errors import InputError
from asfound.geodesy import job_grid, to_ground
from asfound.model import Frame, JobSettings, Shots, Source
from asfound.stakeout import (
    COLUMNS,
    csv_list,
    geojson_list,
    gpx_list,
    kml_list,
    landxml_list,
    point_targets,
    to_service,
)

COLORADO = JobSettings("job", Frame("EPSG:6428"))
NAMES = ['Valve "A" & <B>', "=1+1", "Straße 7, Süd"]


@pytest.fixture(scope="module")
def targets():
    grid = job_grid(COLORADO.frame, None, ())
    east, north = grid.project(np.array([-104.8, -104.79, -104.78]), np.array([39.0, 39.0, 39.01]))
    made = point_targets(
        NAMES, east, north, kind="exposure", height=np.array([1650.0, 1651.0, np.nan]),
        horizontal_sd=0.01,
    )  # fmt: skip
    return to_service(made, COLORADO, Frame("ITRF2020"), 2026.9)


@pytest.fixture(scope="module")
def on_grid(targets):
    return to_service(targets.targets, COLORADO, Frame("EPSG:6428"), 2026.9)


def test_csv_has_the_columns_asked_for_in_the_order_asked_for(on_grid):
    text = csv_list(on_grid, columns=("name", "y", "x", "height"), unit="ftUS").decode()
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == ["name", "northing_ftUS", "easting_ftUS", "height_ftUS"]
    assert [row[0] for row in rows[1:]] == NAMES
    assert float(rows[1][1]) == pytest.approx(on_grid.y[0], abs=1e-4)
    assert float(rows[1][3]) * 1200 / 3937 == pytest.approx(1650.0, abs=1e-4)
    assert rows[3][3] == ""
    assert text.endswith("\r\n")


def test_csv_of_all_columns_says_its_frame_and_epoch(targets):
    rows = list(csv.DictReader(io.StringIO(csv_list(targets).decode())))
    assert {row["frame"] for row in rows} == {"ITRF2020"}
    assert {row["epoch"] for row in rows} == {"2026.90"}
    assert float(rows[0]["longitude_deg"]) == pytest.approx(targets.longitude[0], abs=1e-9)
    assert len(rows[0]) == len(COLUMNS) - 2  # x and y are longitude and latitude here
    assert float(rows[0]["horizontal_95_m"]) == pytest.approx(2.4477 * 0.01, abs=1e-4)


def test_unknown_columns_and_separators_are_refused(targets):
    with pytest.raises(InputError, match="colour"):
        csv_list(targets, columns=("name", "colour"))
    with pytest.raises(InputError, match="separate"):
        csv_list(targets, separator="ab")
    assert csv_list(targets, separator="\t", header=False).startswith(b"1\t")


def test_gpx_is_read_back_by_gdal_with_names_and_places(targets, tmp_path):
    path = tmp_path / "list.gpx"
    path.write_bytes(gpx_list(targets, "Main & Second"))
    frame = pyogrio.raw.read(path, layer="waypoints", columns=["name", "ele"])
    columns = dict(zip(frame[0]["fields"], frame[3], strict=True))
    assert columns["name"].tolist() == NAMES
    assert columns["ele"][0] == pytest.approx(targets.height[0], abs=1e-4)
    points = np.array([np.frombuffer(g, "<f8", 2, 5) for g in frame[2]])
    np.testing.assert_allclose(points[:, 0], targets.longitude, atol=1e-9)
    np.testing.assert_allclose(points[:, 1], targets.latitude, atol=1e-9)


def test_kml_is_read_back_by_gdal(targets, tmp_path):
    path = tmp_path / "list.kml"
    path.write_bytes(kml_list(targets, "List"))
    _, _, geometry, fields = pyogrio.raw.read(path, columns=["Name"])
    assert fields[0].tolist() == NAMES
    points = np.array([np.frombuffer(g, "<f8", 2, 5) for g in geometry])
    np.testing.assert_allclose(points[:, 1], targets.latitude, atol=1e-9)


def test_geojson_holds_places_properties_and_the_sentences(targets):
    document = json.loads(geojson_list(targets, "List"))
    assert [f["properties"]["name"] for f in document["features"]] == NAMES
    first = document["features"][0]
    assert first["geometry"]["coordinates"][0] == pytest.approx(targets.longitude[0], abs=1e-9)
    assert len(document["features"][2]["geometry"]["coordinates"]) == 2  # no height
    assert any("ITRF2020" in words for words in document["about"])
    assert first["properties"]["epoch"] == 2026.9


def test_landxml_points_are_northing_easting_elevation_in_the_crs_unit(on_grid):
    root = ElementTree.fromstring(landxml_list(on_grid, "List", date(2026, 11, 25)))
    space = {"x": "http://www.landxml.org/schema/LandXML-1.2"}
    unit = root.find("x:Units/x:Imperial", space)
    assert unit.get("linearUnit") == "USSurveyFoot"
    points = root.findall("x:CgPoints/x:CgPoint", space)
    assert [p.get("name") for p in points] == NAMES
    north, east, height = (float(v) for v in points[0].text.split())
    assert north == pytest.approx(on_grid.y[0], abs=1e-5)
    assert east == pytest.approx(on_grid.x[0], abs=1e-5)
    assert height * 1200 / 3937 == pytest.approx(1650.0, abs=1e-4)
    assert len(points[2].text.split()) == 2


def test_landxml_of_degrees_is_refused(targets):
    with pytest.raises(InputError, match="eastings"):
        landxml_list(targets, "List", date(2026, 11, 25))


def test_every_format_says_the_frame_and_the_cautions_and_gives_the_same_bytes_twice(
    targets, on_grid
):
    for made in (
        lambda: gpx_list(targets, "List"),
        lambda: kml_list(targets, "List"),
        lambda: geojson_list(targets, "List"),
        lambda: landxml_list(on_grid, "List", date(2026, 11, 25)),
    ):
        assert made() == made()
        text = made().decode()
        assert "ITRF2020" in text or "Colorado Central" in text
        assert "expose by hand or vacuum" in text


def spots_in(form, data, tmp_path):
    """(n, 3) of a list's first two spots, read by GDAL, csv or an XML parser: never by us."""
    path = tmp_path / f"list.{form}"
    path.write_bytes(data)
    if form == "csv":
        rows = list(csv.DictReader(io.StringIO(data.decode())))
        first, second = ("easting_m", "northing_m")
        if first not in rows[0]:
            first, second = ("longitude_deg", "latitude_deg")
        return np.array([[float(r[k]) for k in (first, second, "height_m")] for r in rows[:2]])
    if form == "xml":
        points = ElementTree.fromstring(data).iter(
            "{http://www.landxml.org/schema/LandXML-1.2}CgPoint"
        )
        made = [[float(v) for v in point.text.split()] for point in points][:2]
        return np.array([[east, north, up] for north, east, up in made])
    layer = {"layer": "waypoints"} if form == "gpx" else {}
    meta, _, geometry, fields = pyogrio.raw.read(path, **layer)
    shapes = shapely.from_wkb(geometry)
    names = list(meta["fields"])
    key = "ele" if form == "gpx" else "height"
    up = fields[names.index(key)] if key in names else shapely.get_z(shapes)
    return np.column_stack((shapely.get_x(shapes), shapely.get_y(shapes), up))[:2]


WRITERS = {
    "csv": csv_list,
    "gpx": lambda targets: gpx_list(targets, "x"),
    "geojson": lambda targets: geojson_list(targets, "x"),
    "xml": lambda targets: landxml_list(targets, "x", date(2026, 11, 25)),
}


GEOGRAPHIC = ("ITRF2020", "NAD83(2011)")
PROJECTED = ("ITRF2014 / UTM zone 13N", "EPSG:6342")
# GPX and GeoJSON hold longitude and latitude only, LandXML only eastings and northings.
PAIRS = [
    (form, service)
    for form in WRITERS
    for service in (*GEOGRAPHIC, *PROJECTED)
    if not (form == "xml" and service in GEOGRAPHIC)
    and not (form in ("gpx", "geojson") and service in PROJECTED)
]


@pytest.mark.parametrize(("form", "service"), PAIRS)
def test_what_a_receiver_reads_from_a_file_is_the_job_s_spot_within_0_1_mm(
    form, service, targets, tmp_path
):
    """Out through a format, in as shots of that service: the whole circle, every format."""
    given = to_service(targets.targets, COLORADO, Frame(service), 2026.9)
    read = spots_in(form, WRITERS[form](given), tmp_path)
    when = np.full(2, np.datetime64("2026-11-24T22:48", "us"))  # 2026.9
    shots = Shots.build(read[:, 0], read[:, 1], height=read[:, 2], time=when)
    source = Source("A", "a", "", 0, 2, Frame(service, 2026.9), "ground")
    ground = to_ground(shots, [source], COLORADO)
    for mine, theirs in (
        (ground.easting, targets.targets.easting),
        (ground.northing, targets.targets.northing),
        (ground.height, targets.targets.height),
    ):
        assert mine == pytest.approx(theirs[:2], abs=1e-4)
