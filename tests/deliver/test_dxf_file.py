"""The DXF read back and audited by ezdxf, and read by GDAL."""

from __future__ import annotations

from pathlib import Path

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf import recover

from asfound.deliver import write_outputs
from asfound.deliver.dxf import plain_text
from asfound.model import APWA_COLOURS, CAUTIONS, Results, Utility, Verdict


@pytest.fixture(scope="module")
def path(any_results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out")
    write_outputs(any_results, folder, formats=("dxf",))
    return folder / "map.dxf"


def test_the_drawing_passes_an_audit(path: Path) -> None:
    drawing, auditor = recover.readfile(path)
    assert not auditor.has_errors
    assert not auditor.fixes
    assert drawing.dxfversion == "AC1032"  # R2018


@pytest.mark.parametrize(("unit", "code"), [("m", 6), ("ftUS", 21)])
def test_insert_units_follow_the_crs(build, unit: str, code: int, tmp_path: Path) -> None:
    # DXF reference, $INSUNITS: 6 metres, 21 US survey feet.
    write_outputs(build(unit), tmp_path, formats=("dxf",))
    drawing = ezdxf.readfile(tmp_path / "map.dxf")
    assert drawing.header["$INSUNITS"] == code
    assert drawing.header["$MEASUREMENT"] == (1 if unit == "m" else 0)


def test_layers_tell_utility_and_verdict_in_true_colours(metre: Results, tmp_path: Path) -> None:
    write_outputs(metre, tmp_path, formats=("dxf",))
    drawing = ezdxf.readfile(tmp_path / "map.dxf")
    for name, utility in (
        ("GAS-SOUND", Utility.GAS),
        ("GAS-UNFIT", Utility.GAS),
        ("GAS-DOUBTFUL", Utility.GAS),
        ("WATER-DOUBTFUL", Utility.WATER),
        ("ELECTRIC-SOUND-ELLIPSE", Utility.ELECTRIC),
    ):
        assert tuple(drawing.layers.get(name).rgb) == APWA_COLOURS[utility].rgb


def test_axes_are_3d_polylines_with_the_lines_own_vertices(
    any_results: Results, path: Path
) -> None:
    space = ezdxf.readfile(path).modelspace()
    axes = space.query("POLYLINE")
    deep = [line for line in any_results.lines if np.isfinite(line.height).all()]
    assert len(axes) == len(deep)
    for axis, line in zip(axes, deep, strict=True):
        assert axis.is_3d_polyline
        vertices = np.array([v.dxf.location.xyz for v in axis.vertices])
        expected = np.column_stack([line.easting, line.northing, line.height])
        np.testing.assert_allclose(vertices * any_results.ground.unit_metres, expected, atol=1e-6)


def test_each_shot_has_its_ellipse_to_scale_and_its_symbol(
    metre: Results, path: Path, tmp_path: Path
) -> None:
    write_outputs(metre, tmp_path, formats=("dxf",))
    space = ezdxf.readfile(tmp_path / "map.dxf").modelspace()
    ellipses = space.query("ELLIPSE")
    assert len(ellipses) == len(metre.ground)
    for k, ellipse in enumerate(ellipses):
        major = ellipse.dxf.major_axis
        assert major.magnitude == pytest.approx(metre.budget.ellipse[k, 0], rel=1e-6)
        assert ellipse.dxf.ratio * major.magnitude == pytest.approx(metre.budget.ellipse[k, 1])
    dashed = [e for e in ellipses if e.dxf.linetype == "ASFOUND_DASHED"]
    assert len(dashed) == np.count_nonzero(metre.verdict)
    strokes = space.query('LINE[layer=="GAS-UNFIT"]')
    assert len(strokes) == 1
    open_ticks = [
        p
        for p in space.query("LWPOLYLINE")
        if p.closed and len(p) == 4 and p.dxf.layer in ("GAS-DOUBTFUL", "WATER-DOUBTFUL")
    ]
    assert len(open_ticks) == 2


def test_points_stand_at_conductor_centres(any_results: Results, path: Path) -> None:
    points = ezdxf.readfile(path).modelspace().query("POINT")
    centre = any_results.budget.centre_height
    under = [c.height for sweep in any_results.sweeps for c in sweep.conductors]
    expected = np.concatenate([centre, np.array(under, np.float64)])
    heights = sorted(p.dxf.location.z * any_results.ground.unit_metres for p in points)
    assert heights == pytest.approx(sorted(expected[np.isfinite(expected)]), abs=1e-6)


def test_facts_and_cautions_are_in_the_drawing_and_its_properties(
    any_results: Results, path: Path
) -> None:
    drawing = ezdxf.readfile(path)
    texts = [t.dxf.text for t in drawing.modelspace().query('TEXT[layer=="NOTES"]')]
    for caution in CAUTIONS:
        assert f"CAUTION: {caution}" in texts
    properties = dict(drawing.header.custom_vars.properties)
    assert "NAD83(2011)" in properties["CRS"]
    assert properties["Epoch"].startswith("2010")
    assert properties["Caution 1"] == CAUTIONS[0]


def test_gdal_reads_the_drawing(metre: Results, tmp_path: Path) -> None:
    write_outputs(metre, tmp_path, formats=("dxf",))
    info, _, geometry, data = pyogrio.raw.read(tmp_path / "map.dxf")
    layers = data[info["fields"].tolist().index("Layer")]
    shapes = shapely.from_wkb(geometry)
    axis = [
        s
        for s, name in zip(shapes, layers, strict=True)
        if name == "GAS-SOUND" and s.geom_type == "LineString" and s.has_z
    ]
    assert any(shapely.get_num_coordinates(s) == len(metre.lines[0].easting) for s in axis)


def test_hostile_text_is_one_harmless_line(hostile: Results, tmp_path: Path) -> None:
    write_outputs(hostile, tmp_path, formats=("dxf",))
    drawing, auditor = recover.readfile(tmp_path / "map.dxf")
    assert not auditor.has_errors
    for text in drawing.modelspace().query("TEXT"):
        assert "\n" not in text.dxf.text
        assert "%%" not in text.dxf.text
    assert not drawing.modelspace().query("MTEXT")
    # DXF reference: %% starts a special character, ^ a control character.
    assert plain_text("a%%db\n0\nEOF ^J \\U+0041") == "a% %db 0 EOF ^ J \\ U+0041"


def test_the_drawing_opens_on_the_job_even_with_a_stray_shot_far_away(
    build, tmp_path: Path
) -> None:
    results = build()
    stray = len(results.ground) - 1
    results.ground.easting[stray] += 50_000.0
    results.verdict[stray] = Verdict.UNFIT
    write_outputs(results, tmp_path, formats=("dxf",))
    drawing = ezdxf.readfile(tmp_path / "map.dxf")
    view = drawing.viewports.get("*Active")[0].dxf
    middle = np.median(results.lines[0].easting)
    assert view.height < 400.0
    assert abs(view.center[0] - middle) < 200.0
    notes = drawing.modelspace().query('TEXT[layer=="NOTES"]')
    assert max(text.dxf.height for text in notes) < 2.0
    # The header's extents hold all that is drawn of shots, the stray one too.
    low, high = (np.array(drawing.header[name]) for name in ("$EXTMIN", "$EXTMAX"))
    assert low[0] <= np.nanmin(results.ground.easting)
    assert high[0] >= np.nanmax(results.ground.easting)
    assert (low <= high).all()


def test_text_is_set_in_a_typeface_that_knows_more_than_latin(path: Path) -> None:
    # DXF reference, STYLE group 3: an .shx stroke font draws a question mark for most scripts.
    assert ezdxf.readfile(path).styles.get("Standard").dxf.font.endswith(".ttf")
