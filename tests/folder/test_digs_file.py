"""`digs.toml`: read with its unit, refused with a remedy where it can't be used."""

import hashlib
import json
import re

import numpy as np
import pytest
import rasterio

from asfound.errors import InputError, SettingsError
from asfound.folder import DigFile, add_dig_file, new_job, read_dig_plan
from asfound.intake.digs import DigDefaults
from asfound.model import Frame, JobSettings, Utility

GOOD = """
unit = "ftUS"
[[trench]]
name = "T1"
points = [[1000.0, 2000.0], [1100.0, 2000.0]]
width = 2.0
depth = [4.0, 5.0]
installs = "water"
[[bore]]
name = "B1"
points = [[1000.0, 2000.0], [1100.0, 2000.0]]
elevation = 90.0
final_diameter = 1.0
[[pit]]
name = "K1"
corners = [[0.0, 0.0], [6.0, 0.0], [6.0, 6.0]]
depth = 6.0
[[post]]
name = "P1"
easting = 1000.0
northing = 2000.0
diameter = 1.0
depth = 5.0
[[exposure]]
name = "X1"
line = "W1"
easting = 1.0
northing = 2.0
top_depth = 3.0
when = 2026-11-19
"""


@pytest.fixture
def job(tmp_path):
    return new_job(tmp_path / "job", JobSettings(name="x", frame=Frame("EPSG:6467")))


def test_every_kind_is_read_in_the_files_unit(job):
    (job.path / "digs.toml").write_text(GOOD)
    plan = read_dig_plan(job)
    digs, exposures = plan.digs, plan.exposures
    foot = 1200 / 3937
    trench, bore, pit, post = digs
    assert np.allclose(trench.easting[[0, -1]], [1000 * foot, 1100 * foot])
    assert np.allclose(trench.depth[[0, -1]], [4 * foot, 5 * foot])
    # Its depth is below the ground all along, so the bottom follows the ground between corners.
    assert np.diff(trench.easting).max() <= 3.0
    assert trench.installs is Utility.WATER
    assert np.isnan(bore.depth).all()
    assert np.allclose(bore.elevation, 90 * foot)
    assert pit.depth == pytest.approx(6 * foot)
    assert post.diameter == pytest.approx(foot)
    assert exposures[0].top_depth == pytest.approx(3 * foot)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (('unit = "ftUS"', 'unit = "foot"'), "foot"),
        (("[[trench]]", "[[ditch]]"), "ditch"),
        (("width = 2.0", "width = -2.0"), "negative"),
        (("depth = [4.0, 5.0]", "depth = [4.0]"), "list of 2"),
        (("depth = [4.0, 5.0]", ""), "elevation"),
        (('installs = "water"', 'installs = "beer"'), "beer"),
        (("diameter = 1.0\ndepth", "diametre = 1.0\ndepth"), "diameter"),
        (("when = 2026-11-19", 'when = "today"'), "date"),
    ],
)
def test_what_cannot_be_used_is_named(job, change, named):
    (job.path / "digs.toml").write_text(GOOD.replace(*change))
    with pytest.raises((SettingsError, InputError)) as caught:
        read_dig_plan(job)
    assert named in str(caught.value)
    assert caught.value.remedy


def test_a_trench_without_length_is_handed_on_as_it_is(job):
    (job.path / "digs.toml").write_text(
        GOOD.replace("[1100.0, 2000.0]]\nwidth", "[1000.0, 2000.0]]\nwidth")
    )
    trench = read_dig_plan(job).digs[0]
    assert len(trench.easting) == 2


PLAN = """
[[post]]
name = "P1"
easting = 1000.0
northing = 2000.0
diameter = 0.3
depth = 1.0
[[record]]
name = "R1"
utility = "gas"
points = [[990.0, 1990.0], [1010.0, 2010.0]]
depth = [0.9, 1.1]
horizontal_sd = 0.5
outside_diameter = 0.11
basis = "sheet 3"
[[record]]
name = "R2"
utility = "water"
points = [[990.0, 2010.0], [1010.0, 1990.0]]
[[searched]]
corners = [[995.0, 1995.0], [1005.0, 1995.0], [1005.0, 2005.0], [995.0, 2005.0]]
[advice]
holes = 5
cost = 2.0
[[advice.forbidden]]
corners = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]
basis = "a tree"
[[advice.dear]]
corners = [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]]
cost = 4.0
[require]
jurisdiction = "US-CA"
file = "digs/firm.toml"
"""
FIRM = """
[[rule]]
id = "ours"
title = "Ours: 3 feet from gas"
shape = "distance"
distance = "3 ft"
near = ["gas"]
citation = "the firm's own manual"
"""


