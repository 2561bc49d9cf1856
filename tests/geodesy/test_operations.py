import subprocess
import sys

import numpy as np
import pytest
from pyproj import CRS

from asfound.errors import FrameError
from asfound.geodesy import Place, choose_operation, resolve_frame, to_ground
from asfound.model import Frame, JobSettings, Shots, Source

DENVER = Place(-104.81, 38.99, -104.79, 39.01)


def at(longitude, latitude):
    return Place(longitude, latitude, longitude, latitude)


def choose(source, target, place=DENVER, **options):
    return choose_operation(resolve_frame(source), resolve_frame(target), place, **options)


@pytest.mark.parametrize(
    ("source", "target", "place", "accuracy", "needs_epoch"),
    [
        ("ITRF2020", "EPSG:6428", DENVER, 0.0, True),
        ("IGS20", "EPSG:6428", DENVER, 0.0, True),
        ("WGS 84 (G2139)", "EPSG:6428", DENVER, 0.01, True),
        ("NAD83(2011)", "EPSG:6428", DENVER, 0.0, False),
        ("ITRF2020", "NAD83(CSRS)v8", at(-75.0, 45.4), 0.0, True),
        ("ITRF2020", "ETRF2000", at(9.0, 48.0), 0.0, True),
        ("ITRF2020", "EPSG:25832", at(9.0, 48.0), 0.1, True),
        ("ETRS89", "EPSG:25832", at(9.0, 48.0), 0.0, False),
        ("ITRF2020", "EPSG:2056", at(7.5, 47.0), np.hypot(0.1, 0.1), True),
        ("ITRF2014", "EPSG:7855", at(145.0, -37.8), 0.03, True),
        ("GDA94", "EPSG:7855", at(145.0, -37.8), 0.01, False),
        ("SIRGAS 2000", "EPSG:31983", at(-46.6, -23.5), 0.0, False),
        ("JGD2011", "EPSG:6677", at(139.7, 35.7), 0.0, False),
        ("ITRF2014", "KSA-GRF17", at(46.7, 24.7), 0.001, True),
    ],
)
def test_operations_are_found_on_every_continent_with_stated_accuracy(
    source, target, place, accuracy, needs_epoch
):
    change = choose(source, target, place)
    assert change.accuracy == pytest.approx(accuracy, abs=2e-3)
    assert change.needs_epoch is needs_epoch
    assert change.name
    assert "ballpark" not in change.name.lower()


def test_a_way_through_other_frames_adds_accuracies_in_quadrature_and_names_all_steps():
    change = choose("ITRF2020", "EPSG:2056", at(7.5, 47.0))
    first = choose("ITRF2020", "ETRS89", at(7.5, 47.0))
    second = choose("ETRS89", "EPSG:2056", at(7.5, 47.0))
    assert change.steps == first.steps + second.steps
    assert change.accuracy == pytest.approx(np.hypot(first.accuracy, second.accuracy))
    point = (7.5, 47.0, 500.0, 2026.9)
    halfway = first.transformer().transform(*point)
    expected = second.transformer().transform(*halfway)
    assert change.transformer().transform(*point) == pytest.approx(expected, abs=1e-12)


def test_the_bare_name_wgs_84_is_refused_with_both_remedies():
    with pytest.raises(FrameError) as caught:
        choose("WGS 84", "EPSG:6428", where="upload A")
    assert caught.value.where == "upload A"
    assert "2 m" in caught.value.what
    assert "realisation" in caught.value.remedy
    assert "position_accuracy = 2" in caught.value.remedy


@pytest.mark.parametrize(
    ("source", "target", "place"),
    [
        ("ITRF2020", "EPSG:32613", DENVER),
        ("WGS 84", "EPSG:32613", DENVER),
        ("WGS 84", "EPSG:25832", at(9.0, 48.0)),
    ],
)
def test_wgs_84_is_refused_as_the_jobs_frame_and_even_with_itself(source, target, place):
    with pytest.raises(FrameError, match="'WGS 84' names a family of frames 2 m apart"):
        choose(source, target, place)


