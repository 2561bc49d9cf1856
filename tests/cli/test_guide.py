"""`asfound guide` over a real TCP server at 20 Hz, a pseudo serial port, logs and a screen.

Sentence layouts: NMEA 0183 as summarised in gpsd's "NMEA Revealed" (E. S. Raymond).
"""

import json
import math
import os
import pty
import random
import socket
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
from typer.testing import CliRunner

from asfound.cli.app import app
from asfound.cli.big_words import big
from asfound.cli.guide_screen import ScreenFacts, screen_lines
from asfound.cli.nmea_source import NmeaSource, log_day
from asfound.errors import FrameError, InputError
from asfound.folder.demonstration import build_demo
from asfound.geodesy import GRS80, move_local
from asfound.stakeout import Guidance, LiveState, feed
from asfound.units import length_unit

LON, LAT, HEIGHT = -98.04, 39.272, 400.0


def sentence(body):
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def angle(value, digits):
    whole = int(abs(value))
    return f"{whole:0{digits}d}{(abs(value) - whole) * 60.0:011.8f}"


def epoch(utc, east=0.0, north=0.0, *, fix=4, origin=(LON, LAT, HEIGHT), course=None):
    lon, lat, height = (
        float(v[0])
        for v in move_local(*(np.array([v]) for v in (*origin, east, north, 2.0)), GRS80)
    )
    clock = f"{int(utc // 3600) % 24:02d}{int(utc // 60 % 60):02d}{utc % 60:05.2f}"
    place = f"{angle(lat, 2)},N,{angle(lon, 3)},W"
    moving = f"2.000,{course:.2f}" if course is not None else "0.000,"
    return (
        sentence(f"GNGGA,{clock},{place},{fix},17,0.6,{height:.4f},M,0.0000,M,1.0,0001")
        + sentence(f"GNGST,{clock},0.01,,,,0.0060,0.0060,0.0120")
        + sentence(f"GNRMC,{clock},A,{place},{moving},251126,,,R")
    )


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    path = build_demo(tmp_path_factory.mktemp("guide") / "street", 7).path
    (path / "digs.toml").unlink(missing_ok=True)  # checked elsewhere
    return path


@pytest.fixture(scope="module")
def spot(job):
    """Where the service has the beginning of W1 on the log's day."""
    out = run(job, "stakeout", "--service", "ITRF2020", "--date", "2026-11-25", "--line", "W1",
              "--json")  # fmt: skip
    first = next(t for t in json.loads(out)["targets"] if t["name"] == "W1 0.00 end")
    return first["longitude_deg"], first["latitude_deg"], first["height_m"]


def run(job, command, *more):
    made = CliRunner().invoke(app, [command, str(job), *more])
    if made.exception is not None:
        raise made.exception
    return made.stdout


class Server:
    """A receiver's TCP port: 20 Hz, bad checksums, halves, gaps, jumps, dropped links."""

    def __init__(self, seconds, *, drop_after=None, spoil=True):
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.port = self.listening.getsockname()[1]
        self.seconds, self.drop_after, self.spoil = seconds, drop_after, spoil
        self.links = self.sent = self.spoiled = 0
        self.thread = threading.Thread(target=self.serve, daemon=True)
        self.thread.start()

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.seconds = 0.0
        self.listening.close()
        self.thread.join(2.0)

    def serve(self):
        draw = random.Random(5)
        self.listening.settimeout(10.0)
        began = time.monotonic()
        while time.monotonic() - began < self.seconds:
            try:
                link, _ = self.listening.accept()
            except OSError:
                return
            self.links += 1
            opened = time.monotonic()
            with link:
                while time.monotonic() - began < self.seconds:
                    up = time.monotonic() - opened
                    if self.drop_after and self.links == 1 and up > self.drop_after:
                        break
                    elapsed = time.monotonic() - began
                    data = epoch(70_000.0 + round(elapsed, 2), 0.004 * math.sin(elapsed))
                    if self.spoil:
                        dice = draw.random()
                        if dice < 0.1:
                            data = data[: draw.randrange(len(data))]  # half a sentence
                            self.spoiled += 1
                        elif dice < 0.2:
                            at = draw.randrange(20, len(data))
                            data = data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]
                            self.spoiled += 1
                        elif dice < 0.22:
                            data = bytes(draw.randrange(256) for _ in range(200))
                    try:
                        middle = draw.randrange(1, len(data) + 1)
                        link.sendall(data[:middle])
                        link.sendall(data[middle:])
                    except OSError:
                        break
                    self.sent += 1
                    time.sleep(0.05)


