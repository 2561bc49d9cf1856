"""Digs read from files that general programs write, in the job's frame or refused."""

import json
from io import BytesIO, StringIO
from zipfile import ZipFile

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely

from asfound.errors import InputError
from asfound.intake.digs import DigDefaults, read_digs, read_terrain
from asfound.model import Bore, Frame, JobSettings, Pit, Post, Trench, Utility

JOB = JobSettings("invented", Frame("EPSG:6342", height_kind="ellipsoidal"))
SQUARE = [[500000, 4000000], [500002, 4000000], [500002, 4000003], [500000, 4000003]]


def geojson(*features, crs="urn:ogc:def:crs:EPSG::6342"):
    data = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": properties, "geometry": geometry}
            for geometry, properties in features
        ],
    }
    if crs:
        data["crs"] = {"type": "name", "properties": {"name": crs}}
    return json.dumps(data).encode()


def line(*points):
    return {"type": "LineString", "coordinates": [list(p) for p in points]}


def test_lines_areas_and_points_become_trenches_bores_pits_and_posts():
    content = geojson(
        (line((500000, 4000000), (500010, 4000000)), {"name": "T", "width": 0.6, "depth": 1.2}),
        (
            line((500000, 4000000, 99), (500010, 4000000, 98)),
            {"final_diameter": 0.3, "pilot_diameter": "4 in", "installs": "water"},
        ),
        ({"type": "Polygon", "coordinates": [[*SQUARE, SQUARE[0]]]}, {"depth": "3' 6\""}),
        ({"type": "Point", "coordinates": [500005, 4000001]}, {"diameter": "12 in", "depth": 1.0}),
        (
            line((500000, 4000000), (500010, 4000000)),
            {"kind": "milling", "width": 2, "depth": 0.1, "vertical_sd": 0.01},
        ),
    )
    trench, bore, pit, post, milling = read_digs(content, "plan.geojson", JOB)
    assert isinstance(trench, Trench)
    assert (trench.name, trench.width[0], trench.depth[0]) == ("T", 0.6, 1.2)
    assert isinstance(bore, Bore)
    assert bore.elevation.tolist() == [99.0, 98.0]
    assert bore.pilot_diameter == pytest.approx(0.1016)
    assert bore.installs is Utility.WATER
    assert isinstance(pit, Pit)
    assert pit.depth == pytest.approx(1.0668)
    assert len(pit.easting) == 4
    assert isinstance(post, Post)
    assert post.diameter == pytest.approx(0.3048)
    assert milling.milling
    assert milling.vertical_sd == 0.01


def test_feet_of_a_file_are_declared_and_turned_to_metres():
    content = geojson((line((500000, 4000000), (500010, 4000000)), {"width": 2, "depth": 4}))
    (trench,) = read_digs(content, "plan.geojson", JOB, unit="ft")
    assert trench.width[0] == pytest.approx(0.6096)
    assert trench.depth[0] == pytest.approx(1.2192)


def test_a_shapefile_that_gdal_wrote_is_read(tmp_path):
    path = tmp_path / "plan.shp"
    pyogrio.write_arrow(
        __import__("pyarrow").table(
            {
                "geometry": [shapely.to_wkb(shapely.LineString([(500000, 4e6), (500009, 4e6)]))],
                "width": [0.5],
                "depth": [1.1],
            }
        ),
        path, geometry_name="geometry", geometry_type="LineString", crs="EPSG:6342",
    )  # fmt: skip
    packed = BytesIO()
    with ZipFile(packed, "w") as archive:
        for part in tmp_path.iterdir():
            archive.write(part, part.name)
    (trench,) = read_digs(packed.getvalue(), "plan.zip", JOB)
    assert trench.easting.tolist() == [500000.0, 500009.0]
    assert trench.depth[0] == 1.1


def test_a_3d_polyline_of_a_drawing_is_a_trench_or_a_bore_by_its_sizes():
    drawing = ezdxf.new()
    space = drawing.modelspace()
    space.add_polyline3d([(500000, 4e6, 99), (500010, 4e6, 98)], dxfattribs={"layer": "DIGS"})
    space.add_circle((500003, 4000002), 0.2)
    text = StringIO()
    drawing.write(text)
    trench, post = read_digs(
        text.getvalue().encode(), "plan.dxf", JOB, defaults=DigDefaults(width=0.5, depth=1.0)
    )
    assert trench.elevation.tolist() == [99.0, 98.0]
    assert np.isnan(trench.depth).all()
    assert post.diameter == pytest.approx(0.4)
    assert post.depth == 1.0


def test_landxml_lists_northing_first():
    content = b"""<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2"><PlanFeatures>
    <PlanFeature name="B1"><CoordGeom><IrregularLine><PntList3D>4000000 500000 99 4000000 500010 98
    </PntList3D></IrregularLine></CoordGeom></PlanFeature></PlanFeatures></LandXML>"""
    (trench,) = read_digs(content, "plan.xml", JOB, defaults=DigDefaults(width=0.5))
    assert trench.easting.tolist() == [500000.0, 500010.0]
    assert trench.elevation.tolist() == [99.0, 98.0]


