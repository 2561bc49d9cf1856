"""NMEA logs as tracks, and readings placed on them by time."""

import time

import numpy as np
import pytest

from asfound.errors import AmbiguityError, InputError, SettingsError
from asfound.intake import guess_mapping, mapping_from_toml, mapping_to_toml, read_upload
from asfound.intake.nmea import read_log
from asfound.intake.track import place_by_time, track_of
from asfound.model import Fix


def sentence(body):
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}"


def packed(degrees, digits, letters):
    whole, rest = divmod(abs(degrees), 1)
    return f"{int(whole):0{digits}d}{rest * 60:011.8f},{letters[degrees < 0]}"


def epoch(clock, latitude, longitude, quality=4, altitude=405.0, talker="GN", age="1.0"):
    """GGA of a time of day hhmmss.ss."""
    return sentence(
        f"{talker}GGA,{clock},{packed(latitude, 2, 'NS')},{packed(longitude, 3, 'EW')},{quality},"
        f"14,0.7,{altitude:.3f},M,-29.0,M,{age},0001"
    )


def rmc(clock, day="171126"):
    return sentence(f"GNRMC,{clock},A,,,,,1.944,0.0,{day},,,R,V")


def gst(clock):
    return sentence(f"GNGST,{clock},0.01,0.012,0.009,45.0,0.008,0.009,0.016")


def log_of(*lines):
    return ("\r\n".join(lines) + "\r\n").encode()


LOG = log_of(
    rmc("140000.00"),
    epoch("140000.00", 39.2, -98.1),
    gst("140000.00"),
    epoch("140001.00", 39.20001, -98.10002, quality=5),
    rmc("140001.00"),
    epoch("140010.00", 39.2001, -98.1002),
    epoch("140011.00", 39.20011, -98.10021, quality=0),
)


def test_any_talker_and_hemisphere_is_read():
    data = log_of(
        rmc("120000.00"),
        epoch("120000.00", -35.25, 149.125, talker="GA"),
        epoch("120001.00", 39.25, -98.125, talker="QQ"),
    )
    track, bad = track_of(read_log(data, "log"), "log")
    assert bad == []
    assert track.latitude == pytest.approx([-35.25, 39.25], abs=1e-10)
    assert track.longitude == pytest.approx([149.125, -98.125], abs=1e-10)
    assert track.height == pytest.approx([376.0, 376.0])


def test_dates_pass_midnight():
    data = log_of(
        epoch("235958.00", 39.2, -98.1),
        rmc("235959.00", "311226"),
        epoch("235959.00", 39.2, -98.1),
        epoch("000000.00", 39.2, -98.1),
        rmc("000000.00", "010127"),
        epoch("000001.00", 39.2, -98.1),
    )
    track, _ = track_of(read_log(data, "log"), "log")
    assert track.time.astype("datetime64[s]").tolist() == [
        np.datetime64(text).item()
        for text in (
            "2026-12-31T23:59:58", "2026-12-31T23:59:59", "2027-01-01T00:00:00",
            "2027-01-01T00:00:01",
        )
    ]  # fmt: skip


def test_bad_lines_are_listed_and_the_rest_is_used():
    good = [rmc("140000.00"), epoch("140000.00", 39.2, -98.1)]
    bad = [
        "$GNGGA,1400",
        epoch("140001.00", 39.2, -98.1).replace("14,0.7", "15,0.7"),
        "battery low",
        "$GNGGA,140002.00,39\u00b0*00",
        sentence("GNGGA,140003.00,3912.0,N"),
        epoch("140004.00", 39.2, -98.1)[:-3],
    ]
    log = read_log(log_of(good[0], *bad, good[1], "", sentence("GPGSV,1,1,00")), "log")
    assert [item.line for item in log.bad] == [2, 3, 4, 5, 6, 7]
    assert "checksum says" in log.bad[1].reason
    assert "no NMEA sentence" in log.bad[2].reason
    assert "3 fields" in log.bad[4].reason
    assert log.others == 1
    assert len(track_of(log, "log")[0]) == 1


def test_logs_are_the_same_whatever_the_block_size(monkeypatch):
    from asfound.intake import nmea

    whole = read_log(LOG, "log")
    for size in (1, 7, 50, 100):
        monkeypatch.setattr(nmea, "BLOCK_BYTES", size)
        parts = read_log(LOG, "log")
        assert {k: v.line.tolist() for k, v in parts.sentences.items()} == {
            k: v.line.tolist() for k, v in whole.sentences.items()
        }
        assert [f.to_pylist() for f in parts.sentences["GGA"].fields] == [
            f.to_pylist() for f in whole.sentences["GGA"].fields
        ]


def test_readings_lie_between_the_epochs_before_and_after_them():
    track, bad = track_of(read_log(LOG, "log"), "log")
    assert [item.line for item in bad] == [7]
    at = np.array(
        ["2026-11-17T14:00:00.250", "2026-11-17T14:00:01", "2026-11-17T14:00:05",
         "2026-11-17T13:59:59.9", "2026-11-17T14:00:10.1", "NaT"],
        "datetime64[us]",
    )  # fmt: skip
    placed = place_by_time(at, track)
    # The third lies in a gap of nine seconds; the fourth and fifth beyond the ends.
    assert placed.found.tolist() == [True, True, False, False, False, False]
    assert placed.latitude[:2] == pytest.approx([39.2000025, 39.20001], abs=1e-10)
    assert placed.longitude[:2] == pytest.approx([-98.100005, -98.10002], abs=1e-10)
    assert np.isnan(placed.latitude[2:]).all()
    assert placed.columns["fix"][:2].tolist() == [Fix.RTK_FLOAT, Fix.RTK_FLOAT]