def listened(source, seconds, state=None):
    """State after some seconds, the news, and how long each look for data took."""
    state, news, waits = state or LiveState(), [], []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        began = time.monotonic()
        for item in source.arrived(0.1):
            if item.data:
                state = feed(state, item.data, item.at)
            if item.news:
                news.append(item.news)
        waits.append(time.monotonic() - began)
    return state, news, waits


def test_a_garbled_20_hz_stream_over_tcp_is_read_and_never_waited_for():
    with Server(2.6) as server, NmeaSource(f"tcp://127.0.0.1:{server.port}") as source:
        state, _, waits = listened(source, 2.2)
    assert max(waits) < 0.5
    assert state.counts.used > 60
    assert state.counts.bad_checksum + state.counts.unreadable > 0
    assert state.fix is not None
    assert abs(state.fix.longitude - LON) < 1e-6


def test_a_dropped_link_is_opened_again_and_said():
    with (
        Server(4.0, drop_after=0.6, spoil=False) as server,
        NmeaSource(f"tcp://127.0.0.1:{server.port}") as source,
    ):
        state, news, _ = listened(source, 2.5)
    assert server.links >= 2
    assert any("link lost" in words for words in news)
    assert state.fix is not None
    assert time.monotonic() - state.fix.received < 2.0


def test_a_port_where_nobody_listens_is_tried_again_without_an_end():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with NmeaSource(f"tcp://127.0.0.1:{port}") as source:
        _, news, waits = listened(source, 1.0)
        assert source._thread.is_alive()
    assert news
    assert max(waits) < 0.5


def test_a_serial_port_is_read():
    leader, follower = pty.openpty()
    name = os.ttyname(follower)
    with NmeaSource(f"serial:{name}@115200") as source:
        time.sleep(0.3)
        for k in range(10):
            os.write(leader, epoch(100.0 + 0.05 * k))
        state, _, _ = listened(source, 0.6)
    os.close(leader)
    os.close(follower)
    assert state.counts.used == 30
    assert state.fix is not None


def test_without_the_serial_package_the_remedy_is_said(monkeypatch):
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(InputError, match="pyserial") as raised:
        NmeaSource("serial:/dev/ttyUSB0@115200")
    assert "asfound[serial]" in raised.value.remedy


@pytest.mark.parametrize("address", ["tcp://host", "tcp://:5", "no-such-file.nmea", "serial:x@y"])
def test_addresses_that_are_none_are_refused(address):
    with pytest.raises(InputError):
        NmeaSource(address)


def test_a_logs_day_is_its_own(tmp_path):
    log = tmp_path / "log.nmea"
    log.write_bytes(epoch(100.0))
    assert log_day(log) == (2026, 11, 25)


def test_a_replay_keeps_the_logs_pace_and_its_gaps_grow_stale(tmp_path, job, spot):
    log = tmp_path / "log.nmea"
    lon, lat, height = spot
    log.write_bytes(
        b"".join(epoch(200.0 + 0.1 * k, 3.0, -4.0, origin=(lon, lat, height)) for k in range(20))
        + epoch(212.0, 3.0, -4.0, origin=(lon, lat, height))
    )
    with NmeaSource(str(log), speed=10.0) as source:
        ages, began = [], time.monotonic()
        state = LiveState()
        while True:
            items = source.arrived(0.02)
            for item in items:
                state = feed(state, item.data, item.at) if item.data else state
            if state.fix is not None:
                ages.append(source.clock() - state.fix.received)
            if items and items[-1].ended:
                break
    assert 0.4 < time.monotonic() - began < 2.0  # 12 s of log with a gap cut to 5 s, 10 times
    assert max(ages) > 1.5


