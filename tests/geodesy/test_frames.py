import pytest
from pyproj import CRS

from asfound.errors import FrameError
from asfound.geodesy import (
    PRESETS,
    ensemble_accuracy,
    frame_of,
    is_dynamic,
    preset_of,
    resolve_frame,
)


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_every_preset_is_a_3d_geographic_crs_of_that_name(preset):
    crs = resolve_frame(preset.name)
    assert crs.to_epsg() == preset.code
    assert crs.type_name == "Geographic 3D CRS"
    plain = crs.name.replace(" ", "").casefold()
    assert preset.name.replace(" ", "").casefold().split("china")[-1] in plain
    assert preset.about
    assert preset.usual_epoch


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_dynamic_presets_are_used_at_the_day_of_observation(preset):
    assert is_dynamic(resolve_frame(preset.name)) == (
        preset.usual_epoch == "the day of observation"
    )


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("itrf 2020", 9989),
        ("ITRF-2020", 9989),
        ("NAD 83 (2011)", 6319),
        ("nad83_2011", 6319),
        ("WGS84 (G2139)", 9754),
        ("wgs 84 g2296", 10605),
        ("NAD83 CSRS v7", 8254),
        ("ETRS89/ETRF2000", 7931),
        ("CGCS2000", 4480),
        ("EPSG:6428", 6428),
        ("epsg 6428", 6428),
        (" 6428 ", 6428),
        ("NAD83(2011) / Colorado Central (ftUS)", 6428),
        ("GDA2020 / MGA zone 55", 7855),
    ],
)
def test_frames_are_known_in_the_spellings_people_use(text, code):
    assert resolve_frame(text).to_epsg() == code


def test_wkt_and_proj_strings_and_compounds_are_read():
    assert resolve_frame(CRS.from_epsg(7855).to_wkt()).to_epsg() == 7855
    assert resolve_frame("+proj=utm +zone=13 +ellps=GRS80").is_projected
    compound = resolve_frame("EPSG:6428+5703")
    assert compound.is_compound
    assert frame_of(compound).name == "NAD83(2011)"


def test_a_frame_and_a_projection_can_be_put_together():
    plain = resolve_frame("ETRF2000 / UTM zone 32N")
    borrowed = resolve_frame("ETRF2000 / EPSG:25832")
    own = resolve_frame("NAD83(2011) / +proj=tmerc +lat_0=39 +lon_0=-104.8 +k=1.0002 +units=us-ft")
    assert frame_of(plain).to_epsg() == frame_of(borrowed).to_epsg() == 7931
    assert plain.coordinate_operation.to_proj4() == borrowed.coordinate_operation.to_proj4()
    assert ensemble_accuracy(plain) == 0.0
    assert own.axis_info[0].unit_name == "US survey foot"
    assert frame_of(own).to_epsg() == 6319


@pytest.mark.parametrize(
    "text", ["", "nonsense", "EPSG:999999", "ETRF2000 / EPSG:4258", "ITRF2020 / UTM zone 61N"]
)
def test_what_is_no_frame_is_refused_with_where_and_remedy(text):
    with pytest.raises(FrameError) as caught:
        resolve_frame(text, where="job.toml [frame]")
    assert caught.value.where == "job.toml [frame]"
    assert caught.value.remedy
    if text:
        assert text in caught.value.what


def test_a_geocentric_frame_is_refused_naming_the_geographic_one():
    with pytest.raises(FrameError, match="EPSG:9989"):
        frame_of(resolve_frame("EPSG:9988"))


def test_a_crs_with_a_built_in_shift_is_refused():
    with pytest.raises(FrameError, match="towgs84"):
        frame_of(resolve_frame("+proj=utm +zone=32 +ellps=intl +towgs84=-87,-98,-121"))


def test_the_wgs_84_name_is_known_to_be_two_metres_wide():
    # EPSG registry: accuracy of the ensemble datum 6326.
    assert ensemble_accuracy(resolve_frame("WGS 84")) == 2.0
    assert ensemble_accuracy(resolve_frame("EPSG:32613")) == 2.0
    assert ensemble_accuracy(resolve_frame("WGS 84 (G2296)")) == 0.0


def test_the_bare_name_wgs_84_is_no_preset():
    assert preset_of("WGS 84") is None
    assert preset_of("wgs84") is None