def planned(job, text=PLAN):
    (job.path / "digs").mkdir(exist_ok=True)
    (job.path / "digs" / "firm.toml").write_text(FIRM)
    (job.path / "digs.toml").write_text(text)
    return read_dig_plan(job)


def test_a_job_without_a_digs_file_has_an_empty_plan(job):
    plan = read_dig_plan(job)
    assert plan.digs == plan.exposures == plan.records == ()
    assert plan.required is None


def test_lines_from_records_areas_and_advice_are_read(job):
    plan = planned(job)
    one, other = plan.records
    assert one.utility is Utility.GAS
    assert one.depth.tolist() == [0.9, 1.1]
    assert one.basis == "sheet 3"
    assert np.isnan(other.depth).all()
    assert other.horizontal_sd == 1.0
    assert plan.searched[0].basis == "declared in digs.toml"
    assert plan.holes == 5
    assert plan.hole_cost == 2.0
    assert [area.cost for area in plan.hole_areas] == [np.inf, 4.0]
    assert plan.hole_areas[0].basis == "a tree"


def test_required_clearances_come_from_the_jurisdiction_and_the_firm(job):
    rules = {rule.id: rule for rule in planned(job).required}
    # California Government Code 4216: 24 inches; 1 ft = 0.3048 m exactly.
    assert rules["tolerance-24"].horizontal == pytest.approx(2 * 0.3048)
    assert "tolerance-18" not in rules
    assert rules["ours"].distance == pytest.approx(3 * 0.3048)
    plain = planned(job, PLAN.partition("[require]")[0])
    assert plain.required is None
    own = planned(job, PLAN.replace('jurisdiction = "US-CA"', 'presets = ["gas-12"]'))
    assert [rule.id for rule in own.required] == ["gas-12", "ours"]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (('"US-CA"', '"XX"'), "XX"),
        (('jurisdiction = "US-CA"', 'presets = ["none-such"]'), "none-such"),
        (('"digs/firm.toml"', '"../firm.toml"'), "outside"),
        (('"digs/firm.toml"', '"/etc/passwd"'), "outside"),
        (('"digs/firm.toml"', '"digs/nothing.toml"'), "no such file"),
        (("cost = 4.0", "cost = 0.0"), "above zero"),
        (("holes = 5", "holes = -1"), "whole number"),
        (('name = "R2"', 'name = "R1"'), "R1"),
        (("depth = [0.9, 1.1]", "depth = [0.9]"), "list of 2"),
        (
            ("[1005.0, 1995.0], [1005.0, 2005.0]", "[1005.0, 2005.0], [1005.0, 1995.0]"),
            "crosses itself",
        ),
    ],
)
def test_a_plan_that_cannot_be_used_is_refused_with_a_remedy(job, change, named):
    assert change[0] in PLAN
    with pytest.raises((SettingsError, InputError)) as caught:
        planned(job, PLAN.replace(*change, 1))
    assert named in str(caught.value)
    assert caught.value.remedy


def test_terrain_is_read_from_a_file_of_the_job(job):
    (job.path / "terrain.xyz").write_text("1000 2000 50\n1010 2000 51\n1000 2010 52\n")
    plan = planned(job, '[ground]\nfile = "terrain.xyz"\n')
    height, _ = plan.terrain.heights(np.array([1005.0]), np.array([2000.0]))
    assert height[0] == pytest.approx(50.5)
    assert "terrain.xyz" in plan.terrain.basis


POSTS = json.dumps(
    {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6467"}},
        "features": [
            {
                "type": "Feature",
                "properties": {"name": name, "diameter": 1.0},
                "geometry": {"type": "Point", "coordinates": [1300000.0 + k, 340000.0]},
            }
            for k, name in enumerate(("P1", "P9"))
        ],
    }
).encode()
LINE = b"""{"type": "FeatureCollection",
"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6467"}},
"features": [{"type": "Feature", "properties": {"name": "L"},
"geometry": {"type": "LineString", "coordinates": [[1300000, 340000], [1300100, 340000]]}}]}"""


