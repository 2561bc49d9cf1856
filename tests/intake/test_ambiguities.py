"""Where a unit, sign, order or frame is really ambiguous, nothing is guessed."""

import pytest

from asfound.errors import AmbiguityError, InputError
from asfound.intake import guess_mapping, mapping_from_toml, mapping_to_toml, read_upload

HINTS = {"frame": "NAD83(2011)"}


def _file(header, *rows):
    return "\n".join([header, *rows, ""]).encode()


AMBIGUOUS = {
    "depth without unit that fits feet and metres": (
        _file("Lat,Lon,Depth", "39.2,-98.1,1.2", "39.2,-98.1,2.4"), HINTS, "depth"),
    "depths that are negative": (
        _file("Lat,Lon,Depth m", "39.2,-98.1,-1.2", "39.2,-98.1,-2.4"), HINTS, "depth"),
    "longitude without sign": (
        _file("Lat,Lon,Depth m", "39.2,98.1,1.2"), {"frame": "ITRF2020", "epoch": 2026.9},
        "longitude"),
    "longitude without sign in a frame of the west": (
        _file("Lat,Lon,Depth m", "39.2,98.1,1.2"), HINTS, "longitude"),
    "swapped columns": (_file("Lat,Lon,Depth m", "-98.1,39.2,1.2"), HINTS, "position"),
    "no frame": (_file("Lat,Lon,Depth m", "39.2,-98.1,1.2"), {}, "frame"),
    "two frames in a column": (
        _file("Lat,Lon,Depth m,Datum", "39.2,-98.1,1.2,ITRF2020", "39.2,-98.1,1.2,NAD83(2011)"),
        {}, "frame"),
    "day and month": (
        _file("Lat,Lon,Depth m,Time (UTC)", "39.2,-98.1,1.2,05/06/2026 10:00"), HINTS, "time"),
    "local time in a frame that moves": (
        _file("Lat,Lon,Depth m,Local time", "39.2,-98.1,1.2,2026-11-17 10:00"),
        {"frame": "ITRF2020"}, "time"),
    "feet that may be either in grid coordinates": (
        _file("Easting ft,Northing ft,Depth m", "1968500,14271600,1.2"), {"frame": "EPSG:26914"},
        "easting"),
    "x and y in a frame whose X is the northing": (
        _file("X(m),Y(m),Depth m", "-35000.0,-8000.1,1.2"), {"frame": "EPSG:6677"}, "easting"),
    "elevation above an unnamed geoid": (
        _file("Lat,Lon,Elevation (m),Depth m", "39.2,-98.1,405,1.2"), HINTS, "heights"),
    "height above nothing said": (
        _file("Lat,Lon,Height (m),Depth m", "39.2,-98.1,405,1.2"), HINTS, "heights"),
    "height without unit": (
        _file("Lat,Lon,HAE", "39.2,-98.1,405"), HINTS, "height"),
    "no position": (_file("A,B,Depth m", "1,2,1.2"), HINTS, "position"),
    "readings without position in local time": (
        _file("Time,Depth m,Utility", "2026-11-17 10:00:00,1.2,gas"), HINTS, "time"),
    "depths that can't be read": (
        _file("Lat,Lon,Depth", "39.2,-98.1,3-11", "39.2,-98.1,4-02"), HINTS, "depth"),
    "depths that can't be read in the title's unit": (
        _file("Lat,Lon,Depth (ft)", "39.2,-98.1,3-11", "39.2,-98.1,4-02"), HINTS, "depth"),
    "depths in words": (
        _file("Lat,Lon,Depth (m)", "39.2,-98.1,about 3", "39.2,-98.1,ca. 4"), HINTS, "depth"),
    "two columns of depths that differ": (
        _file("Lat,Lon,Depth (m),Depth (m)", "39.2,-98.1,1.2,1.4"), HINTS, "depth"),
    "two columns of latitudes that differ": (
        _file("Lat,Lat,Lon,Depth (m)", "39.2,39.3,-98.1,1.2"), HINTS, "latitude"),
    "sweep without coil height": (
        _file(
            "Sweep,Tape (m),Coil,Reading (mA),Start lat,Start lon,End lat,End lon",
            "S1,0.0,horizontal,12,39.2,-98.1,39.2001,-98.1",
        ), HINTS, "coil_height"),
}  # fmt: skip


