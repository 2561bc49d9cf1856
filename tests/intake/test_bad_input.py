"""Files and rows as bad as they come: a clear message each, and nothing lost."""

import json

import numpy as np
import pytest

from asfound.errors import AmbiguityError, InputError, SettingsError
from asfound.intake import (
    Column,
    Mapping,
    guess_mapping,
    join_uploads,
    mapping_from_toml,
    read_upload,
)
from asfound.model import Frame

HEADER = "Pt,Lat,Lon,Depth (m),Time (UTC)\n"
GOOD = "1,39.2,-98.1,1.2,2026-11-17T14:00:00Z\n2,39.2001,-98.1,1.2,2026-11-17T14:00:05Z\n"


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "empty"),
        (b"\n \n\r\n", "blank lines"),
        (b"# only\n# comments\n", "comment"),
        (HEADER.encode(), "no rows"),
        (b"\x00\x01\x02" * 100, "zero bytes"),
        (b"%PDF-1.7 ...", "PDF"),
        (b"\x89PNG\r\n\x1a\n", "picture"),
        (b"\xd0\xcf\x11\xe0" + b"x" * 100, "office"),
        ("Pt,Lat\n1,2\n".encode("utf-16-le"), "UTF-16"),
        (b"x" * (2 * 1024 * 1024), "longer than"),
        (HEADER.encode() + b"1," + b"9" * (2 * 1024 * 1024) + b",1,1,\n", "line 2 is longer than"),
    ],
)
def test_files_that_are_no_table_are_refused_with_a_reason(data, what):
    with pytest.raises(InputError, match=what) as caught:
        guess_mapping(data, 'night shift\'s "log"\n../../etc.csv', hints={"frame": "NAD83(2011)"})
    assert caught.value.where.startswith("night shift's")
    assert caught.value.remedy


def test_an_empty_file_is_refused_by_reading_too():
    with pytest.raises(InputError, match="empty"):
        read_upload(b"", "f.csv", Mapping(frame=Frame("NAD83(2011)")), tag="A", source_index=0)


ROWS = {
    "3,95,-98.1,1.2,": ("latitude", "beyond 90"),
    "3,-98.1,39.2,1.2,": ("position", "swapped"),
    "3,39.2,98.1,1.2,": ("position", "other sign"),
    "3,39.2,-398.1,1.2,": ("longitude", "beyond 180"),
    "3,nan,-98.1,1.2,": ("latitude", "'nan'"),
    "3,39.2,inf,1.2,": ("longitude", "can't be read"),
    "3,39.2,,1.2,": ("longitude", "missing"),
    "3,0,0,1.2,": ("position", "0, 0"),
    "3,thirty-nine,-98.1,1.2,": ("latitude", "thirty-nine"),
    "3,4350000.5,600000.5,1.2,": ("position", "grid coordinates"),
    "3,39.2,-98.1,-1.2,": ("depth", "upwards"),
    "3,39.2,-98.1,deep,": ("depth", "deep"),
    "3,39.2,-98.1,\"1,2\",": ("depth", "1,2"),
    "3,39.2,-98.1": ("", "fields"),
    "3,39.2,-98.1,1.2,,extra": ("", "fields"),
    '3,39.2,-98.1,"1.2,': ("", "quotation"),
    "Pt,Lat,Lon,Depth (m),Time (UTC)": ("", "header once more"),
}  # fmt: skip


@pytest.mark.parametrize("row", ROWS)
def test_rows_that_are_no_shots_are_reported_with_line_reason_and_remedy(row, read, rejected):
    field, reason = ROWS[row]
    upload = read(f"{HEADER}{GOOD}{row}\n{GOOD}")
    (report,) = rejected(upload)
    assert (report.file, report.row, report.line_number) == ("shots.csv", 3, 4)
    assert report.field == field
    assert reason in report.reason
    assert report.remedy
    assert (upload.account.rows, upload.account.shots, upload.account.reported) == (5, 4, 1)
    assert upload.shots.line_number.tolist() == [2, 3, 5, 6]


REMARKED = {
    "3,39.2,-98.1,30,": ("depth", "deeper than 10 m"),
    "3,39.2,-98.1,0,": ("depth", "no reading"),
    "3,39.2,-98.1,1.2,1970-01-01T00:00:07Z": ("time", "before 1990"),
    "3,39.2,-98.1,1.2,2036-01-01T00:00:07Z": ("time", "later than the day"),
    "3,39.2,-98.1,1.2,yesterday": ("time", "can't be read"),
    "3,41.2,-98.1,1.2,": ("position", "more than a degree"),
}