def test_an_added_file_is_kept_byte_for_byte_and_read_again(job, tmp_path):
    planned(job)
    source = tmp_path / "fence posts.geojson"
    source.write_bytes(POSTS)
    how = DigFile(unit="ft", defaults=DigDefaults(depth=1.2))
    added = add_dig_file(job, source, how)
    assert added.path == job.path / "digs" / "fence_posts.geojson"
    assert added.path.read_bytes() == POSTS
    assert added.sha256 == hashlib.sha256(POSTS).hexdigest()
    assert [dig.name for dig in added.digs] == ["P1", "P9"]
    plan = read_dig_plan(job)
    assert [dig.name for dig in plan.digs] == ["P1", "P1 (fence_posts)", "P9"]
    assert plan.digs[2].diameter == pytest.approx(0.3048)  # 1 ft, exactly
    assert plan.digs[2].depth == pytest.approx(1.2)
    assert plan.digs[2].easting == pytest.approx(1300001.0 * 1200 / 3937)
    assert plan.records[0].name == "R1"  # what stood there before stands
    again = add_dig_file(job, source, how)
    assert again.known
    assert len(read_dig_plan(job).digs) == 3


def test_two_files_of_one_name_are_both_kept(job, tmp_path):
    source = tmp_path / "plan.geojson"
    for content in (POSTS, POSTS.replace(b"P9", b"P8")):
        source.write_bytes(content)
        add_dig_file(job, source, DigFile(defaults=DigDefaults(depth=1.0)))
    assert {path.name for path in (job.path / "digs").iterdir()} == {
        "plan.geojson",
        "plan-2.geojson",
    }
    assert len(read_dig_plan(job).digs) == 4


def test_a_file_that_cannot_be_read_is_not_stored(job, tmp_path):
    source = tmp_path / "plan.geojson"
    source.write_bytes(POSTS.replace(b"6467", b"26915"))
    with pytest.raises(InputError, match="UTM zone 15N"):
        add_dig_file(job, source, DigFile(defaults=DigDefaults(depth=1.0)))
    assert not (job.path / "digs.toml").exists()
    assert not (job.path / "digs").exists()


def test_a_file_changed_since_it_was_added_is_refused(job, tmp_path):
    source = tmp_path / "plan.geojson"
    source.write_bytes(POSTS)
    added = add_dig_file(job, source, DigFile(defaults=DigDefaults(depth=1.0)))
    added.path.write_bytes(POSTS.replace(b"P9", b"P7"))
    with pytest.raises(InputError, match="changed") as caught:
        read_dig_plan(job)
    assert caught.value.remedy


@pytest.mark.parametrize(("kind", "sort"), [("trench", "trench"), ("milling", "milling")])
def test_what_lines_are_is_declared_for_a_file(job, tmp_path, kind, sort):
    source = tmp_path / "line.geojson"
    source.write_bytes(LINE)
    how = DigFile(defaults=DigDefaults(width=0.6, depth=1.0, kind=kind))
    (dig,) = add_dig_file(job, source, how).digs
    assert dig.kind == sort
    # its depth is below ground, so it follows the ground between the corners
    assert np.hypot(np.diff(dig.easting), np.diff(dig.northing)).max() <= 3.0 + 1e-9
    (again,) = read_dig_plan(job).digs
    assert again.kind == sort
    assert np.allclose(again.easting, dig.easting)
    assert np.allclose(again.width, 0.6)


def test_a_bare_shapefile_says_how_to_pack_it(job, tmp_path):
    source = tmp_path / "plan.shp"
    source.write_bytes(b"\x00\x00\x27\x0a")
    with pytest.raises(InputError, match="several files") as caught:
        add_dig_file(job, source, DigFile())
    assert ".dbf" in caught.value.remedy


BENT = """
[[bore]]
name = "B1"
points = [[1000.0, 2000.0], [1060.0, 2000.0]]
final_diameter = 0.3
entry_angle = 12.0
exit_angle = 10.0
bend_radius = 30.0
"""