@pytest.mark.parametrize("case", AMBIGUOUS)
def test_ambiguous_files_are_refused_until_the_question_is_answered(case):
    data, hints, field = AMBIGUOUS[case]
    guess = guess_mapping(data, "f.csv", hints=hints)
    assert field in [doubt.field for doubt in guess.ambiguities]
    doubt = next(d for d in guess.ambiguities if d.field == field)
    assert doubt.what
    assert doubt.remedy
    draft = mapping_from_toml(mapping_to_toml(guess.mapping), "draft.toml")
    with pytest.raises(AmbiguityError) as caught:
        read_upload(data, "f.csv", draft, tag="A", source_index=0)
    assert caught.value.where == "f.csv"
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("case", "answer"),
    [
        ("depth without unit that fits feet and metres", {"units": {"Depth": "ft"}}),
        ("longitude without sign in a frame of the west", {"units": {"Lon": "deg W"}}),
        ("depths that are negative", {"units": {"Depth m": "m negative"}}),
        ("depths that can't be read", {"units": {"Depth": "ft in"}}),
        ("depths that can't be read in the title's unit", {"units": {"Depth (ft)": "ft in"}}),
        ("two columns of depths that differ", {"units": {"4": "m"}}),
        ("two columns of latitudes that differ", {"units": {"2": "deg"}}),
        ("no frame", {"frame": "NAD83(2011)"}),
        ("day and month", {"units": {"Time (UTC)": "dmy"}}),
        ("local time in a frame that moves", {"zone": "America/Chicago"}),
        ("feet that may be either in grid coordinates",
         {"units": {"Easting ft": "ft", "Northing ft": "ft"}}),
        ("elevation above an unnamed geoid", {"heights": "orthometric", "geoid": "g.tif"}),
        ("height above nothing said", {"heights": "ellipsoidal"}),
        ("height without unit", {"units": {"HAE": "ftUS"}}),
    ],
)  # fmt: skip
def test_the_remedy_settles_the_question(case, answer):
    data, hints, _ = AMBIGUOUS[case]
    guess = guess_mapping(data, "f.csv", hints={**hints, **answer})
    assert guess.ambiguities == ()
    assert read_upload(data, "f.csv", guess.mapping, tag="A", source_index=0).account.shots == 1 + (
        case.startswith("depth")
    )


def test_a_longitude_that_only_fits_the_east_is_taken_as_it_stands():
    data = _file("Lat,Lon,Depth m", "-35.2,149.1,1.2")
    assert guess_mapping(data, "f.csv", hints={"frame": "GDA2020"}).ambiguities == ()
    data = _file("Lat,Lon,Depth m", "52.2,13.1,1.2")
    assert guess_mapping(data, "f.csv", hints={"frame": "ETRF2000"}).ambiguities == ()


def test_a_plus_sign_says_that_signs_are_written():
    data = _file("Lat,Lon,Depth m", "+39.2,+98.1,1.2")
    hints = {"frame": "ITRF2020", "epoch": 2026.9}
    assert guess_mapping(data, "f.csv", hints=hints).ambiguities == ()


@pytest.mark.parametrize(("unit", "value"), [("deg E", "-46.6"), ("deg W", "-98.1")])
def test_a_sign_beside_a_declared_hemisphere_is_named_as_what_it_is(unit, value):
    data = _file("Lat,Lon,Depth m", f"39.2,{value},1.2", "39.2,what,1.2")
    guess = guess_mapping(data, "f.csv", hints={**HINTS, "units": {"Lon": unit}})
    upload = read_upload(data, "f.csv", guess.mapping, tag="A", source_index=0)
    first, second = upload.reports
    assert "minus sign" in first.reason
    assert unit[-1] in first.reason
    assert "hemisphere" in first.remedy
    assert "can't be read" in second.reason


@pytest.mark.parametrize(
    ("job", "longitude", "latitude"),
    # Zone 55 of Australia's map grid and zone IX of Japan's: both are used in the east only
    # (areas of use in the EPSG registry).
    [("EPSG:7855", "149.13", "-35.3"), ("EPSG:6677", "139.7", "35.7")],
)
def test_the_jobs_own_frame_says_east_where_the_uploads_does_not(job, longitude, latitude):
    data = _file("Lat,Lon,Depth m", f"{latitude},{longitude},1.2")
    hints = {"frame": "ITRF2020", "epoch": 2026.9}
    asked = guess_mapping(data, "f.csv", hints=hints).ambiguities
    assert [doubt.field for doubt in asked] == ["longitude"]
    assert '"Lon=deg E"' in asked[0].remedy
    assert guess_mapping(data, "f.csv", hints={**hints, "job_crs": job}).ambiguities == ()


def test_the_jobs_own_frame_in_the_west_leaves_the_question():
    data = _file("Lat,Lon,Depth m", "39.2,98.1,1.2")
    hints = {"frame": "ITRF2020", "epoch": 2026.9, "job_crs": "EPSG:6467"}
    (asked,) = guess_mapping(data, "f.csv", hints=hints).ambiguities
    assert "west" in asked.why


def test_days_beyond_twelve_tell_the_order():
    data = _file("Lat,Lon,Time (UTC)", "39.2,-98.1,05/06/2026 10:00", "39.2,-98.1,05/17/2026 10:00")
    guess = guess_mapping(data, "f.csv", hints=HINTS)
    assert guess.mapping.columns["time"].form == "mdy"
    assert guess.ambiguities == ()