@pytest.mark.parametrize("row", REMARKED)
def test_questionable_rows_are_shots_with_a_remark(row, read):
    field, reason = REMARKED[row]
    upload = read(f"{HEADER}{GOOD}{row}\n", received=np.datetime64("2026-11-20").item())
    assert upload.account.shots == 3
    (report,) = upload.reports
    assert report.accepted
    assert (report.row, report.line_number, report.field) == (3, 4, field)
    assert reason in report.reason


def test_a_row_with_two_faults_has_one_report_that_names_both(read, rejected):
    upload = read(f"{HEADER}{GOOD}3,95,-98.1,-2,\n")
    (report,) = rejected(upload)
    assert "latitude" in report.reason
    assert "upwards" in report.reason


def test_rows_without_usable_time_are_reported_where_the_frame_moves(read, rejected):
    rows = f"{HEADER}{GOOD}3,39.2,-98.1,1.2,\n4,39.2,-98.1,1.2,1980-01-06T00:00:00Z\n"
    upload = read(rows, frame="ITRF2020")
    assert [report.row for report in rejected(upload)] == [3, 4]
    assert all("--epoch" in report.remedy for report in rejected(upload))
    upload = read(rows, frame="ITRF2020", epoch=2026.9)
    assert upload.account.shots == 4


FUTURE = "3,39.2,-98.1,1.2,2056-11-17T14:00:10Z\n"


def test_a_time_in_the_future_is_not_used_where_the_frame_stands_still(read):
    received = np.datetime64("2026-11-20").item()
    upload = read(f"{HEADER}{GOOD}{FUTURE}", received=received)
    assert np.isnat(upload.shots.time).tolist() == [False, False, True]
    assert "left out" in upload.reports[0].reason


def test_a_time_in_the_future_moves_no_shot_where_the_frame_moves(read, rejected):
    # ITRF2020 coordinates in North America move by some 2 cm a year (plate motion, ITRF2020
    # documentation): thirty years would be half a metre.
    received = np.datetime64("2026-11-20").item()
    upload = read(f"{HEADER}{GOOD}{FUTURE}", frame="ITRF2020", received=received)
    (report,) = rejected(upload)
    assert report.row == 3
    assert "later than the day" in report.reason
    assert "--epoch" in report.remedy
    declared = read(f"{HEADER}{GOOD}{FUTURE}", frame="ITRF2020", epoch=2026.9, received=received)
    assert declared.account.shots == 3


def test_a_time_of_the_day_after_is_taken_as_another_time_zone(read):
    upload = read(f"{HEADER}{GOOD}", frame="ITRF2020", received=np.datetime64("2026-11-16").item())
    assert upload.account.shots == 2


def test_an_antenna_height_in_feet_in_a_metre_column_is_remarked_on(read):
    upload = read("Lat,Lon,Antenna height (m)\n39.2,-98.1,2.0\n39.2,-98.1,6.56\n")
    (report,) = upload.reports
    assert report.accepted
    assert "6.56" in report.reason
    assert "another unit" in report.reason


def test_degrees_in_a_file_of_grid_coordinates_are_reported(read, rejected):
    upload = read(
        "Easting (m),Northing (m)\n600000.5,4350000.5\n-98.12345,39.2345\n600001.5,4350001.5\n",
        frame="EPSG:26914",
    )
    (report,) = rejected(upload)
    assert (report.row, report.line_number) == (2, 3)
    assert "degrees" in report.reason


def test_rows_in_another_frame_are_reported():
    text = "Lat,Lon,Datum\n39.2,-98.1,ITRF2020\n39.2,-98.1,NAD27\n39.2,-98.1,ITRF2020\n"
    mapping = mapping_from_toml(
        'format = "delimited"\n[frame]\ncrs = "ITRF2020"\nepoch = 2026.9\n'
        '[columns.latitude]\ncolumn = "Lat"\n[columns.longitude]\ncolumn = "Lon"\n'
        '[columns.frame]\ncolumn = "Datum"\nonly = ["ITRF2020"]\n',
        "m.toml",
    )
    upload = read_upload(text.encode(), "f.csv", mapping, tag="A", source_index=0)
    (report,) = upload.reports
    assert report.line_number == 3
    assert "NAD27" in report.reason


def test_words_that_are_not_known_keep_their_row(read):
    upload = read("Lat,Lon,Utility,Fix\n39.2,-98.1,gas,RTK fixed\n39.2,-98.1,plasma,sort of\n")
    assert upload.account.shots == 2
    assert {(r.field, r.value) for r in upload.reports} == {
        ("utility", "plasma"),
        ("fix", "sort of"),
    }
    assert all(r.accepted for r in upload.reports)


def test_a_million_equal_remarks_are_summed_up(read):
    upload = read("Lat,Lon,Depth (m)\n" + "39.2,-98.1,30\n" * 1000)
    assert upload.account.shots == 1000
    assert len(upload.reports) == 201
    assert "800 more rows" in upload.reports[-1].reason