def test_a_bore_is_given_by_its_angles_and_the_radius_of_its_bends(job):
    ends = "entry_elevation = 100.0\nexit_elevation = 99.0\nelevation = 97.0\n"
    (bore,) = planned(job, BENT + ends).digs
    assert (bore.elevation[0], bore.elevation[-1]) == (100.0, 99.0)
    assert bore.elevation.min() == pytest.approx(97.0)
    fall = np.diff(bore.elevation) / np.diff(bore.easting)
    assert fall[0] == pytest.approx(-np.tan(np.radians(12.0)))
    assert fall[-1] == pytest.approx(np.tan(np.radians(10.0)))
    # closed form: straight until the arc of R (1 - cos a) is left to go down
    arc = 30.0 * (1 - np.cos(np.radians(12.0)))
    assert bore.easting[1] - 1000.0 == pytest.approx((3.0 - arc) / np.tan(np.radians(12.0)))


def test_a_bore_by_angles_counts_below_ground_where_its_level_part_does(job):
    (bore,) = planned(job, 'unit = "ft"\n' + BENT.replace("1060.0", "1300.0") + "depth = 9.0").digs
    assert np.isnan(bore.elevation).all()
    assert (bore.depth[0], bore.depth[-1]) == (0.0, 0.0)
    assert bore.depth.max() == pytest.approx(9.0 * 0.3048)


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ("elevation = 97.0", "entry_elevation"),
        ("depth = 2.0\nentry_elevation = 100.0", "depth of its level part"),
        ("depth = 0.2", "smaller bend radius"),
        ("depth = 9.0", "longer bore"),
        ("", "depth .* or elevation"),
    ],
)
def test_a_bore_by_angles_that_cannot_be_is_refused(job, more, named):
    with pytest.raises((InputError, SettingsError)) as caught:
        planned(job, BENT + more)
    assert re.search(named, str(caught.value))
    assert caught.value.remedy


def test_stations_of_a_table_count_along_the_axis_given_when_it_was_added(job, tmp_path):
    table = tmp_path / "b1.csv"
    table.write_text("station,offset,depth\n0,0,1\n20,0.5,2\n40,0,1\n")
    axis = np.array([[1000.0, 2000.0], [1050.0, 2000.0]])
    (job.path / "digs.toml").write_text('unit = "ft"\n')
    how = DigFile(unit="m", defaults=DigDefaults(final_diameter=0.3), axis=axis)
    assert not add_dig_file(job, table, how).known
    assert add_dig_file(job, table, how).known
    (bore,) = read_dig_plan(job).digs
    assert np.allclose(bore.easting, [1000.0, 1020.0, 1040.0])
    assert np.allclose(bore.northing, [2000.0, 1999.5, 2000.0])  # to the right of east: south


def test_a_terrain_counts_in_the_unit_of_the_file_and_may_be_a_geotiff(job):
    (job.path / "terrain.xyz").write_text("1000 2000 50\n1010 2000 51\n1000 2010 52\n")
    plan = planned(job, 'unit = "ft"\n[ground]\nfile = "terrain.xyz"\nheight_sd = 0.5\n')
    height, sd = plan.terrain.heights(np.array([1000.0]) * 0.3048, np.array([2000.0]) * 0.3048)
    assert height[0] == pytest.approx(50 * 0.3048)
    assert sd[0] == pytest.approx(0.5 * 0.3048)
    with rasterio.open(
        job.path / "dtm.tif", "w", driver="GTiff", height=20, width=20, count=1, dtype="float32",
        crs="EPSG:6467", transform=rasterio.Affine(1.0, 0.0, 1300000.0, 0.0, -1.0, 340020.0),
    ) as file:  # fmt: skip
        file.write(np.full((20, 20), 1000.0, "float32"), 1)
    plan = planned(job, 'unit = "ftUS"\n[ground]\nfile = "dtm.tif"\n')
    foot = 1200 / 3937
    height, _ = plan.terrain.heights(np.array([1300010.0]) * foot, np.array([340010.0]) * foot)
    assert height[0] == pytest.approx(1000.0 * foot)
    assert "dtm.tif" in plan.terrain.basis