def test_the_antimeridian_is_crossed_the_short_way():
    data = log_of(
        rmc("140000.00"), epoch("140000.00", 0.0, 179.9999), epoch("140001.00", 0.0, -179.9999)
    )
    track, _ = track_of(read_log(data, "log"), "log")
    half = np.array(["2026-11-17T14:00:00.5"], "datetime64[us]")
    assert abs(place_by_time(half, track).longitude[0]) == pytest.approx(180.0, abs=1e-9)


FRAME = {"frame": "ITRF2020", "epoch": 2026.88}
READINGS = (
    b"Time (UTC),Depth (m),Utility\n"
    b"2026-11-17T14:00:00.5Z,1.2,gas\n"
    b"2026-11-17T14:00:05Z,1.3,gas\n"
    b",1.3,gas\n"
    b"2026-11-17T14:00:01Z,-1,gas\n"
)


def test_readings_without_position_become_shots_or_reports():
    guess = guess_mapping(READINGS, "em.csv", hints=FRAME)
    assert guess.mapping.kind == "readings without position"
    assert guess.ambiguities == ()
    mapping = mapping_from_toml(mapping_to_toml(guess.mapping), "m")
    upload = read_upload(READINGS, "em.csv", mapping, tag="A", source_index=0, track=LOG)
    assert upload.account.rows == 4
    assert upload.account.shots == 1
    assert upload.shots.x[0] == pytest.approx(-98.10001, abs=1e-9)
    assert upload.shots.height[0] == pytest.approx(376.0)
    assert upload.shots.fix[0] == Fix.RTK_FLOAT
    assert upload.shots.depth[0] == 1.2
    reports = {r.row: r.reason for r in upload.reports if not r.accepted}
    assert "no positions within 2 s" in reports[2]
    assert "no usable time" in reports[3]
    assert "upwards" in reports[4]
    (remark,) = [r for r in upload.reports if r.accepted]
    assert (remark.file, remark.line_number) == ("track of em.csv", 7)
    assert "quality 0" in remark.reason


def test_readings_without_position_need_a_track_and_a_geographic_frame():
    mapping = guess_mapping(
        READINGS, "em.csv", hints={"frame": "ITRF2020", "epoch": 2026.88}
    ).mapping
    with pytest.raises(InputError, match="no track") as caught:
        read_upload(READINGS, "em.csv", mapping, tag="A", source_index=0)
    assert "--track" in caught.value.remedy
    grid = guess_mapping(READINGS, "em.csv", hints={"frame": "EPSG:26914"}).mapping
    with pytest.raises(SettingsError, match="degrees"):
        read_upload(READINGS, "em.csv", grid, tag="A", source_index=0, track=LOG)


def test_a_log_without_date_or_position_is_refused_as_a_track():
    mapping = guess_mapping(
        READINGS, "em.csv", hints={"frame": "ITRF2020", "epoch": 2026.88}
    ).mapping
    for data, what in (
        (log_of(epoch("140000.00", 39.2, -98.1)), "date"),
        (log_of(rmc("140000.00")), "no GGA"),
        (b"", "no GGA"),
    ):
        with pytest.raises(InputError, match=what):
            read_upload(READINGS, "em.csv", mapping, tag="A", source_index=0, track=data)


def test_a_log_alone_is_no_upload_until_the_user_says_so():
    guess = guess_mapping(LOG, "log.nmea", hints={"frame": "ITRF2020"})
    assert any("--track" in doubt.remedy for doubt in guess.ambiguities)
    with pytest.raises(AmbiguityError):
        read_upload(LOG, "log.nmea", guess.mapping, tag="A", source_index=0)
    text = mapping_to_toml(guess.mapping).replace('kind = "?"', 'kind = "shots"')
    mapping = mapping_from_toml(text, "m.toml")
    upload = read_upload(LOG, "log.nmea", mapping, tag="A", source_index=0)
    assert (upload.account.rows, upload.account.shots, upload.account.reported) == (4, 3, 1)
    assert upload.shots.line_number.tolist() == [2, 4, 6]
    assert upload.shots.up_sd[0] == 0.016
    assert upload.shots.speed[0] == pytest.approx(1.0, rel=1e-3)


@pytest.mark.slow
def test_an_hour_at_twenty_hertz_is_read_in_seconds():
    body = [
        f"GNGGA,{14 + k // 72000:02d}{k // 1200 % 60:02d}{k / 20 % 60:05.2f},3912.00000000,N,"
        f"09806.{k % 100000:05d}000,W,4,14,0.7,405.000,M,-29.0,M,1.0,0001"
        for k in range(72_000)
    ]
    lines = [sentence(text) for text in body]
    data = log_of(rmc("140000.00"), *lines)
    started = time.process_time()
    track, bad = track_of(read_log(data, "log"), "log")
    assert time.process_time() - started < 10
    assert len(track) == 72_000
    assert bad == []
