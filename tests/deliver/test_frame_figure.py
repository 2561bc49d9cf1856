"""The figure of frames: arrows where the numbers say, in the SVG and in characters."""

import math
import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from asfound.deliver import frames_plot, frames_svg
from asfound.geodesy import FrameDifference, compare_frames
from asfound.units import METRE, US_SURVEY_FOOT

# NAD 83(2011) minus ITRF2014 at 2026.9, 39.0N 104.8W: 1.342 E, -0.506 N [m], from the NGS
# parameters as in the EPSG registry (operation 8970); one stands the opposite way.
EAST, NORTH = -1.342, 0.506
SPAN = 2.0


@pytest.fixture(scope="module")
def pairs():
    return compare_frames(-104.8, 39.0, 2026.9, ("ITRF2014", "NAD83(2011)"))


def tip_of(svg):
    """Tip of the first arrow head, seen from the middle, as shares of the outer ring."""
    root = ElementTree.fromstring(svg)
    circles = [c for c in root.iter() if c.tag.endswith("circle")]
    ring = max(circles, key=lambda c: float(c.get("r")))
    x, y, radius = (float(ring.get(key)) for key in ("cx", "cy", "r"))
    heads = [
        p.get("d") for p in root.iter()
        if p.tag.endswith("path") and p.get("fill") not in (None, "none")
    ]  # fmt: skip
    east, north = (float(v) for v in re.match(r"M(\S+) (\S+?)L", heads[0]).groups())
    return (east - x) / radius, (y - north) / radius


def test_the_arrow_points_to_where_one_will_stand_to_scale(pairs):
    east, north = tip_of(frames_svg(pairs, METRE))
    assert east * SPAN == pytest.approx(EAST, abs=0.01)
    assert north * SPAN == pytest.approx(NORTH, abs=0.01)


def test_length_bearing_and_frames_stand_beside_it(pairs):
    words = " ".join(ElementTree.fromstring(frames_svg(pairs, METRE)).itertext())
    assert "ITRF2014 taken for NAD83(2011)" in words
    assert "1.43" in words
    bearing = math.degrees(math.atan2(EAST, NORTH)) % 360
    assert f"bearing {bearing:.0f}°" in words
    feet = " ".join(ElementTree.fromstring(frames_svg(pairs, US_SURVEY_FOOT)).itertext())
    assert f"{pairs[0].horizontal * 3937 / 1200:.3f} ftUS" in feet


def test_in_characters_the_number_stands_in_the_same_direction(pairs):
    rows = [row[:41] for row in frames_plot(pairs, METRE)]
    middle = next((r, row.index("+")) for r, row in enumerate(rows) if "+" in row)
    tip = next((r, row.index("1")) for r, row in enumerate(rows) if "1" in row)
    east, north = (tip[1] - middle[1]) / 20 * SPAN, (middle[0] - tip[0]) / 10 * SPAN
    assert (east, north) == (pytest.approx(EAST, abs=0.11), pytest.approx(NORTH, abs=0.21))


def pair(name, east, north):
    return FrameDifference(
        name, "B", 2020.0, -east, -north, 0.0, math.hypot(east, north),
        math.atan2(east, north), 0.0, "", "",
    )  # fmt: skip


def test_pairs_that_look_the_same_share_an_arrow_and_all_are_listed():
    drawn = [pair(f"A{k}", 1.0 + 1e-4 * k, 0.0) for k in range(4)] + [pair("C", 0.0, -1.0)]
    svg = frames_svg(drawn, METRE)
    words = list(ElementTree.fromstring(svg).itertext())
    assert "1–4" in words
    assert "5" in words
    assert sum("taken for" in word for word in words) == 5


def test_frames_that_agree_draw_no_arrow():
    nothing = [pair("A", 0.0, 0.0)]
    assert "No pair" in frames_svg(nothing, METRE)
    assert frames_plot(nothing, METRE) == ["No pair of frames lies apart here."]


def test_frames_that_cant_be_compared_are_never_said_to_agree():
    unknown = [pair("A", 0.0, 0.0), pair("A", math.nan, math.nan)]
    assert "No pair" not in frames_svg(unknown, METRE)
    assert frames_plot(unknown, METRE) == [
        "Nothing to draw: not all of these frames can be compared here."
    ]


def test_whoever_stakes_out_by_the_same_mistake_stands_the_opposite_way(pairs):
    words = " ".join(ElementTree.fromstring(frames_svg(pairs, METRE)).itertext())
    bearing = math.degrees(math.atan2(-EAST, -NORTH)) % 360
    assert f"staking out, you stand as far off the opposite way, bearing {bearing:.0f}°" in words


def test_nothing_is_written_below_the_figure_s_edge(pairs):
    root = ElementTree.fromstring(frames_svg(pairs * 9, METRE))
    height = float(root.get("viewBox").split()[3])
    heights = [float(t.get("y")) for t in root.iter() if t.tag.endswith("text")]
    assert max(heights) < height - 1.0
    assert np.isfinite(len(frames_svg([], METRE)))
