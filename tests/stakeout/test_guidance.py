"""Guidance over streams as receivers send them, and as bad links garble them.

Sentence layouts: NMEA 0183 as summarised in gpsd's "NMEA Revealed" (E. S. Raymond).
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asfound.geodesy import GRS80, move_local
from asfound.model import Fix, Frame, JobSettings
from asfound.stakeout import (
    GuidanceSettings,
    LiveState,
    LiveTarget,
    feed,
    guide,
    live_target,
    point_targets,
    to_service,
)

LON, LAT, HEIGHT = -104.8, 39.0, 1650.0
TARGET = LiveTarget("T", LON, LAT, HEIGHT, 1.2, np.diag([0.008**2, 0.008**2, 0.02**2]))
STANDING = GuidanceSettings()


def sentence(body):
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def clock_of(utc):
    utc %= 86400.0
    return f"{int(utc // 3600):02d}{int(utc // 60 % 60):02d}{utc % 60:05.2f}"


def angle(value, digits):
    whole = int(abs(value))
    return f"{whole:0{digits}d}{(abs(value) - whole) * 60.0:011.8f}"


def epoch(utc, east, north, *, fix=4, sd=0.006, age=1.0, course=None, speed=0.0, up=0.0):
    """GGA, GST and RMC of an antenna two metres above a spot east and north of the target."""
    lon, lat, height = (
        float(v[0])
        for v in move_local(
            *(np.array([v]) for v in (LON, LAT, HEIGHT, east, north, 2.0 + up)), GRS80
        )
    )
    place = f"{angle(lat, 2)},N,{angle(lon, 3)},W"
    gga = (
        f"GNGGA,{clock_of(utc)},{place},{fix},17,0.6,{height + 20:.4f},M,-20.0000,M,{age:.1f},0001"
    )
    gst = f"GNGST,{clock_of(utc)},0.01,,,,{sd:.4f},{sd:.4f},{2 * sd:.4f}"
    told = f"{course:.2f}" if course is not None else ""
    rmc = f"GNRMC,{clock_of(utc)},A,{place},{speed / 0.514444:.3f},{told},251126,,,R"
    return sentence(gga) + sentence(gst) + sentence(rmc)


def walked(seconds, east, north, *, start=0.0, clock=100.0, state=None, rate=20.0, **more):
    """State and clock after a stretch of standing at one spot."""
    state = LiveState() if state is None else state
    for k in range(int(seconds * rate)):
        now = clock + k / rate
        state = feed(state, epoch(start + k / rate, east, north, **more), now)
    return state, clock + (int(seconds * rate) - 1) / rate


def test_standing_on_the_target_with_a_fixed_solution_one_may_say_here():
    state, now = walked(3.0, 0.01, -0.005)
    view = guide(state, TARGET, now)
    assert view.status == "live"
    assert view.here
    assert view.refusals == ()
    assert view.east == pytest.approx(-0.01, abs=1e-4)
    assert view.north == pytest.approx(0.005, abs=1e-4)
    assert view.up == pytest.approx(0.0, abs=1e-3)
    assert view.consistent
    assert view.here_95 == pytest.approx(2.4477 * math.hypot(0.006, 0.005), rel=1e-3)
    assert view.target_95 == pytest.approx(2.4477 * 0.008, rel=1e-3)


def test_ahead_and_right_follow_the_course_while_it_is_known_and_north_otherwise():
    state, now = walked(2.0, -3.0, -4.0, course=90.0, speed=1.2)
    view = guide(state, TARGET, now)
    assert view.by == "course"
    assert view.ahead == pytest.approx(3.0, abs=1e-3)  # walking east: the target's east is ahead
    assert view.right == pytest.approx(-4.0, abs=1e-3)  # and its north to the left
    assert view.distance == pytest.approx(5.0, abs=1e-3)
    assert view.bearing == pytest.approx(math.atan2(3.0, 4.0), abs=1e-3)
    north = guide(state, TARGET, now, GuidanceSettings(by="north"))
    assert (north.by, round(north.ahead, 2), round(north.right, 2)) == ("north", 4.0, 3.0)
    state, now = walked(25.0, -3.0, -4.0, state=state, start=2.0, clock=now + 0.05)
    assert guide(state, TARGET, now).by == "north"  # standing too long: the course is forgotten


def test_a_slow_course_is_not_believed():
    state, now = walked(2.0, -3.0, -4.0, course=90.0, speed=0.1)
    assert guide(state, TARGET, now).by == "north"


def test_height_says_how_far_the_targets_ground_is_above_the_tip():
    state, now = walked(2.0, 0.0, 0.0, up=-0.3)
    assert guide(state, TARGET, now).up == pytest.approx(0.3, abs=1e-3)


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"fix": 5}, "float"),
        ({"fix": 1}, "autonomous"),
        ({"fix": 2}, "differential"),
        ({"age": 25.0}, "corrections are 25 s old"),
        ({"sd": 0.05}, "chance"),
    ],
)
def test_here_is_refused_with_its_reason(more, word):
    state, now = walked(3.0, 0.0, 0.0, **more)
    view = guide(state, TARGET, now)
    assert view.status == "live"
    assert not view.here
    assert any(word in words for words in view.refusals)


def test_a_float_that_calls_itself_good_is_not_believed():
    state, now = walked(3.0, 0.0, 0.0, fix=5, sd=0.004)
    assert guide(state, TARGET, now).here_95 > 0.5


def test_beyond_the_tolerance_it_is_not_here():
    state, now = walked(3.0, 0.06, 0.0)
    view = guide(state, TARGET, now)
    assert not view.here
    assert view.chance_within < 0.5
    assert not view.consistent


def test_a_position_grows_stale_and_then_no_number_is_shown():
    state, now = walked(3.0, 0.0, 0.0)
    assert guide(state, TARGET, now + 1.0).status == "live"
    stale = guide(state, TARGET, now + 2.0)
    assert stale.status == "stale"
    assert math.isnan(stale.distance)
    assert math.isnan(stale.ahead)
    assert not stale.here
    assert "2.0 s old" in stale.refusals[0]
    assert guide(LiveState(), TARGET, 5.0).status == "no position"


def test_positions_that_a_stalled_link_delivers_late_are_not_live():
    state, now = walked(3.0, 0.0, 0.0)
    # nothing for five seconds, then only what was measured at the beginning of the gap
    late = epoch(3.05, 0.0, 0.0)
    view = guide(feed(state, late, now + 5.0), TARGET, now + 5.0)
    assert view.status == "stale"
    # the rest of the backlog comes at once: its end is of the present again
    backlog = b"".join(epoch(3.1 + k / 20, 0.0, 0.0) for k in range(98))
    caught = feed(state, late + backlog, now + 5.0)
    assert guide(caught, TARGET, now + 5.0).status == "live"


def test_a_backlog_at_the_very_beginning_is_not_taken_for_the_present():
    state = feed(LiveState(), epoch(0.0, 0.0, 0.0), 100.0)
    for k in range(1, 40):  # forty epochs within a tenth of a second
        state = feed(state, epoch(k / 4, 0.0, 0.0), 100.0 + k / 400)
    view = guide(state, TARGET, 100.1)
    assert view.status == "stale"
    assert "catching up" in view.refusals[0]
    state, now = walked(3.0, 0.0, 0.0, state=state, start=10.0, clock=100.2)
    assert guide(state, TARGET, now).here


def test_a_jump_is_counted_and_here_waits_until_it_has_settled():
    state, now = walked(3.0, 5.0, 0.0)
    state, now = walked(0.5, 0.0, 0.0, state=state, start=3.0, clock=now + 0.05)
    view = guide(state, TARGET, now)
    assert state.counts.jumps == 1
    assert not view.here
    assert any("jumped" in words for words in view.refusals)
    state, now = walked(1.5, 0.0, 0.0, state=state, start=3.5, clock=now + 0.05)
    assert guide(state, TARGET, now).here


def test_walking_is_no_jump():
    state = LiveState()
    for k in range(200):
        state = feed(state, epoch(k / 20, 1.6 * k / 20, 0.0), 100.0 + k / 20)
    assert state.counts.jumps == 0


def test_a_receiver_that_says_it_lost_its_position_has_none():
    state, now = walked(2.0, 0.0, 0.0)
    state = feed(state, sentence(f"GNGGA,{clock_of(2.0)},,,,,0,00,99.9,,,,,,"), now + 0.05)
    assert guide(state, TARGET, now + 0.05).status == "no position"


def test_bad_checksums_halves_noise_and_repeats_are_left_out_and_counted():
    rng = np.random.default_rng(6)
    state = LiveState()
    clean = 0
    for k in range(400):
        data = epoch(k / 20, 0.0, 0.0)
        kind = rng.integers(0, 6)
        if kind == 0:  # one byte of the first sentence changed
            spoiled = bytearray(data)
            at = int(rng.integers(20, 60))
            spoiled[at] = spoiled[at] ^ 1
            data = bytes(spoiled)
        elif kind == 1:  # a half sentence, and the next runs into it
            data = data[: int(rng.integers(10, 60))] + epoch(k / 20, 0.0, 0.0)
        elif kind == 2:
            data = rng.bytes(40) + b"\r\n" + data
        elif kind == 3:
            data = data + data
        else:
            clean += 1
        state = feed(state, data, 100.0 + k / 20)
    view = guide(state, TARGET, 100.0 + 399 / 20)
    counts = state.counts
    assert counts.bad_checksum > 40
    assert counts.out_of_order > 40
    assert counts.unreadable > 20
    assert counts.jumps == 0
    assert view.status == "live"
    assert view.distance < 0.001
    assert clean > 100


def test_bytes_may_be_cut_anywhere():
    data = b"".join(epoch(k / 20, 0.02, 0.0) for k in range(30))
    whole = feed(LiveState(), data, 50.0)
    cut = LiveState()
    for k in range(len(data)):
        cut = feed(cut, data[k : k + 1], 50.0)
    assert cut == whole


def test_over_midnight_nothing_jumps_or_goes_stale():
    state, now = walked(6.0, 0.0, 0.0, start=86397.0)
    assert guide(state, TARGET, now).here
    assert state.counts.out_of_order == 0


def test_clocks_that_run_apart_do_not_make_positions_stale():
    state = LiveState()
    for k in range(3600):  # eight hours at one epoch each 8 s, the host's clock fast by 50 ppm
        state = feed(state, epoch(8.0 * k, 0.0, 0.0), 100.0 + 8.0 * k * (1 + 5e-5))
    assert guide(state, TARGET, 100.0 + 8.0 * 3599 * (1 + 5e-5)).age < 0.5


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=200), max_size=8))
def test_no_bytes_whatsoever_stop_it_or_fill_the_memory(parts):
    state = LiveState()
    for k, part in enumerate(parts):
        state = feed(state, part, float(k))
    assert len(state.tail) <= 1000
    guide(state, TARGET, float(len(parts)))
    state = feed(state, b"\n" + epoch(0.0, 1.0, 0.0), 1000.0)
    assert guide(state, TARGET, 1000.0).status == "live"


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(["GGA", "GST", "RMC"]),
    st.lists(st.text("0123456789.,-NSEWMAV", max_size=12), max_size=16),
)
def test_no_field_whatsoever_stops_it(kind, fields):
    state = feed(LiveState(), sentence(f"GN{kind}," + ",".join(fields)), 1.0)
    guide(state, TARGET, 1.0)


def test_a_row_of_a_list_becomes_a_target_in_the_services_frame():
    job = JobSettings("job", Frame("EPSG:6428"))
    made = point_targets(
        ["T1"], np.array([957000.0]), np.array([500000.0]), kind="shot",
        height=np.array([1650.0]), horizontal_sd=0.01,
    )  # fmt: skip
    given_list = to_service(made, job, Frame("ITRF2020"), 2026.9)
    target = live_target(given_list, 0)
    assert target.longitude == given_list.longitude[0]
    assert np.sqrt(target.covariance[0, 0]) == pytest.approx(0.01, rel=1e-6)


def test_the_chance_to_be_within_the_tolerance_is_what_it_says():
    rng = np.random.default_rng(12)
    sd = math.hypot(0.006, 0.005)  # of the rover, with its service
    both = math.hypot(sd, 0.008)
    said, true = [], []
    for _ in range(1500):
        spot = rng.uniform(-0.12, 0.12, 2)
        off = spot + rng.standard_normal(2) * both
        state = feed(LiveState(), epoch(0.0, *off), 10.0)
        said.append(guide(state, TARGET, 10.0).chance_within)
        true.append(np.hypot(*spot) <= 0.05)
    said, true = np.array(said), np.array(true)
    for low, high in ((0.0, 0.1), (0.3, 0.7), (0.9, 1.01)):
        inside = (said >= low) & (said < high)
        assert inside.sum() > 60
        slack = 3.0 * np.sqrt(0.25 / inside.sum())
        assert abs(true[inside].mean() - said[inside].mean()) < slack


def test_fix_kinds_are_those_of_the_standard():
    state, _ = walked(0.1, 0.0, 0.0, fix=4)
    assert state.fix.fix is Fix.RTK_FIXED
