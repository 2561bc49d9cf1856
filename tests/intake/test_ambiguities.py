"""Where a unit, sign, order or frame is really ambiguous, nothing is guessed."""

import pytest

from asfound.errors import AmbiguityError
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
    "elevation above an unnamed geoid": (
        _file("Lat,Lon,Elevation (m),Depth m", "39.2,-98.1,405,1.2"), HINTS, "heights"),
    "height above nothing said": (
        _file("Lat,Lon,Height (m),Depth m", "39.2,-98.1,405,1.2"), HINTS, "heights"),
    "height without unit": (
        _file("Lat,Lon,HAE", "39.2,-98.1,405"), HINTS, "height"),
    "no position": (_file("A,B,Depth m", "1,2,1.2"), HINTS, "position"),
    "readings without position in local time": (
        _file("Time,Depth m,Utility", "2026-11-17 10:00:00,1.2,gas"), HINTS, "time"),
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