def test_kml_needs_its_frame_declared_and_is_then_moved_to_the_jobs():
    content = b"""<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>P</name>
    <ExtendedData><Data name="diameter"><value>0.3</value></Data>
    <Data name="depth"><value>1.0</value></Data></ExtendedData>
    <Point><coordinates>-105.0,39.0</coordinates></Point></Placemark></Document></kml>"""
    with pytest.raises(InputError, match="longitude and latitude") as caught:
        read_digs(content, "plan.kml", JOB)
    assert "Declare the frame" in caught.value.remedy
    (post,) = read_digs(content, "plan.kml", JOB, frame=Frame("EPSG:6318", height_kind="none"))
    # 105 W is the central meridian of UTM zone 13: easting 500 km by definition
    assert post.easting == pytest.approx(500_000.0, abs=1e-6)


def test_a_table_of_stations_runs_along_its_axis():
    content = b"Station,Offset,Depth\n0,0,0.5\n10,1,1.5\n20,0,0.5\n"
    (bore,) = read_digs(
        content, "bore.csv", JOB, axis=np.array([[0.0, 0.0], [0.0, 20.0]]),
        defaults=DigDefaults(final_diameter=0.3, pilot_diameter=0.1),
    )  # fmt: skip
    assert bore.easting.tolist() == [0.0, 1.0, 0.0]
    assert bore.depth.tolist() == [0.5, 1.5, 0.5]


BARE = geojson((line((500000, 4000000), (500010, 4000000)), {}))
OTHER = geojson((line((500000, 4000000), (500010, 4000000)), {}), crs="urn:ogc:def:crs:EPSG::6341")
NO_CRS = geojson((line((-105, 39), (-105, 39.001)), {}), crs=None)


@pytest.mark.parametrize(
    ("content", "name", "what"),
    [
        (BARE, "plan.geojson", "no width"),
        (OTHER, "plan.geojson", "UTM zone 12N"),
        (NO_CRS, "plan.geojson", "only good to a metre"),
        (BARE[:80], "plan.geojson", "no JSON"),
        (geojson(), "plan.geojson", "no lines, areas or points"),
        (geojson((line((0, 0), (1, 0)), {"kind": "pit"})), "p.geojson", "a pit is drawn as a line"),
        (geojson((line((0, 0), (1, 0)), {"kind": "hole"})), "p.geojson", "no kind of dig"),
        (geojson((line((0, 0), (1, 0)), {"width": "wide"})), "p.geojson", "width is 'wide'"),
        (geojson((line((0, 0), (1, 0)), {"width": 1, "installs": "tea"})), "p.geojson", "'tea'"),
        (b"<kml><!DOCTYPE x>", "p.kml", "no sound XML"),
        (b"nothing", "p.dxf", "can't be read as DXF"),
        (b"", "p.pdf", "no format"),
        (b"nothing", "p.zip", "one zip archive"),
        (b"Station,Depth\n0,1\n", "p.csv", "needs the axis"),
    ],
)
def test_what_can_not_be_read_is_refused_with_a_remedy(content, name, what):
    with pytest.raises(InputError, match=what) as caught:
        read_digs(content, name, JOB)
    assert caught.value.remedy
    assert name in caught.value.where


def test_terrain_points_make_a_ground_surface():
    surface = read_terrain(b"x,y,z\n0,0,100\n10,0,101\n0;10;100\n10 10 101\n", "dtm.xyz")
    height, _ = surface.heights(np.array([5.0]), np.array([5.0]))
    assert height[0] == pytest.approx(100.5)
    (feet,) = read_terrain(b"0 0 10\n", "dtm.xyz", unit="ft").points
    assert feet[2] == pytest.approx(3.048)


@pytest.mark.parametrize(
    ("content", "what"),
    [(b"II*\0rest", "needs a job"), (b"1 2 3\n1 2 x\n", "line 2"), (b"", "no points")],
)
def test_other_terrain_is_refused_with_a_remedy(content, what):
    with pytest.raises(InputError, match=what) as caught:
        read_terrain(content, "dtm")
    assert caught.value.remedy


def drawing(*draw):
    document = ezdxf.new()
    for name, *arguments in draw:
        getattr(document.modelspace(), f"add_{name}")(*arguments)
    stream = StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def test_a_circle_is_a_post_of_the_size_it_is_drawn_in_the_drawings_unit():
    feet = JobSettings(name="x", frame=Frame("EPSG:6467"))
    content = drawing(("circle", (1_300_000.0, 340_000.0), 0.5))
    (post,) = read_digs(content, "posts.dxf", feet, defaults=DigDefaults(depth=1.0, diameter=9.0))
    assert post.diameter == pytest.approx(1200 / 3937)