def test_bytes_that_are_no_text_are_remarked_on(read):
    data = b"Lat,Lon,Note,Depth m\n" + b"39.2,-98.1,ok,1\n" * 100_000 + b"39.2,-98.1,\xff,1\n"
    mapping = guess_mapping(data[:2000], "f.csv", hints={"frame": "NAD83(2011)"}).mapping
    assert mapping.encoding == "utf-8"
    upload = read_upload(data, "f.csv", mapping, tag="A", source_index=0)
    assert upload.account.shots == 100_001
    (report,) = upload.reports
    assert report.line_number == 100_002
    assert "utf-8" in report.reason


def test_a_mapping_for_another_file_names_the_column_that_is_missing():
    mapping = Mapping(
        frame=Frame("NAD83(2011)"),
        columns={"latitude": Column("Lat", "deg"), "longitude": Column("Lon", "deg")},
    )
    with pytest.raises(InputError, match="'Lon'") as caught:
        read_upload(b"Lat,Easting\n39.2,1\n", "f.csv", mapping, tag="A", source_index=0)
    assert "Lat, Easting" in caught.value.remedy


def test_coordinates_of_the_wrong_kind_for_the_frame_are_refused():
    mapping = Mapping(
        frame=Frame("EPSG:26914"),
        columns={"latitude": Column("Lat", "deg"), "longitude": Column("Lon", "deg")},
    )
    with pytest.raises(SettingsError, match="grid"):
        read_upload(b"Lat,Lon\n39.2,-98\n", "f.csv", mapping, tag="A", source_index=0)


@pytest.mark.parametrize(
    ("hints", "what"),
    [
        ({"antenna_height": "1.8"}, "unit"),
        ({"antenna_height": "tall"}, "unit"),
        ({"heights": "above sea"}, "above sea"),
        ({"zone": "Nowhere/Land"}, "Nowhere"),
        ({"utility": "plasma"}, "plasma"),
        ({"units": {"Nope": "ft"}}, "Nope"),
        ({"units": {"Depth (m)": "furlong"}}, "furlong"),
        ({"units": {"Lat": "miles"}}, "miles"),
        ({"epoch": -4}, "-4"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_hints_that_cannot_be_used_are_named(hints, what):
    with pytest.raises((InputError, SettingsError), match=what):
        guess_mapping((HEADER + GOOD).encode(), "f.csv", hints={"frame": "NAD83(2011)", **hints})


def test_hints_become_the_mapping():
    guess = guess_mapping(
        (HEADER + GOOD).encode(),
        "f.csv",
        hints={
            "frame": "ITRF2020",
            "epoch": 2026.9,
            "antenna_height": "6 ft",
            "position_of": "ground",
            "receiver": "SN-1",
            "utility": "gas",
            "crew": "3",
            "position_accuracy": 0.5,
        },
    )
    mapping = guess.mapping
    assert mapping.antenna_height == pytest.approx(1.8288)
    assert (mapping.position_of, mapping.receiver, mapping.crew) == ("ground", "SN-1", "3")
    upload = read_upload((HEADER + GOOD).encode(), "f.csv", mapping, tag="A", source_index=0)
    assert upload.source.position_accuracy == 0.5
    assert upload.source.frame.epoch == 2026.9
    assert upload.shots.utility.tolist() == [2, 2]


def test_uploads_are_joined_in_order(read):
    first, second = read(HEADER + GOOD), read(HEADER + GOOD + "3,,,,\n5,x,,,\n")
    intake = join_uploads([first, second])
    assert len(intake.shots) == 4
    assert [account.balanced for account in intake.accounts] == [True, True]
    assert len(join_uploads([first]).shots) == 2
    assert len(join_uploads([]).shots) == 0


def test_the_same_bytes_give_the_same_results_from_memory_and_from_disk(tmp_path, read):
    path = tmp_path / "odd name, with\nline end '\".csv"
    path.write_text(HEADER + GOOD + "3,x,y,z,\n", encoding="utf-8")
    mapping = guess_mapping(path, path.name, hints={"frame": "NAD83(2011)"}).mapping
    a = read_upload(path, path.name, mapping, tag="A", source_index=0)
    b = read_upload(path.read_bytes(), path.name, mapping, tag="A", source_index=0)
    assert a.source == b.source
    assert a.reports == b.reports
    assert np.array_equal(a.shots.x, b.shots.x)


def test_a_file_that_is_not_there_is_an_input_error(tmp_path):
    with pytest.raises(InputError, match="can't be read"):
        guess_mapping(tmp_path / "nothing.csv", "nothing.csv")


def test_json_that_is_no_geojson_is_refused():
    with pytest.raises((InputError, AmbiguityError)):
        guess_mapping(json.dumps({"type": "FeatureCollection"}).encode(), "f.geojson")
