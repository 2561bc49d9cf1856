"""Any bytes end in accepted rows plus reports, or are refused with a reason; no row is lost."""

import csv
import io

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asfound.errors import AsfoundError
from asfound.intake import guess_mapping, mapping_from_toml, mapping_to_toml, read_upload
from asfound.intake import rows as rows_module
from asfound.intake.nmea import read_log
from asfound.intake.track import track_of

CALM = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
MAPPING = mapping_from_toml(
    'format = "delimited"\n[frame]\ncrs = "NAD83(2011)"\n'
    '[columns.latitude]\ncolumn = "Lat"\n[columns.longitude]\ncolumn = "Lon"\n'
    '[columns.depth]\ncolumn = "Depth"\nunit = "ft in"\n[columns.time]\ncolumn = "Time"\n'
    '[columns.utility]\ncolumn = "Util"\n[columns.note]\ncolumn = "Note"\n',
    "m.toml",
)
HEADER = "Lat,Lon,Depth,Time,Util,Note\n"


def _account_for(upload, data):
    account = upload.account
    assert account.rows == account.shots + account.sweep_readings + account.reported
    assert len(upload.shots) == account.shots
    assert account.reported == sum(not report.accepted for report in upload.reports)
    rows = {*upload.shots.row.tolist(), *(r.row for r in upload.reports if not r.accepted)}
    assert rows == set(range(1, account.rows + 1))
    lines = data.count(b"\n") + data.count(b"\r") + 2
    for report in upload.reports:
        assert report.reason
        assert report.remedy
        assert 1 <= report.line_number <= lines
    assert np.isfinite(upload.shots.x).all()
    assert (np.abs(upload.shots.y) <= 90).all()
    assert not (upload.shots.depth < 0).any()


@CALM
@given(st.binary(max_size=400))
def test_any_bytes_behind_a_header_are_accounted_for(tail):
    data = HEADER.encode() + tail
    _account_for(read_upload(data, "f.csv", MAPPING, tag="A", source_index=0), data)


_CELLS = st.one_of(
    st.sampled_from(
        ["39.2", "-98.1", "95", "nan", "inf", "1e999", "", "3' 6\"", "-1", "30", "gas", '"', ",",
         "2026-11-17T14:00:00Z", "1970-01-01", "39\u00b012'N", "\n", "\r", "a,b", "0", "1_0",
         "0x1p3", "\u0663", "--", "'"]
    ),
    st.text(max_size=6),
)  # fmt: skip


@CALM
@given(st.lists(st.lists(_CELLS, max_size=8), max_size=8), st.sampled_from(["\n", "\r\n"]))
def test_any_table_that_was_written_properly_is_accounted_for_row_by_row(rows, end):
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator=end).writerows(rows)
    data = (HEADER + text.getvalue()).encode("utf-8", "replace")
    upload = read_upload(data, "f.csv", MAPPING, tag="A", source_index=0)
    _account_for(upload, data)


@CALM
@given(st.lists(st.lists(_CELLS, min_size=6, max_size=6), max_size=8), st.integers(1, 40))
def test_blocks_of_any_size_give_the_same_upload(rows, size):
    text = io.StringIO(newline="")
    csv.writer(text).writerows(rows)
    data = (HEADER + text.getvalue()).encode("utf-8", "replace")
    whole = read_upload(data, "f.csv", MAPPING, tag="A", source_index=0)
    before = rows_module.BLOCK_BYTES
    rows_module.BLOCK_BYTES = size
    try:
        parts = read_upload(data, "f.csv", MAPPING, tag="A", source_index=0)
    finally:
        rows_module.BLOCK_BYTES = before
    assert parts.account == whole.account
    assert parts.shots.line_number.tolist() == whole.shots.line_number.tolist()
    assert parts.shots.note.words().tolist() == whole.shots.note.words().tolist()
    assert np.array_equal(parts.shots.depth, whole.shots.depth, equal_nan=True)
    rejected = [(r.row, r.line_number) for r in parts.reports if not r.accepted]
    assert rejected == [(r.row, r.line_number) for r in whole.reports if not r.accepted]


_STARTS = [
    b"", b"Lat,Lon,Depth (m)\n", b"\xef\xbb\xbf", b"\xff\xfe", b"$GPGGA,1,2\n", b"{", b"<kml>",
    b"PK\x03\x04", b"SQLite format 3\x00", b"\x00\x00\x27\x0a", b"# c\n",
]  # fmt: skip
_NAMES = ["f.csv", "f.txt", "f.geojson", "f.kml", "f.gpkg", "f.shp", "f.zip", "f.nmea"]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(_STARTS), st.binary(max_size=300), st.sampled_from(_NAMES))
def test_any_file_is_guessed_and_read_or_refused_with_a_reason(start, tail, name):
    data = start + tail
    try:
        guess = guess_mapping(data, name, hints={"frame": "NAD83(2011)", "heights": "none"})
        mapping = mapping_from_toml(mapping_to_toml(guess.mapping), "m.toml")
        assert bool(guess.ambiguities) or mapping == guess.mapping
        upload = read_upload(data, name, mapping, tag="A", source_index=0)
    except AsfoundError:
        return
    _account_for(upload, data)


_TITLES = st.sampled_from(
    ["Lat", "Lon", "Latitude (DMS)", "X", "Y", "Easting ft", "Depth", "Depth (m)", "Time", "Date",
     "Local time", "Utility", "Type", "Fix", "Height", "Elevation (ft)", "CRS", "N/S", "E/W",
     "Tape", "Reading (mA)", "Coil", "Sweep", "Start lat", "", "Depth unit", "#", "\u00e9"]
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(_TITLES, min_size=1, max_size=9), st.data())
def test_any_titles_over_any_cells_are_guessed_without_a_fault(titles, draw):
    rows = draw.draw(
        st.lists(st.lists(_CELLS, min_size=len(titles), max_size=len(titles)), max_size=6)
    )
    text = io.StringIO(newline="")
    csv.writer(text).writerows([titles, *rows])
    data = text.getvalue().encode("utf-8", "replace")
    try:
        guess = guess_mapping(data, "f.csv", hints={"frame": "ITRF2020", "zone": "America/Chicago"})
        list(guess.rows())
        mapping = mapping_from_toml(mapping_to_toml(guess.mapping), "m.toml")
        upload = read_upload(data, "f.csv", mapping, tag="A", source_index=0)
    except AsfoundError:
        return
    assert upload.account.balanced


_LINES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
         b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
         b"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39", b"$GPGGA*56", b"$*00", b"$GPGGA,,*7A"]
    ),
)  # fmt: skip


@CALM
@given(st.lists(_LINES, max_size=12))
def test_any_log_is_sentences_and_bad_lines(lines):
    data = b"\n".join(lines)
    log = read_log(data, "log")
    physical = [line for line in data.split(b"\n") if line.strip()]
    sound = sum(len(found) for found in log.sentences.values()) + log.others
    assert sound + len(log.bad) == len(physical)
    try:
        track, _ = track_of(log, "log")
    except AsfoundError:
        return
    assert (np.diff(track.time) > np.timedelta64(0)).all()


@pytest.mark.parametrize("size", [0, 1, 2, 3, 4, 5])
def test_files_of_a_few_bytes_are_refused_not_crashed_on(size):
    for byte in (b"\x00", b"\xff", b"a", b'"', b",", b"\n", b"$", b"#"):
        try:
            guess_mapping(byte * size, "f.csv")
        except AsfoundError:
            continue
