"""`job.toml`: written, read back, and refused with a remedy where it can't be used."""

import tomllib
from datetime import date

import numpy as np
import pytest

from asfound.errors import SettingsError
from asfound.folder import settings_from_tree, settings_text
from asfound.model import (
    AccuracySettings,
    ControlPoint,
    Frame,
    JobSettings,
    NominalSize,
    Receiver,
    Utility,
)


def _full_settings():
    return JobSettings(
        name='A "quoted" name\\with\nnewline',
        frame=Frame("EPSG:6487", 2026.88, "orthometric", "grid.tif"),
        client="Invented Water Board",
        length_unit="ftUS",
        invented=True,
        work_area=np.array([[-100.0, 40.0], [-100.0, 40.1], [-99.9, 40.0]]),
        control=(ControlPoint("CP1", 1000.0, 2000.0, 30.5), ControlPoint("CP2", 1.0, 2.0, 3.0)),
        receivers=(Receiver("R-1", verified=date(2026, 5, 1), note="spare"),),
        sizes=(NominalSize(0.1143, Utility.GAS, basis="records"), NominalSize(0.2, line="W1")),
        processed_on=date(2026, 11, 20),
        profile={"tilt": {"doubt": 5.0}},
        accuracy=AccuracySettings(("pas-128", "asce-38-22"), 0.9, "records"),
    )


def test_settings_come_back_as_written():
    settings = _full_settings()
    back = settings_from_tree(tomllib.loads(settings_text(settings)), "job.toml")
    for field in ("name", "client", "invented", "length_unit", "control", "receivers", "sizes"):
        assert getattr(back, field) == getattr(settings, field)
    assert back.frame == settings.frame
    assert back.processed_on == settings.processed_on
    assert back.profile == settings.profile
    assert back.accuracy == settings.accuracy
    assert np.allclose(back.work_area, settings.work_area)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[job]\nname = 'x'\n", "crs"),
        ("[job]\n[frame]\ncrs='EPSG:6487'\n", "name"),
        ("[job]\nname='x'\nnmae='y'\n[frame]\ncrs='EPSG:6487'\n", "nmae"),
        ("[jbo]\nname='x'\n", "jbo"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[accuracy]\nschemes='iso'\n", "iso"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[accuracy]\nconfidence=95\n", "0.999"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[accuracy]\ngaps=1\n", "gaps"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\nepoch='now'\n", "epoch"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\nepoch=nan\n", "epoch"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[units]\nlength='foot'\n", "foot"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\nheights='orthometric'\n", "geoid"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[work_area]\nring=[[40.0,-100.0]]\n", "ring"),
        (
            "[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[work_area]\n"
            "ring=[[40.0,-100.0],[41.0,-100.0],[41.0,-101.0]]\n",
            "longitude comes first",
        ),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[[size]]\noutside_diameter=-1\n", "negative"),
        (
            "[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[[size]]\noutside_diameter=1\nutility='gaz'",
            "gaz",
        ),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[[control]]\nname='a'\n", "easting"),
        ("[job]\nname='x'\n[frame]\ncrs='EPSG:6487'\n[control]\nname='a'\n", "control"),
        ("job = 3\n[frame]\ncrs='EPSG:6487'\n", "job"),
    ],
)
def test_settings_that_cannot_be_used_are_named(text, named):
    with pytest.raises(SettingsError) as caught:
        settings_from_tree(tomllib.loads(text), "job.toml")
    assert named in str(caught.value)
    assert caught.value.remedy
    assert "job.toml" in caught.value.where
