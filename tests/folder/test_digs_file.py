"""`digs.toml`: read with its unit, refused with a remedy where it can't be used."""

import numpy as np
import pytest

from asfound.errors import InputError, SettingsError
from asfound.folder import new_job, read_dig_plan
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
