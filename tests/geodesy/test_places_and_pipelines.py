import numpy as np
import pytest
from pyproj import CRS, Transformer

from asfound.geodesy import Place, _pipelines, place_of, resolve_frame, suggest_projected
from asfound.geodesy.places import holds
from asfound.geodesy.suggestions import used_at


def at(longitude, latitude):
    return Place(longitude, latitude, longitude, latitude)


def test_a_version_of_a_frame_without_grids_is_used_where_its_other_versions_are():
    # EPSG registry: NAD83(CSRS)v5 has no grids of its own, its other versions have them in Canada
    # only; the box of its area of use reaches down to 38.21 N.
    frame = resolve_frame("NAD83(CSRS)v5")
    assert holds(frame.area_of_use, at(-98.0, 39.3), margin=0.0)
    assert not used_at(frame, at(-98.0, 39.3))
    assert used_at(frame, at(-97.1, 49.9))


def test_a_place_is_where_the_bulk_lies():
    lon, lat = np.full(100, -104.805), np.full(100, 39.005)
    lon[:4], lat[:3] = 104.8, np.nan
    assert place_of(lon, lat) == Place(-104.81, 39.0, -104.8, 39.01)


def test_no_finite_point_means_no_place():
    assert place_of(np.full(3, np.nan), np.zeros(3)) is None
    assert place_of(np.empty(0), np.empty(0)) is None


def test_a_place_is_found_even_if_only_a_few_of_very_many_are_known():
    lon, lat = np.full(50_000, np.nan), np.full(50_000, np.nan)
    lon[123], lat[123] = 9.0, 48.0
    assert place_of(lon, lat) is not None


def test_areas_across_the_180th_meridian_hold_both_sides():
    chatham = CRS.from_epsg(4959).area_of_use  # NZGD2000, with the Chatham Islands
    assert chatham.west > chatham.east
    assert holds(chatham, at(174.7, -36.8))
    assert holds(chatham, at(-176.5, -43.9))
    assert not holds(chatham, at(145.0, -37.8))


def test_joined_pipelines_lose_steps_that_cancel_and_keep_the_result():
    there = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart"
    back = "+proj=pipeline +step +inv +proj=cart +step +proj=unitconvert +xy_in=rad +xy_out=deg"
    assert _pipelines.join([there, back]) == "+proj=noop"
    shift = "+proj=pipeline +step +proj=helmert +x=1 +y=2 +z=3"
    joined = _pipelines.join([there, shift, back])
    found = Transformer.from_pipeline(joined).transform(9.0, 48.0, 100.0)
    assert found != pytest.approx((9.0, 48.0, 100.0), abs=1e-7)
    step = (9.0, 48.0, 100.0)
    for definition in (there, shift, back):
        step = Transformer.from_pipeline(definition).transform(*step)
    assert found == pytest.approx(step, abs=1e-12)


def test_different_ellipsoids_do_not_cancel():
    joined = _pipelines.join(["+proj=cart +ellps=GRS80", "+inv +proj=cart +ellps=intl"])
    assert joined.count("+proj=cart") == 2


@pytest.mark.parametrize(
    ("definition", "expected"),
    [
        ("proj=helmert x=1 rx=0.1 convention=position_vector", False),
        ("proj=helmert x=1 dx=0 drx=0 t_epoch=2010 convention=position_vector", False),
        ("proj=pipeline step proj=cart step proj=helmert drz=-7e-05 t_epoch=2010", True),
        ("+proj=pipeline +step +proj=defmodel +model=nz.json", True),
        ("+proj=noop", False),
    ],
)
def test_time_dependence_is_seen_in_the_pipeline(definition, expected):
    assert _pipelines.needs_time(definition) is expected


def test_grid_names_get_full_paths_in_quotes():
    text = _pipelines.with_grid_paths("+proj=hgridshift +grids=a.tif", {"a.tif": "/my job/a.tif"})
    assert text == '+proj=hgridshift +grids="/my job/a.tif"'
    assert _pipelines.steps_of(_pipelines.join([text])) == ['proj=hgridshift grids="/my job/a.tif"']


@pytest.mark.parametrize(
    ("frame", "place", "expected"),
    [
        ("NAD83(2011)", at(-104.8, 39.0), "EPSG:6427 (NAD83(2011) / Colorado Central)"),
        ("WGS 84", at(-104.8, 39.0), "EPSG:6427 (NAD83(2011) / Colorado Central)"),
        ("ETRF2000", at(9.0, 48.0), "'ETRF2000 / UTM zone 32N'"),
        ("GDA2020", at(145.0, -37.8), "EPSG:7899 (GDA2020 / Vicgrid)"),
        ("WGS 84", at(77.0, 28.0), "'ITRF2020 / UTM zone 43N'"),
        ("WGS 84", at(19.0, -33.5), "'Hartebeesthoek94 / UTM zone 34S'"),
        ("JGD2011", at(139.7, 35.7), "EPSG:6676 (JGD2011 / Japan Plane Rectangular CS VIII)"),
    ],
)
def test_suggested_grids_suit_the_place_and_can_be_read(frame, place, expected):
    found = suggest_projected(resolve_frame(frame), place)
    assert expected in found
    for name in found:
        text = name.strip("'") if name.startswith("'") else name.split(" ")[0]
        assert resolve_frame(text).is_projected