def test_drawn_curves_are_followed_not_cut_short():
    # Two points with bulge 1 are a half circle; an arc of 90 degrees is a quarter (DXF reference).
    half = [(500_000.0, 4_000_000.0, 0.0, 0.0, 1.0), (500_010.0, 4_000_000.0, 0.0, 0.0, 0.0)]
    content = drawing(
        ("lwpolyline", half, "xyseb"), ("arc", (500_100.0, 4_000_000.0), 5.0, 0.0, 90.0)
    )
    usual = DigDefaults(width=0.5, depth=1.0)
    for trench, length in zip(
        read_digs(content, "t.dxf", JOB, defaults=usual), (5 * np.pi, 2.5 * np.pi), strict=True
    ):
        legs = np.hypot(np.diff(trench.easting), np.diff(trench.northing))
        assert legs.sum() == pytest.approx(length, rel=2e-3)
        assert len(legs) > 5


def in_blocks(*references):
    """A drawing of one block, "POST", a circle of 0.4 on layer 0 and a line on its own layer."""
    document = ezdxf.new()
    block = document.blocks.new("POST")
    block.add_circle((1.0, 0.0), 0.2)
    block.add_line((0.0, 0.0), (2.0, 0.0), dxfattribs={"layer": "ARM"})
    outer = document.blocks.new("ROW")
    outer.add_blockref("POST", (100.0, 0.0))
    for name, place, attributes in references:
        document.modelspace().add_blockref(name, place, dxfattribs=attributes)
    stream = StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def test_blocks_of_a_drawing_are_taken_apart_where_they_lie():
    content = in_blocks(
        ("POST", (500_000.0, 4e6), {"layer": "POSTS", "rotation": 90.0, "xscale": 2.0,
                                    "yscale": 2.0, "zscale": 2.0}),
        ("ROW", (500_000.0, 4_000_050.0), {"layer": "POSTS"}),
    )  # fmt: skip
    digs = read_digs(content, "p.dxf", JOB, defaults=DigDefaults(width=0.5, depth=1.0))
    posts = [dig for dig in digs if isinstance(dig, Post)]
    trenches = [dig for dig in digs if isinstance(dig, Trench)]
    # turned by a quarter and twice as large: the circle at (1, 0) comes to lie at (0, 2)
    assert [(p.easting, p.northing) for p in posts] == [
        (pytest.approx(500_000.0), pytest.approx(4_000_002.0)),
        (pytest.approx(500_101.0), pytest.approx(4_000_050.0)),
    ]
    assert [p.diameter for p in posts] == [pytest.approx(0.8), pytest.approx(0.4)]
    assert all(p.name.startswith("POSTS ") for p in posts)
    assert all(t.name.startswith("ARM ") for t in trenches)
    assert trenches[0].northing == pytest.approx([4_000_000.0, 4_000_004.0])
    assert len({dig.name for dig in digs}) == 4


def test_a_block_in_rows_and_columns_is_as_many_digs():
    grid = {"layer": "P", "row_count": 2, "column_count": 3, "row_spacing": 5.0,
            "column_spacing": 4.0}  # fmt: skip
    content = in_blocks(("POST", (500_000.0, 4e6), grid))
    digs = read_digs(content, "p.dxf", JOB, defaults=DigDefaults(width=0.5, depth=1.0))
    places = {(round(d.easting, 6), round(d.northing, 6)) for d in digs if isinstance(d, Post)}
    assert places == {(500_001.0 + 4.0 * c, 4e6 + 5.0 * r) for r in range(2) for c in range(3)}


def test_a_reference_to_no_block_is_said():
    content = in_blocks(("GONE", (500_000.0, 4e6), {"layer": "P"}))
    with pytest.raises(InputError, match="a block that it does not hold") as caught:
        read_digs(content, "p.dxf", JOB, defaults=DigDefaults(width=0.5, depth=1.0))
    assert "GONE" in caught.value.where


def test_blocks_deep_in_each_other_are_refused():
    document = ezdxf.new()
    document.blocks.new("B0").add_circle((0.0, 0.0), 0.2)
    for k in range(1, 12):
        document.blocks.new(f"B{k}").add_blockref(f"B{k - 1}", (0.0, 0.0))
    document.modelspace().add_blockref("B11", (500_000.0, 4e6))
    stream = StringIO()
    document.write(stream)
    with pytest.raises(InputError, match="deep in each other"):
        read_digs(stream.getvalue().encode(), "p.dxf", JOB, defaults=DigDefaults(depth=1.0))


def test_shapes_drawn_in_plan_have_no_height():
    shape = {"type": "Point", "coordinates": [500_000.0, 4_000_000.0, 0.0]}
    content = json.dumps(
        {
            "type": "FeatureCollection",
            "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6342"}},
            "features": [{"type": "Feature", "properties": {}, "geometry": shape}],
        }
    ).encode()
    (post,) = read_digs(content, "p.geojson", JOB, defaults=DigDefaults(depth=1.0, diameter=0.3))
    assert post.depth == 1.0
    assert np.isnan(post.elevation)
