"""LandXML: alignments with profiles, the unit and the CRS that a file declares.

Element and attribute names: LandXML-1.2 schema (landxml.org), from memory.
"""

import numpy as np
import pytest

from asfound.errors import InputError
from asfound.intake.digs import DigDefaults, read_digs
from asfound.model import Frame, JobSettings

METRES = JobSettings(name="x", frame=Frame("EPSG:6342"))
FEET = JobSettings(name="x", frame=Frame("EPSG:6467"))  # a state plane in US survey feet
BORE = DigDefaults(final_diameter=0.3, kind="bore")


def alignment(profile="", *, head="", begin="0"):
    return f"""<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2">{head}<Alignments>
    <Alignment name="B1" length="100" staStart="{begin}"><CoordGeom>
    <Line><Start>4000000 500000</Start><End>4000000 500060</End></Line>
    <Line><Start>4000000 500060</Start><End>4000040 500060</End></Line></CoordGeom>
    {profile}</Alignment></Alignments></LandXML>""".encode()


def profile(*rows):
    return f"<Profile><ProfAlign name='p'>{''.join(rows)}</ProfAlign></Profile>"


def test_heights_of_an_alignment_come_from_its_profile():
    rows = "<PVI>1000 99</PVI>", "<PVI>1030 96</PVI>", "<PVI>1100 98.8</PVI>"
    (bore,) = read_digs(alignment(profile(*rows), begin="1000"), "b.xml", METRES, defaults=BORE)
    assert bore.easting.tolist() == [500000, 500030, 500060, 500060]
    assert bore.northing.tolist() == [4000000, 4000000, 4000000, 4000040]
    # from station 1030 to 1100 it rises 2.8 m in 70 m: at the corner in plan (1060) 1.2 m
    assert np.allclose(bore.elevation, [99.0, 96.0, 97.2, 98.8])
    assert np.isnan(bore.depth).all()


def test_a_parabola_of_a_profile_is_a_parabola():
    rows = "<PVI>0 100</PVI>", "<ParaCurve length='40'>50 95</ParaCurve>", "<PVI>100 100</PVI>"
    (bore,) = read_digs(alignment(profile(*rows)), "b.xml", METRES, defaults=BORE)
    along = np.concatenate(
        ([0.0], np.cumsum(np.hypot(np.diff(bore.easting), np.diff(bore.northing))))
    )
    at = np.linspace(30.0, 70.0, 81)
    # middle ordinate of a symmetric vertical curve: A L / 8 (handbooks of highway surveying)
    assert np.interp(50.0, along, bore.elevation) == pytest.approx(95.0 + 0.2 * 40 / 8, abs=2e-3)
    exact = 97.0 - 0.1 * (at - 30.0) + 0.5 * 0.2 / 40.0 * (at - 30.0) ** 2
    assert np.allclose(np.interp(at, along, bore.elevation), exact, atol=1.1e-3)


def test_a_bore_runs_only_as_far_as_its_profile():
    rows = "<PVI>20 99</PVI>", "<PVI>80 99</PVI>"
    (bore,) = read_digs(alignment(profile(*rows)), "b.xml", METRES, defaults=BORE)
    assert (bore.easting[0], bore.northing[-1]) == (500020.0, 4000020.0)


UNITS = "<Units><Imperial linearUnit='{}'/></Units>"
FOUND = "<CoordinateSystem epsgCode='{}'/>"


def test_a_file_in_the_jobs_unit_and_frame_is_read():
    head = UNITS.format("USSurveyFoot") + FOUND.format("6467")
    (bore,) = read_digs(
        alignment(profile("<PVI>0 99</PVI>", "<PVI>100 99</PVI>"), head=head), "b.xml", FEET,
        defaults=BORE,
    )  # fmt: skip
    assert bore.easting[0] == pytest.approx(500000 * 1200 / 3937)
    assert bore.elevation[0] == pytest.approx(99 * 1200 / 3937)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (alignment(head=UNITS.format("foot")), "international foot"),
        (alignment(head="<Units><Metric linearUnit='meter'/></Units>"), "in metre"),
        (alignment(head=UNITS.format("chain")), "'chain'"),
        (alignment(head=FOUND.format("6342")), "UTM zone 13N"),
        (alignment(profile("<PVI>0 99</PVI>")), "fewer than two"),
        (alignment(profile("<PVI>50 99</PVI>", "<PVI>0 98</PVI>")), "go back"),
        (alignment(profile("<PVI>200 99</PVI>", "<PVI>300 98</PVI>")), "runs from station"),
        (alignment(profile("<PVI>0 1</PVI>", "<CircCurve>9 1</CircCurve>")), "CircCurve"),
        (alignment(profile("<PVI>0 1</PVI>", "<PVI>9</PVI>")), "station and a height"),
        (
            alignment(
                profile(
                    "<PVI>0 1</PVI>",
                    "<ParaCurve length='30'>20 1</ParaCurve>",
                    "<ParaCurve length='30'>40 2</ParaCurve>",
                    "<PVI>100 1</PVI>",
                )
            ),
            "overlap",
        ),
    ],
)
def test_what_does_not_fit_is_refused_with_a_remedy(content, what):
    with pytest.raises(InputError, match=what) as caught:
        read_digs(content, "b.xml", FEET, defaults=BORE)
    assert caught.value.remedy


KML = """<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>P</name>
<LineString>{}<coordinates>-105.0,39.0,0 -105.0,39.0001,0</coordinates></LineString>
</Placemark></Document></kml>"""


@pytest.mark.parametrize("mode", ["", "<altitudeMode>clampToGround</altitudeMode>"])
def test_altitudes_of_kml_count_only_where_they_are_absolute(mode):
    # OGC KML 2.3, altitudeMode: by default the altitude is ignored and the shape lies on the ground
    usual = DigDefaults(width=0.5, depth=1.0)
    frame = Frame("EPSG:6318", height_kind="none")
    content = KML.format(mode).encode()
    (trench,) = read_digs(content, "t.kml", METRES, frame=frame, defaults=usual)
    assert np.isnan(trench.elevation).all()
    assert trench.depth.tolist() == [1.0]
