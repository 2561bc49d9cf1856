import struct

import numpy as np
import pytest

from asfound.errors import FrameError
from asfound.geodesy import geoid_from_file, to_ground
from asfound.model import Frame, JobSettings, Shots, Source

SOUTH, WEST, STEP, SIZE = 38.0, -106.0, 0.5, 5


def gtx(path, heights):
    """A geoid grid in the GTX format: header big-endian, rows from south to north."""
    body = np.asarray(heights, ">f4")
    head = struct.pack(">4d2i", SOUTH, WEST, STEP, STEP, *body.shape)
    path.write_bytes(head + body.tobytes())


def geotiff(path, value):
    """A constant geoid over the same area as a GeoTIFF of 2 x 2 nodes, as PROJ takes them."""
    extent = STEP * (SIZE - 1)
    doubles = struct.pack("<3d", extent, extent, 0.0) + struct.pack(
        "<6d", 0.0, 0.0, 0.0, WEST, SOUTH + extent, 0.0
    )
    # GeoKeys: geographic model, pixel is point, EPSG:4269 (TIFF 6.0, OGC GeoTIFF 1.1).
    keys = struct.pack("<16H", 1, 1, 0, 3, 1024, 0, 1, 2, 1025, 0, 1, 2, 2048, 0, 1, 4269)
    pixels = struct.pack("<4f", *[value] * 4)
    start = 8 + 2 + 12 * 13 + 4
    entries = [
        (256, 3, 1, 2), (257, 3, 1, 2), (258, 3, 1, 32), (259, 3, 1, 1), (262, 3, 1, 1),
        (273, 4, 1, start + 72 + 32), (277, 3, 1, 1), (278, 3, 1, 2), (279, 4, 1, 16),
        (339, 3, 1, 3), (33550, 12, 3, start), (33922, 12, 6, start + 24),
        (34735, 3, 16, start + 72),
    ]  # fmt: skip
    directory = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    path.write_bytes(
        struct.pack("<2sHIH", b"II", 42, 8, len(entries)) + directory + struct.pack("<I", 0)
        + doubles + keys + pixels
    )  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    """A folder with a tilted-plane geoid; its name has a blank, as people's folders have."""
    home = tmp_path / "job grids"
    home.mkdir()
    rows, columns = np.mgrid[0:SIZE, 0:SIZE]
    gtx(home / "Plane.gtx", -17.0 + 0.5 * rows - 0.25 * columns)
    return str(home)


def plane(longitude, latitude):
    return -17.0 + 0.5 * (latitude - SOUTH) / STEP - 0.25 * (longitude - WEST) / STEP


def cloud(height=None):
    rng = np.random.default_rng(2)
    return Shots.build(
        rng.uniform(-105.5, -104.5, 30), rng.uniform(38.5, 39.5, 30),
        height=rng.uniform(1400, 1900, 30) if height is None else height,
    )  # fmt: skip


def run(shots, folder, upload, job):
    source = Source(
        "A", "a.csv", "", 0, 0, Frame(upload.pop("crs", "NAD83(2011)"), **upload),
        position_of="ground",
    )  # fmt: skip
    settings = JobSettings(
        "j", Frame(job.pop("crs", "EPSG:6427"), **job), grids=(folder,) if folder else ()
    )
    return to_ground(shots, [source], settings)


ORTHOMETRIC = {"height_kind": "orthometric", "geoid": "Plane.gtx"}


def test_the_undulation_of_a_grid_file_is_interpolated(folder):
    model = geoid_from_file("Plane.gtx", (folder,))
    shots = cloud()
    assert model.undulation(shots.x, shots.y) == pytest.approx(plane(shots.x, shots.y), abs=1e-5)
    assert np.isnan(model.undulation(np.array([10.0]), np.array([50.0]))).all()


def test_grid_files_are_found_in_any_case(folder):
    assert geoid_from_file("PLANE.GTX", (folder,)).grids == ("PLANE.GTX",)


def test_ellipsoidal_uploads_become_heights_above_the_geoid(folder):
    shots = cloud()
    ground = run(shots, folder, {}, dict(ORTHOMETRIC))
    assert ground.ellipsoidal_height == pytest.approx(shots.height)
    assert ground.height == pytest.approx(shots.height - plane(shots.x, shots.y), abs=1e-5)
    assert "Plane.gtx" in ground.vertical_reference
    assert ground.operations[0].grids == ("Plane.gtx",)