def test_wgs_84_is_let_through_when_the_upload_carries_its_two_metres():
    change = choose("WGS 84", "EPSG:6428", position_accuracy=2.0)
    assert change.ensemble == 2.0
    with pytest.raises(FrameError):
        choose("WGS 84", "EPSG:6428", position_accuracy=1.9)


@pytest.mark.parametrize(
    ("source", "target", "place", "grid"),
    [
        ("ITRF2020", "EPSG:2193", at(174.7, -36.8), "nz_linz_nzgd2000-20180701.json"),
        ("ETRS89", "EPSG:27700", at(-1.0, 52.0), "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"),
        ("ITRF2020", "EPSG:27700", at(-1.0, 52.0), "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"),
        ("NAD83(2011)", "EPSG:2232", DENVER, "us_noaa_nadcon5"),
        ("ITRF2020", "EPSG:3006", at(15.0, 60.0), "eur_nkg_nkgrf17vel.tif"),
    ],
)
def test_a_missing_grid_is_named_and_never_replaced_in_silence(source, target, place, grid):
    with pytest.raises(FrameError) as caught:
        choose(source, target, place)
    assert grid in caught.value.what
    assert "grids/" in caught.value.remedy


@pytest.mark.parametrize(
    ("source", "target", "place"),
    [
        ("ITRF2020", "SIRGAS 2000", at(-46.6, -23.5)),
        ("ITRF2020", "JGD2011", at(139.7, 35.7)),
        ("ITRF2020", "Hartebeesthoek94", at(19.0, -33.5)),
        ("ITRF2020", "NAD83(CSRS)v7", at(174.7, -36.8)),
        ("ITRF2020", "+proj=utm +zone=13 +ellps=GRS80", DENVER),
    ],
)
def test_where_the_registry_has_nothing_good_the_error_says_what_to_do(source, target, place):
    with pytest.raises(FrameError) as caught:
        choose(source, target, place)
    assert resolve_frame(source).name in caught.value.what
    assert "has none" in caught.value.what or "meant for" in caught.value.what


def test_metre_grade_operations_are_refused_unless_carried():
    place = at(15.0, 50.0)
    with pytest.raises(FrameError, match="good to 1 m"):
        choose("ETRS89", "EPSG:5514", place)
    assert choose("ETRS89", "EPSG:5514", place, position_accuracy=1.0).accuracy == 1.0


