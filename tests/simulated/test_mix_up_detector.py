"""Sets of control checks with one seeded mix-up, and clean ones.

A seeded mix-up is made in the upload itself: the true reading of the raw numbers gives the
control points, the declared reading is another. How suspects would close is computed once for each
scene without noise; each set then draws its own points, noise (of each check, and one that they
share), and size where a mix-up has one. Noise of centimetres changes what a suspect does to
coordinates by less than a micrometre, except where axes or units change: those are off by
kilometres anyway.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from asfound.accuracy import find_mix_ups, suspects, weigh
from asfound.geodesy import to_ground
from asfound.model import Frame, JobSettings, Shots, Source

OWN = np.array([0.009, 0.009, 0.017])  # of a check [m]
SHARED = np.array([0.005, 0.005, 0.009])  # of all checks of a set [m]
FT_US = 1200.0 / 3937.0
POINTS = 6


def upload(frame, *, pole=2.0, position_of="antenna"):
    return Source("A", "a.csv", "", 0, POINTS, frame, position_of, antenna_height=pole)


def raw(place, spread, height):
    """Raw coordinates of six points within a few hundred metres."""
    rng = np.random.default_rng(11)
    x, y = (place[k] + rng.uniform(-1.0, 1.0, POINTS) * spread for k in (0, 1))
    time = np.datetime64("2026-11-17T08:00", "us") + np.arange(POINTS) * np.timedelta64(1, "h")
    return Shots.build(x, y, height=height + rng.uniform(-9.0, 9.0, POINTS), time=time)


def scaled(shots, horizontal, vertical=1.0):
    return replace(
        shots, x=shots.x * horizontal, y=shots.y * horizontal, height=shots.height * vertical
    )


COLORADO = JobSettings("Colorado", Frame("EPSG:6428"))
GERMANY = JobSettings("Germany", Frame("ETRF2000 / UTM zone 32N"))
AUSTRALIA = JobSettings("Australia", Frame("EPSG:7856"))
DEGREES = raw((-104.8, 39.0), 0.003, 1650.0)
FEET = raw((3_140_000.0, 1_640_000.0), 900.0, 1650.0)
UTM = raw((520_000.0, 5_420_000.0), 300.0, 340.0)
SYDNEY = raw((151.1, -33.8), 0.003, 60.0)
ITRF, NAD = Frame("ITRF2020"), Frame("NAD83(2011)")
STATE, ZONE_32 = Frame("EPSG:6428"), Frame("ETRF2000 / UTM zone 32N")

GDA2020, FROZEN = Frame("GDA2020"), Frame("ITRF2020", 2010.0)
US, GERMAN, AUSTRALIAN = COLORADO, GERMANY, AUSTRALIA
SWAPPED_DEGREES = replace(DEGREES, x=DEGREES.y, y=DEGREES.x)
SWAPPED_UTM = replace(UTM, x=UTM.y, y=UTM.x)
ITRF_32, ZONE_33 = Frame("ITRF2014 / UTM zone 32N"), Frame("ETRF2000 / UTM zone 33N")
LONG_UTM = scaled(UTM, 1 / 0.3048)
TALL = scaled(SYDNEY, 1.0, 1 / 0.3048)

# cause, what must be among the words; settings; raw numbers and their true reading; numbers and
# reading as declared; range of a free offset in height
SCENES = {
    "NAD for ITRF": ("frame", "ITRF2020", US, DEGREES, ITRF, DEGREES, NAD),
    "ITRF for NAD": ("frame", "NAD83(2011)", US, DEGREES, NAD, DEGREES, ITRF),
    "frame on a grid": ("frame", "ITRF2014", GERMAN, UTM, ITRF_32, UTM, ZONE_32),
    "GDA94 for GDA2020": ("frame", "GDA94", AUSTRALIAN, SYDNEY, Frame("GDA94"), SYDNEY, GDA2020),
    "epoch frozen": ("epoch", "the day", US, DEGREES, ITRF, DEGREES, FROZEN),
    "epoch not minded": ("epoch", "2010.0", US, DEGREES, FROZEN, DEGREES, ITRF),
    "metres as feet": ("metre-foot", "metres", US, FEET, STATE, scaled(FEET, FT_US), STATE),
    "feet as metres": (
        "metre-foot",
        "feet",
        GERMAN,
        UTM,
        ZONE_32,
        scaled(UTM, 1 / 0.3048),
        ZONE_32,
    ),
    "heights in feet": ("metre-foot", "heights", AUSTRALIAN, SYDNEY, GDA2020, TALL, GDA2020),
    "other foot": ("foot-foot", "inter", US, FEET, STATE, scaled(FEET, FT_US / 0.3048), STATE),
    "swapped degrees": ("swapped-axes", "", US, DEGREES, ITRF, SWAPPED_DEGREES, ITRF),
    "swapped grid": ("swapped-axes", "", GERMAN, UTM, ZONE_32, SWAPPED_UTM, ZONE_32),
    "UTM zone beside": ("zone", "32N", GERMAN, UTM, ZONE_32, UTM, ZONE_33),
    "state zone beside": ("zone", "Central", US, FEET, STATE, FEET, Frame("EPSG:6430")),
    "kind of height": ("height-kind", "geoid", US, DEGREES, ITRF, DEGREES, ITRF, (-60.0, 90.0)),
    "antenna wrong": ("antenna-height", "", GERMAN, UTM, ZONE_32, UTM, ZONE_32, (0.1, 1.5)),
    "antenna in feet": ("antenna-feet", "feet", AUSTRALIAN, SYDNEY, GDA2020, SYDNEY, GDA2020),
}


@cache
def scene(name):
    """Suspects of a scene without noise, its cause, what the words must hold, its offset."""
    cause, said, settings, true_shots, true, shots, declared, *offset = SCENES[name]
    ground = to_ground(true_shots, [upload(true)], settings)
    known = np.column_stack((ground.easting, ground.northing, ground.height))
    pole = 2.0 / 0.3048 if cause == "antenna-feet" else 2.0
    return suspects(shots, upload(declared, pole=pole), settings, known), cause, said, offset


def noise(rng, count):
    each = rng.standard_normal((count, 3)) * OWN
    return each + rng.standard_normal(3) * SHARED


def covariance(count):
    return np.kron(np.eye(count), np.diag(OWN**2)) + np.kron(
        np.ones((count, count)), np.diag(SHARED**2)
    )


def drawn(tried, rng, shift=0.0):
    """The same suspects with their checks' noise, for some of the points."""
    count = int(rng.integers(3, POINTS + 1))
    kept = rng.permutation(POINTS)[:count]
    error = noise(rng, count) + np.array([0.0, 0.0, shift])
    moved = tuple(replace(item, residual=item.residual[kept] + error) for item in tried)
    return moved, covariance(count)


