"""What no stakeout can mean is refused, also where it would not be used; spacing is kept."""

import numpy as np
import pytest

from asfound.errors import FrameError, InputError
from asfound.folder import parse_spacing
from asfound.model import Frame, JobSettings, StakeoutRequest
from asfound.stakeout import LEAST_SPACING, check_request, point_targets, to_service

JOB = JobSettings(name="x", frame=Frame("EPSG:6467", 2010.0))
SPOT = point_targets(["A"], np.array([396509.4]), np.array([104213.2]), kind="shot")


@pytest.mark.parametrize(
    ("service", "epoch", "plate", "told"),
    [
        (Frame("ITRF2020", None, "maybe"), 2026.9, "", "no kind of height"),
        (Frame("ITRF2020", 5.0), 2026.9, "", "5 can't be meant"),
        (Frame("ITRF2020", 20264.0), 2026.9, "", "can't be meant"),
        (Frame("ITRF2020"), 26.9, "", "can't be meant"),
        (Frame("ITRF2020"), 2026.9, "Mars", "no plate"),
    ],
)
def test_heights_epochs_and_plates_that_cant_be_meant_are_refused(service, epoch, plate, told):
    with pytest.raises(FrameError, match=told):
        to_service(SPOT, JOB, service, epoch, plate=plate)


@pytest.mark.parametrize("words", ["0 m", "0.001ft", "9 cm", "0.3", "-3 m"])
def test_a_spacing_that_no_one_can_stake_out_is_refused(words):
    with pytest.raises(InputError):
        parse_spacing(words, least=LEAST_SPACING)


@pytest.mark.parametrize("name", ["", "../x", "a/b", "a\\b", ".x", "a\nb", "a\x00b", "x..y"])
def test_a_name_that_can_t_be_a_file_s_is_refused(name):
    with pytest.raises(InputError, match="can't name"):
        check_request(StakeoutRequest(name=name, service=Frame("ITRF2020"), day=None))


@pytest.mark.parametrize("name", ["Nord Süd", "O'Hara's list", "リスト", "2026-12-01 east"])
def test_names_with_blanks_quotes_and_any_letters_are_taken(name):
    check_request(StakeoutRequest(name=name, service=Frame("ITRF2020"), day=None))