def test_a_bare_wgs84_label_is_a_doubt_and_stays_a_metre_level_frame():
    data = _file("WGS84 Lat,WGS84 Lon,Depth m", "39.2,-98.1,1.2")
    guess = guess_mapping(data, "f.csv", hints={})
    assert guess.mapping.frame.crs == "EPSG:4979"
    assert any("realisation" in doubt.what for doubt in guess.doubts)


def test_a_declared_frame_that_the_file_contradicts_is_a_doubt():
    data = _file("Lat,Lon,CRS,Depth m", "39.2,-98.1,ITRF2014,1.2")
    guess = guess_mapping(data, "f.csv", hints={"frame": "NAD83(2011)"})
    assert guess.mapping.frame.crs == "NAD83(2011)"
    assert any("ITRF2014" in doubt.what for doubt in guess.doubts)


def test_metres_that_look_like_feet_are_doubted():
    data = _file("Lat,Lon,Antenna height (m),Depth m", "39.2,-98.1,6.56,1.2", "39.2,-98.1,6.56,1.2")
    guess = guess_mapping(data, "f.csv", hints=HINTS)
    assert any(doubt.field == "antenna_height" for doubt in guess.doubts)


@pytest.mark.parametrize(
    ("value", "unit"), [("6.56", "=ft"), ("74", "=in"), ("190", "=cm"), ("1900", "=mm")]
)
def test_the_unit_that_makes_a_poles_height_of_metres_is_named(value, unit):
    data = _file("Lat,Lon,Antenna height (m)", f"39.2,-98.1,{value}", f"39.2,-98.1,{value}")
    guess = guess_mapping(data, "f.csv", hints=HINTS)
    doubt = next(doubt for doubt in guess.doubts if doubt.field == "antenna_height")
    assert unit in doubt.remedy


def test_feet_and_inches_with_a_dash_are_read_once_declared():
    # 3 ft 11 in = 47 x 0.0254 m exactly.
    data = _file("Lat,Lon,Depth", "39.2,-98.1,3-11", "39.2,-98.1,4-02", "39.2,-98.1,3-13")
    guess = guess_mapping(data, "f.csv", hints={**HINTS, "units": {"Depth": "ft in"}})
    upload = read_upload(data, "f.csv", guess.mapping, tag="A", source_index=0)
    assert upload.shots.depth.tolist() == pytest.approx([1.1938, 1.27])
    assert [report.value for report in upload.reports if not report.accepted] == ["3-13"]


@pytest.mark.parametrize("title", ["Depth to top (m)", "Cover depth (m)", "Depth of cover (m)"])
def test_a_depth_of_cover_is_doubted(title):
    guess = guess_mapping(_file(f"Lat,Lon,{title}", "39.2,-98.1,1.2"), "f.csv", hints=HINTS)
    doubt = next(doubt for doubt in guess.doubts if doubt.field == "depth_to")
    assert "centre" in doubt.what
    assert "half of the outside diameter" in doubt.remedy


def test_a_column_that_was_passed_over_for_another_is_named():
    data = _file("Lat,Lon,Elev (m),Ortho height (m)", "39.2,-98.1,410,380")
    guess = guess_mapping(data, "f.csv", hints={**HINTS, "heights": "ellipsoidal"})
    assert guess.mapping.columns["height"].column == "Elev (m)"
    assert any("'Ortho height (m)'" in d.what and "not used" in d.what for d in guess.doubts)


@pytest.mark.parametrize(
    ("heights", "column"),
    [("ellipsoidal", "Ellipsoidal height (m)"), ("orthometric", "Orthometric height (m)")],
)
def test_of_two_heights_the_declared_kind_is_taken(heights, column):
    data = _file("Lat,Lon,Ellipsoidal height (m),Orthometric height (m)", "39.2,-98.1,380.1,405.2")
    guess = guess_mapping(data, "f.csv", hints={**HINTS, "heights": heights})
    assert guess.mapping.columns["height"].column == column
    assert guess.ambiguities == ()


@pytest.mark.parametrize(
    "data",
    [
        _file("Lat,Lon,Depth (m),Depth (ft)", "39.2,-98.1,1.20,3.94"),
        _file("Lat,Lon,Depth ft,Depth in", "39.2,-98.1,3,11"),
        _file("Lat,Latitude (DMS),Lon", "39.2,39 12 00.0,-98.1"),
        _file("Lat,Lon,Depth (m),Depth note", "39.2,-98.1,1.2,see 2 photos"),
    ],
)
def test_columns_that_say_the_same_or_belong_together_raise_no_question(data):
    assert guess_mapping(data, "f.csv", hints=HINTS).ambiguities == ()


def test_a_unit_for_a_title_that_stands_twice_is_refused():
    data = _file("Lat,Lon,Depth (m),Depth (m)", "39.2,-98.1,1.2,1.4")
    with pytest.raises(InputError, match="2 columns"):
        guess_mapping(data, "f.csv", hints={**HINTS, "units": {"Depth (m)": "m"}})