def test_json_has_one_line_a_fix_and_says_here_only_where_it_may(tmp_path, job, spot):
    log = tmp_path / "log.nmea"
    origin = tuple(spot)
    parts = [epoch(300.0 + 0.1 * k, 3.0, 4.0, origin=origin, course=0.0) for k in range(20)]
    parts += [epoch(302.0 + 0.1 * k, 0.0, 0.0, fix=5, origin=origin) for k in range(20)]
    parts += [epoch(304.0 + 0.1 * k, 0.0, 0.0, fix=4, origin=origin) for k in range(30)]
    log.write_bytes(b"".join(parts))
    out = run(job, "guide", "W1 0.00 end", "--nmea", str(log), "--service", "ITRF2020",
              "--replay", "0", "--tolerance", "0.3m", "--json")  # fmt: skip
    fixes = [json.loads(line) for line in out.splitlines()]
    assert len(fixes) == 70
    far, floating, last = fixes[10], fixes[39], fixes[-1]
    assert far["distance_m"] == pytest.approx(5.0, abs=0.01)
    assert far["by"] == "course"
    assert far["ahead_m"] == pytest.approx(-4.0, abs=0.01)
    assert far["right_m"] == pytest.approx(-3.0, abs=0.01)
    assert not floating["here"]
    assert not floating["on_spot"]
    assert any("not fixed" in words for words in floating["refusals"])
    assert last["here"], last["refusals"]
    assert not any(fix["here"] for fix in fixes[:40])
    assert last["target_95_m"] > 0.02


def test_at_the_recorded_spot_a_poorly_known_line_is_not_called_here(tmp_path, job, spot):
    log = tmp_path / "log.nmea"
    log.write_bytes(b"".join(epoch(300.0 + 0.1 * k, origin=tuple(spot)) for k in range(30)))
    out = run(job, "guide", "W1@0", "--nmea", str(log), "--service", "ITRF2020", "--replay", "0",
              "--tolerance", "0.05m", "--json")  # fmt: skip
    last = json.loads(out.splitlines()[-1])
    assert last["on_spot"]
    assert not last["here"]


def test_standard_input_is_a_stream_too(job, spot):
    data = b"".join(epoch(300.0 + 0.1 * k, origin=tuple(spot)) for k in range(5))
    made = subprocess.run(
        [sys.executable, "-m", "asfound.cli", "guide", str(job), "A-17", "--nmea", "-",
         "--service", "ITRF2020", "--json"],
        input=data, capture_output=True, check=True, timeout=60,
    )  # fmt: skip
    assert len(made.stdout.splitlines()) >= 5