def test_orthometric_uploads_become_ellipsoidal(folder):
    shots = cloud()
    ground = run(shots, folder, dict(ORTHOMETRIC), {})
    assert ground.height == pytest.approx(shots.height + plane(shots.x, shots.y), abs=1e-5)
    assert "no geoid model" in ground.vertical_reference


def test_orthometric_to_orthometric_comes_back_to_itself(folder):
    shots = cloud()
    ground = run(shots, folder, dict(ORTHOMETRIC), dict(ORTHOMETRIC))
    assert ground.height == pytest.approx(shots.height, abs=1e-6)


def test_the_same_model_in_the_same_frame_needs_no_file():
    shots = cloud()
    ground = run(shots, None, dict(ORTHOMETRIC), dict(ORTHOMETRIC))
    assert ground.height == pytest.approx(shots.height)
    assert np.isnan(ground.ellipsoidal_height).all()
    assert ground.vertical_reference == "height above Plane.gtx"


def test_the_same_model_in_another_frame_does_need_its_file():
    with pytest.raises(FrameError, match=r"Plane\.gtx"):
        run(cloud(), None, {"crs": "ITRF2020", "epoch": 2026.9, **ORTHOMETRIC}, dict(ORTHOMETRIC))


@pytest.mark.parametrize("side", ["upload", "job"])
def test_a_missing_geoid_file_is_named_with_the_remedy(tmp_path, side):
    options = {"upload": {}, "job": {}}
    options[side] = dict(ORTHOMETRIC)
    with pytest.raises(FrameError) as caught:
        run(cloud(), str(tmp_path), options["upload"], options["job"])
    assert "Plane.gtx" in caught.value.what
    assert "grids/" in caught.value.remedy


def test_a_file_that_is_no_grid_is_refused(tmp_path):
    (tmp_path / "words.gtx").write_text("not a grid")
    with pytest.raises(FrameError, match="can't read"):
        geoid_from_file("words.gtx", (str(tmp_path),))


@pytest.mark.parametrize("name", ["../secret.gtx", "/etc/passwd", "sub/x.gtx", ""])
def test_only_plain_file_names_are_looked_for(tmp_path, name):
    with pytest.raises(FrameError):
        geoid_from_file(name, (str(tmp_path),))


def test_orthometric_heights_without_a_model_are_refused():
    with pytest.raises(FrameError, match="no geoid model is named"):
        run(cloud(), None, {"height_kind": "orthometric"}, {})


def test_uploads_without_heights_and_jobs_without_heights_have_none():
    assert np.isnan(run(cloud(), None, {"height_kind": "none"}, {}).height).all()
    ground = run(cloud(), None, {}, {"height_kind": "none"})
    assert np.isnan(ground.height).all()
    assert np.isfinite(ground.ellipsoidal_height).all()
    assert ground.vertical_reference == "no heights"


def test_a_compound_crs_without_its_geoid_grid_names_it():
    # EPSG:5703 is NAVD 88; GEOID18's file name in PROJ's data collection.
    with pytest.raises(FrameError, match=r"us_noaa_g2018u0\.tif"):
        run(cloud(), None, {}, {"crs": "EPSG:6427+5703"})


# NAVD 88 in metres, and in US survey feet.
@pytest.mark.parametrize("vertical", ["5703", "6360"])
def test_a_compound_crs_with_its_grid_gives_heights_in_metres(tmp_path, vertical):
    geotiff(tmp_path / "us_noaa_g2018u0.tif", -17.5)
    shots = cloud()
    job = {"crs": f"EPSG:6428+{vertical}"}
    ground = run(shots, str(tmp_path), {}, job)
    assert ground.height == pytest.approx(shots.height + 17.5, abs=1e-4)
    assert "NAVD88" in ground.vertical_reference
    assert "us_noaa_g2018u0.tif" in ground.operations[0].grids


def test_a_compound_upload_with_its_grid_becomes_ellipsoidal(tmp_path):
    geotiff(tmp_path / "us_noaa_g2018u0.tif", -17.5)
    shots = cloud()
    ground = run(shots, str(tmp_path), {"crs": "EPSG:6318+5703"}, {})
    assert ground.height == pytest.approx(shots.height - 17.5, abs=1e-4)


def test_a_registry_grid_that_is_no_grid_is_refused(tmp_path):
    (tmp_path / "us_noaa_g2018u0.tif").write_text("not a grid")
    with pytest.raises(FrameError, match=r"can't read us_noaa_g2018u0\.tif"):
        run(cloud(), str(tmp_path), {}, {"crs": "EPSG:6427+5703"})
