"""Terrain models as GeoTIFF, written by rasterio (GDAL), read where digs are."""

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from asfound.clearance import solid_of
from asfound.errors import InputError
from asfound.intake.digs import read_terrain
from asfound.model import Frame, JobSettings, Post, Trench

NAN = float("nan")
UTM = "EPSG:6342"
JOB = JobSettings("invented", Frame(UTM, height_kind="ellipsoidal"))
EAST, NORTH, CELL = 500_000.0, 4_000_100.0, 0.5
VOID = -9999.0


def corner(east, north, cell):
    """The transform of square cells south of a corner."""
    return Affine(cell, 0.0, east, 0.0, -cell, north)


def placed(transform, column, row):
    return (
        transform.a * column + transform.b * row + transform.c,
        transform.d * column + transform.e * row + transform.f,
    )


def plane(east, north):
    return 100.0 + 0.03 * (east - EAST) - 0.02 * (NORTH - north)


def raster(
    tmp_path, *, crs=UTM, bands=1, hole=None, unit=None, size=(200, 200), factor=1.0,
    transform=None, everything=None, scale=None, dtype="float32", **layout,
):  # fmt: skip
    """A GeoTIFF of a tilted plane of half-metre cells."""
    transform = transform or corner(EAST, NORTH, CELL)
    column, row = np.meshgrid(np.arange(size[1]) + 0.5, np.arange(size[0]) + 0.5)
    east, north = placed(transform, column, row)
    height = plane(east, north) / factor
    if hole is not None:
        height[hole] = VOID
    if everything is not None:
        height[:] = everything
    if scale is not None:
        height = np.round((height - 50.0) / scale)
    path = tmp_path / "dtm.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=size[0], width=size[1], count=bands, dtype=dtype,
        crs=crs, transform=transform, nodata=VOID if scale is None else None, **layout,
    ) as file:  # fmt: skip
        for band in range(1, bands + 1):
            file.write(height.astype(dtype), band)
        if unit:
            file.units = (unit,) * bands
        if scale is not None:
            file.scales, file.offsets = (scale,), (50.0,)
    return path


def read(path, **more):
    return read_terrain(path.read_bytes(), path.name, settings=JOB, **more)


PLACES = EAST + np.array([3.3, 41.7, 90.1]), NORTH - np.array([7.7, 33.3, 88.8])


@pytest.mark.parametrize(
    "layout",
    [
        {},
        {"tiled": True, "blockxsize": 64, "blockysize": 64, "compress": "deflate"},
        {"size": (600, 700)},
        {"dtype": "float64"},
        {"scale": 0.001, "dtype": "int32"},
    ],
)
def test_heights_are_straight_between_the_centres_of_cells(tmp_path, layout):
    terrain = read(raster(tmp_path, **layout))
    height, sd = terrain.heights(*PLACES)
    assert height == pytest.approx(plane(*PLACES), abs=2e-3 if "scale" in layout else 2e-5)
    assert np.all((sd >= 0.10) & (sd < 0.101))
    assert "dtm.tif" in terrain.basis


def test_a_path_is_read_as_its_bytes_are(tmp_path):
    path = raster(tmp_path, size=(600, 700))
    whole, parts = read(path), read_terrain(path, path.name, settings=JOB)
    assert parts.heights(*PLACES)[0].tolist() == whole.heights(*PLACES)[0].tolist()


def test_a_turned_raster_lies_where_its_transform_says(tmp_path):
    cosine, sine = np.cos(np.radians(30.0)), np.sin(np.radians(30.0))
    turned = Affine(0.5 * cosine, -0.4 * sine, EAST, -0.5 * sine, -0.4 * cosine, NORTH)
    terrain = read(raster(tmp_path, transform=turned))
    place = tuple(np.array([v]) for v in placed(turned, 77.3, 120.9))
    assert terrain.heights(*place)[0] == pytest.approx(plane(*place), abs=2e-5)


def test_of_a_large_raster_only_what_is_around_the_places_is_read(tmp_path, monkeypatch):
    path = raster(tmp_path, size=(3000, 3000), tiled=True)
    terrain = read_terrain(path, path.name, settings=JOB)
    asked = []
    plain = rasterio.io.DatasetReader.read

    def counted(self, *given, **more):
        found = plain(self, *given, **more)
        asked.append(found.size)
        return found

    monkeypatch.setattr(rasterio.io.DatasetReader, "read", counted)
    place = EAST + np.array([10.0, 11.0, 1400.0]), NORTH - np.array([20.0, 30.0, 1450.0])
    assert terrain.heights(*place)[0] == pytest.approx(plane(*place), abs=1e-4)
    assert 0 < sum(asked) < 5_000  # of nine million cells


def test_beside_cells_without_a_height_the_nearest_counts_with_more_doubt(tmp_path):
    hole = (slice(40, 140), slice(40, 100))  # 20 to 50 m east, 20 to 70 m south of the corner
    terrain = read(raster(tmp_path, hole=hole))
    places = EAST + np.array([22.3, 35.0, -10.0, 300.0]), NORTH - np.array([45.0, 45.0, 30.0, 45.0])
    height, sd = terrain.heights(*places)
    # in the hole from its western edge; beyond the edge of the raster; too far away
    assert height[0] == pytest.approx(plane(EAST + 19.75, NORTH - 45.0), abs=0.01)
    assert sd[0] == pytest.approx(np.hypot(0.10, 0.03 * 2.55), rel=0.01)
    assert sd[1] == pytest.approx(np.hypot(0.10, 0.03 * 15.25), rel=0.01)
    assert height[2] == pytest.approx(plane(EAST + 0.25, NORTH - 30.0), abs=0.01)
    assert sd[2] == pytest.approx(np.hypot(0.10, 0.03 * 10.25), rel=0.01)
    assert np.isnan(height[3]) and np.isnan(sd[3])  # noqa: PT018