def test_ctrl_c_ends_it_cleanly_while_the_link_is_live(job):
    with Server(30.0, spoil=False) as server:
        program = subprocess.Popen(
            [sys.executable, "-m", "asfound.cli", "guide", str(job), "A-17",
             "--nmea", f"tcp://127.0.0.1:{server.port}", "--service", "ITRF2020", "--json"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert program.stdout is not None
        json.loads(program.stdout.readline())
        program.send_signal(2)
        _, trouble = program.communicate(timeout=10)
        assert program.returncode == 130
        assert "Traceback" not in trouble


def test_a_target_or_frame_that_is_none_is_refused_with_a_remedy(job, tmp_path):
    log = tmp_path / "log.nmea"
    log.write_bytes(epoch(1.0))
    with pytest.raises(InputError, match="nothing in the job is called"):
        run(job, "guide", "Z-99", "--nmea", str(log), "--service", "ITRF2020")
    with pytest.raises(FrameError):
        run(job, "guide", "A-17", "--nmea", str(log), "--service", "Utopia")


FACTS = ScreenFacts("A-17 (shot, gas line G1)", "ITRF2020 at epoch 2026.95", length_unit("m"),
                    0.1, 1.2)  # fmt: skip


def live(ahead, right, **more):
    given = {
        "status": "live", "fix": "RTK fixed", "age": 0.1, "ahead": ahead, "right": right,
        "east": right, "north": ahead, "distance": math.hypot(ahead, right),
        "bearing": math.atan2(right, ahead), "by": "course", "here_95": 0.02,
        "target_95": 0.08, "both_95": 0.09, "up": 0.1,
    }  # fmt: skip
    return Guidance(**(given | more))


def test_the_screen_says_the_longer_way_first_and_large():
    lines = screen_lines(live(3.42, -0.85), FACTS)
    assert lines[2:5] == big("ahead 3.42 m")
    assert "left 0.85 m" in lines[5]
    assert "ITRF2020 at epoch 2026.95" in lines[1]
    assert all(len(line) <= 80 for line in lines)
    assert len(lines) <= 24


def test_the_tapes_stand_where_the_target_is_and_rescale():
    near, far = (
        next(
            line for line in screen_lines(live(size, 0.0), FACTS) if "ahead" in line and "V" in line
        )
        for size in (0.4, 40.0)
    )
    assert " 0.5 " in near
    assert " 50 " in far
    assert near.index("V") == far.index("V") > near.index("0'")


def test_the_plan_is_to_scale_and_shows_the_targets_circle():
    lines = screen_lines(live(0.5, 0.8, both_95=0.3, target_95=0.29), FACTS, height=40)
    top = next(k for k, line in enumerate(lines) if "course up" in line)
    rows = [line[:64] for line in lines[top : top + 15]]
    me = [(r, row.index("^")) for r, row in enumerate(rows) if "^" in row]
    target = [(r, row.index("X")) for r, row in enumerate(rows) if "X" in row]
    (my_row, my_column), (row, column) = me[0], target[0]
    assert row < my_row
    assert column > my_column
    assert (column - my_column) / 2 / (my_row - row) == pytest.approx(0.8 / 0.5, rel=0.25)
    assert any("." in r for r in rows)


def test_a_stale_position_shows_no_numbers():
    stale = Guidance("stale", "RTK fixed", 3.2, refusals=("the last position is 3.2 s old",))
    lines = screen_lines(stale, FACTS, "link lost (closed by the other end), trying again")
    assert lines[2:5] == big("stale")
    text = "\n".join(lines)
    assert "ahead" not in text
    assert "3.2 s old" in text
    assert "link lost" in text


def test_here_and_on_the_recorded_spot_read_differently():
    assert big("here") == screen_lines(live(0.01, 0.0, here=True, on_spot=True), FACTS)[2:5]
    lines = screen_lines(
        live(0.01, 0.0, on_spot=True, refusals=("the chance to be within 0.100 m is 40 %",)), FACTS
    )
    assert lines[2:5] == big("on spot")
    assert any("known" in line for line in lines)


def test_feet_are_shown_as_the_jobs_feet():
    facts = ScreenFacts("T", "F", length_unit("ftUS"), 0.03048, 1.0)
    lines = screen_lines(live(0.3048006096, 0.0), facts)
    assert lines[2:5] == big("ahead 1.00 ftUS")
    refused = live(1.0, 0.0, refusals=("the chance to be within 0.305 m is 40 %",))
    assert any("1.00" in line and "ft" in line for line in screen_lines(refused, facts)[-4:])


def test_a_terminal_with_ascii_only_gets_plain_words():
    lines = screen_lines(live(3.42, -0.85), FACTS, unicode=False)
    assert "\n".join(lines).isascii()
    assert any("AHEAD 3.42 M" in line for line in lines)