@pytest.mark.slow
def test_of_a_thousand_seeded_mix_ups_at_least_95_percent_are_named_rightly():
    rng = np.random.default_rng(2026)
    right, wrong = 0, {}
    for k in range(1000):
        name = list(SCENES)[k % len(SCENES)]
        tried, cause, said, offset = scene(name)
        shift = 0.0
        if offset:
            shift = rng.uniform(*offset[0]) * (rng.choice((-1.0, 1.0)) if offset[0][0] > 0 else 1.0)
        report = weigh(*drawn(tried, rng, shift))
        if report.named == cause and any(said in words for words in report.causes[0].words):
            right += 1
        else:
            wrong.setdefault(name, []).append((report.named, round(shift, 2)))
    assert right >= 950, wrong


def test_of_a_thousand_clean_sets_less_than_1_percent_are_accused():
    rng = np.random.default_rng(7)
    accused = 0
    for k in range(1000):
        name = ("NAD for ITRF", "frame on a grid", "other foot")[k % 3]
        tried = scene(name)[0]
        # the true reading in place of the declared one: nothing is wrong
        innocent = next(item for item in tried if item.cause and np.abs(item.residual).max() < 1e-6)
        clean = (replace(innocent, cause="", words="as declared"), *tried[1:])
        report = weigh(*drawn(clean, rng))
        accused += bool(report.named)
    assert accused < 10


def test_offsets_of_no_known_cause_are_hardly_ever_given_one():
    rng = np.random.default_rng(5)
    tried = scene("NAD for ITRF")[0]
    innocent = next(item for item in tried if np.abs(item.residual).max() < 1e-6)
    named = 0
    for _ in range(200):
        push = rng.standard_normal(3) * np.array([1.5, 1.5, 1.5])
        clean = (replace(innocent, cause="", words="as declared"), *tried[1:])
        moved, matrix = drawn(clean, rng)
        moved = tuple(replace(item, residual=item.residual + push) for item in moved)
        named += bool(weigh(moved, matrix).named)
    assert named <= 6


@pytest.mark.parametrize("name", ["NAD for ITRF", "UTM zone beside"])
def test_raw_noisy_checks_are_explained_from_end_to_end(name):
    cause, said, settings, true_shots, true, shots, declared, *_ = SCENES[name]
    ground = to_ground(true_shots, [upload(true)], settings)
    known = np.column_stack((ground.easting, ground.northing, ground.height))
    rng = np.random.default_rng(1)
    report = find_mix_ups(
        shots, upload(declared), settings, known + noise(rng, POINTS), covariance(POINTS)
    )
    assert report.named == cause
    assert any(said in words for words in report.causes[0].words)
    assert report.causes[0].residual < 0.05
    assert "Nothing was changed" in report.words[-1]