def test_the_choice_does_not_hang_on_the_machines_network_setting():
    script = (
        "from asfound.geodesy import choose_operation, resolve_frame, Place\n"
        "from asfound.errors import FrameError\n"
        "try:\n"
        "    choose_operation(resolve_frame('ETRS89'), resolve_frame('EPSG:27700'),\n"
        "                     Place(-1.0, 52.0, -1.0, 52.0))\n"
        "except FrameError as error:\n"
        "    print(error.what)\n"
    )
    said = [
        subprocess.run(
            [sys.executable, "-c", script],
            env={"PROJ_NETWORK": setting},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for setting in ("ON", "OFF")
    ]
    assert said[0] == said[1] != ""


def test_the_same_question_gets_the_same_answer():
    from asfound.geodesy import operations

    first = choose("ITRF2020", "EPSG:25832", at(9.0, 48.0))
    operations._search.cache_clear()
    operations._direct.cache_clear()
    assert choose("ITRF2020", "EPSG:25832", at(9.0, 48.0)) == first


def test_a_time_dependent_operation_moves_points_as_years_go_by():
    change = choose("ITRF2020", "EPSG:6428")
    early, late = (change.transformer().transform(-104.8, 39.0, 0.0, t) for t in (2010.0, 2030.0))
    assert abs(early[0] - late[0]) * 86_000 > 0.2  # two centimetres a year and more
    assert "t_epoch" in change.definition


def test_an_operation_with_its_grid_in_the_jobs_folder_is_used(tmp_path):
    # An NTv2 file of our own making under the registry's name: shift of 1" west everywhere.
    folder = tmp_path / "with a blank"
    folder.mkdir()
    name = "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"
    (folder / name).write_bytes(ntv2(west=-3.0, east=1.0, south=50.0, north=54.0, shift=1.0))
    change = choose("ETRS89", "EPSG:27700", at(-1.0, 52.0), grids=(str(folder),))
    assert change.grids == (name,)
    lon, lat, *_ = change.transformer().transform(-1.0, 52.0, 0.0, 0.0)
    assert lat == pytest.approx(52.0, abs=1e-9)
    # The file says OSGB36 + shift = ETRS89, positive west, so back to OSGB36 is to the east.
    assert lon == pytest.approx(-1.0 + 1.0 / 3600.0, abs=1e-9)


def test_a_horizontal_grid_leaves_heights_in_the_uploads_frame_and_says_so(tmp_path):
    name = "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"
    (tmp_path / name).write_bytes(ntv2(west=-3.0, east=1.0, south=50.0, north=54.0, shift=1.0))
    upload = Source("A", "a.csv", "", 0, 0, Frame("ETRS89"), position_of="ground")
    job = JobSettings("j", Frame("EPSG:27700"), grids=(str(tmp_path),))
    shots = Shots.build(np.array([-1.0]), np.array([52.0]), height=77.0)
    ground = to_ground(shots, [upload], job)
    assert ground.height[0] == pytest.approx(77.0, abs=1e-9)
    assert "ellipsoidal height of ETRS89" in ground.vertical_reference
    assert ground.operations[0].grids == (name,)
    assert ground.operations[0].accuracy == pytest.approx(0.03)


def ntv2(west, east, south, north, shift):
    """Bytes of an NTv2 grid of 2 x 2 nodes with one longitude shift [seconds, west positive]."""

    def text(key, value):
        return key.ljust(8).encode() + value.ljust(8).encode()

    def whole(key, value):
        return key.ljust(8).encode() + np.array([value, 0], "<i4").tobytes()

    def real(key, value):
        return key.ljust(8).encode() + np.array([value], "<f8").tobytes()

    head = (
        whole("NUM_OREC", 11) + whole("NUM_SREC", 11) + whole("NUM_FILE", 1)
        + text("GS_TYPE", "SECONDS") + text("VERSION", "TEST") + text("SYSTEM_F", "A")
        + text("SYSTEM_T", "B") + real("MAJOR_F", 6377563.396) + real("MINOR_F", 6356256.909)
        + real("MAJOR_T", 6378137.0) + real("MINOR_T", 6356752.314)
    )  # fmt: skip
    sub = (
        text("SUB_NAME", "WHOLE") + text("PARENT", "NONE") + text("CREATED", "2026")
        + text("UPDATED", "2026") + real("S_LAT", south * 3600) + real("N_LAT", north * 3600)
        + real("E_LONG", -east * 3600) + real("W_LONG", -west * 3600)
        + real("LAT_INC", (north - south) * 3600) + real("LONG_INC", (east - west) * 3600)
        + whole("GS_COUNT", 4)
    )  # fmt: skip
    nodes = np.array([[0.0, shift, 0.0, 0.0]] * 4, "<f4").tobytes()
    return head + sub + nodes + b"END     " + b"\0" * 8


def test_a_grid_path_that_proj_cannot_take_is_refused(tmp_path):
    folder = tmp_path / "a,b"
    folder.mkdir()
    (folder / "uk_os_OSTN15_NTv2_OSGBtoETRS.tif").write_bytes(b"x")
    with pytest.raises(FrameError, match="Rename"):
        choose("ETRS89", "EPSG:27700", at(-1.0, 52.0), grids=(str(folder),))


def test_ensembles_inside_a_chain_are_refused():
    with pytest.raises(FrameError, match=r"WGS 84|has none"):
        choose_operation(CRS.from_epsg(9989), CRS.from_epsg(2959), at(-75.0, 45.4))


def test_where_there_is_no_operation_the_remedy_says_that_an_accuracy_does_not_help():
    with pytest.raises(FrameError) as caught:
        choose_operation(
            resolve_frame("ITRF2020"),
            resolve_frame("SIRGAS 2000"),
            at(-46.6, -23.5),
            position_accuracy=5.0,
        )
    assert "An accuracy carried with the upload does not help" in caught.value.remedy