def test_a_dig_by_depth_stands_on_it_and_one_where_it_has_no_heights_is_refused(tmp_path):
    terrain = read(raster(tmp_path), height_sd=0.05)
    trench = Trench(
        "t", EAST + np.array([10.0, 30.0]), NORTH - np.array([20.0, 20.0]), np.array([0.6]),
        np.array([1.0]), np.array([NAN]),
    )  # fmt: skip
    solid = solid_of(trench, terrain)
    assert solid.pieces.shape[0, 6] == pytest.approx(plane(EAST + 10.0, NORTH - 20.0) - 1.0)
    assert solid.ground_sd == pytest.approx(0.05, abs=0.01)
    empty = read(raster(tmp_path, everything=VOID))
    with pytest.raises(InputError, match=r"no heights near it .*dtm\.tif") as caught:
        solid_of(trench, empty)
    assert "covers the dig" in caught.value.remedy
    with pytest.raises(InputError, match="no heights"):
        solid_of(Post("q", EAST + 5000.0, NORTH, 0.3, 1.0), terrain)


def test_feet_of_the_plane_and_of_heights_are_turned_to_metres(tmp_path):
    # EPSG:6430: NAD83(2011) / Colorado Central in US survey feet
    foot = 1200.0 / 3937.0
    job = JobSettings("invented", Frame("EPSG:6430", height_kind="ellipsoidal"))
    feet = corner(3_100_000.0, 1_700_000.0, 1.0)
    path = raster(tmp_path, crs="EPSG:6430", transform=feet, everything=5_000.0)
    terrain = read_terrain(path.read_bytes(), path.name, settings=job, unit="ftUS")
    place = np.array([3_100_020.5 * foot]), np.array([1_699_979.5 * foot])
    assert terrain.heights(*place)[0] == pytest.approx(5_000.0 * foot, abs=1e-9)
    away = np.array([3_100_020.5]), np.array([1_699_979.5])  # as though feet were metres
    assert np.isnan(terrain.heights(*away)[0]).all()


def compound(vertical):
    """WKT of the job's projected CRS with heights of a vertical one."""
    return CRS(f"{UTM}+{vertical}").to_wkt("WKT2_2019")


@pytest.mark.parametrize(
    ("made", "given", "what"),
    [
        ({"crs": None}, {}, "does not say its coordinate reference system"),
        ({"crs": "EPSG:6341"}, {}, "the job's in NAD83"),
        ({"crs": "EPSG:4326"}, {}, "the job's in NAD83"),
        ({"bands": 3}, {}, "3 bands"),
        ({"unit": "ft"}, {}, "by the file its heights are in"),
        ({"unit": "metre"}, {"unit": "ftUS"}, "by the file its heights are in"),
        ({"crs": compound("EPSG:5703")}, {}, "its heights are NAVD88 height"),
        ({}, {"unit": "rod"}, "not a length unit"),
        ({}, {"height_sd": -1.0}, "uncertainty"),
    ],
)
def test_a_raster_that_is_not_the_jobs_is_refused_with_a_remedy(tmp_path, made, given, what):
    path = raster(tmp_path, **made)
    with pytest.raises(InputError, match=what) as caught:
        read(path, **given)
    assert caught.value.remedy


def test_heights_of_the_jobs_own_datum_are_taken(tmp_path):
    job = JobSettings("invented", Frame(f"{UTM}+5703", height_kind="orthometric"))
    path = raster(tmp_path, crs=compound("EPSG:5703"))
    terrain = read_terrain(path.read_bytes(), path.name, settings=job)
    assert terrain.heights(*PLACES)[0] == pytest.approx(plane(*PLACES), abs=2e-5)
    assert "taken" not in terrain.basis
    path = raster(tmp_path, crs=compound("EPSG:7968"))
    with pytest.raises(InputError, match="NGVD29"):
        read_terrain(path, path.name, settings=job)


def test_a_damaged_file_is_refused_when_it_is_read_or_asked(tmp_path):
    content = raster(tmp_path, size=(600, 700), compress="deflate", tiled=True).read_bytes()
    for cut in (20, 200):
        with pytest.raises(InputError, match="damaged or cut short") as caught:
            read_terrain(content[:cut], "dtm.tif", settings=JOB)
        assert caught.value.remedy
    spoilt = bytearray(content)
    spoilt[2000::100] = b"\xff" * len(spoilt[2000::100])
    half = content[: len(content) // 2]
    for damaged in (bytes(spoilt), half):
        terrain = read_terrain(damaged, "dtm.tif", settings=JOB)
        with pytest.raises(InputError, match="damaged or cut short"):
            terrain.heights(EAST + np.array([300.0]), NORTH - np.array([280.0]))


def test_blocks_too_large_to_be_read_in_parts_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("asfound.intake.digs.raster.LARGEST_BLOCK", 1000)
    with pytest.raises(InputError, match="blocks of") as caught:
        read(raster(tmp_path))
    assert "TILED" in caught.value.remedy
