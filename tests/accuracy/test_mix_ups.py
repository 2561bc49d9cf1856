import math
from dataclasses import replace

import numpy as np
import pytest

from asfound.accuracy import Suspect, find_mix_ups, weigh
from asfound.errors import InputError
from asfound.model import Frame, JobSettings, Shots, Source

COUNT = 4
COVARIANCE = np.eye(3 * COUNT) * 0.01**2
ZERO = np.zeros((COUNT, 3))


def shifted(*step):
    return ZERO + np.array(step)


def innocent(residual):
    return Suspect("", "as declared", residual)


def test_checks_that_close_show_no_mix_up():
    report = weigh((innocent(shifted(0.005, -0.005, 0.0)),), COVARIANCE, upload="B")
    assert report.named == ""
    assert report.chance > 0.5
    assert "upload B show no mix-up" in report.words[0]


def test_a_suspect_that_closes_what_is_open_is_named_with_its_weight():
    report = weigh(
        (
            innocent(shifted(1.3, -0.5, 0.9)),
            Suspect("frame", "it is in F", shifted(0.0, 0.01, 0.0)),
        ),
        COVARIANCE,
    )
    assert report.named == "frame"
    assert report.causes[0].weight > 0.99
    assert report.misclosure == pytest.approx(math.hypot(1.3, 0.5, 0.9))
    assert "if it is in F, the checks close within 0.010 m" in report.words[1]


def test_two_suspects_that_explain_alike_are_both_shown_and_none_is_named():
    report = weigh(
        (
            innocent(shifted(0.0, 0.0, 1.4)),
            Suspect("antenna-feet", "feet", ZERO),
            Suspect("antenna-height", "not taken off", ZERO + 1e-4),
        ),
        COVARIANCE,
    )
    assert report.named == ""
    assert {c.cause for c in report.causes[:2]} == {"antenna-feet", "antenna-height"}
    assert "No single known mix-up" in report.words[1]


def test_suspects_that_can_not_be_told_apart_are_one_with_all_their_words():
    tried = (
        innocent(shifted(1.3, 0.0, 0.0)),
        Suspect("frame", "in F1", ZERO),
        Suspect("frame", "in F2", shifted(0.005, 0.0, 0.0)),
        Suspect("frame", "in F3", shifted(0.5, 0.0, 0.0)),
    )
    assert weigh(tried, COVARIANCE).causes[0].words == ("in F1", "in F2")


def test_a_common_offset_that_nothing_predicts_is_left_without_a_known_cause():
    report = weigh(
        (innocent(shifted(2.2, 1.7, -0.8)), Suspect("frame", "in F", shifted(0.9, 2.2, 0.1))),
        COVARIANCE,
    )
    assert report.named == ""
    assert report.causes[0].cause == "common-offset"


def test_checks_that_disagree_with_each_other_are_said_to():
    rng = np.random.default_rng(1)
    report = weigh((innocent(0.2 * rng.standard_normal((COUNT, 3))),), COVARIANCE)
    assert report.causes[0].cause == "scatter"
    assert report.named == ""


def test_a_free_height_is_found_with_its_size_and_only_within_its_range():
    free = Suspect("height-kind", "geoid", ZERO, offsets=((-60.0, 90.0), (-90.0, 60.0)))
    high = shifted(0.0, 0.0, 33.2)
    report = weigh((innocent(high), replace(free, residual=high)), COVARIANCE)
    assert report.named == "height-kind"
    assert report.causes[0].offset == pytest.approx(33.2)
    beyond = shifted(0.0, 0.0, 300.0)
    assert weigh((innocent(beyond), replace(free, residual=beyond)), COVARIANCE).named == ""


def test_without_heights_only_the_plan_is_weighed():
    flat = np.array([1.3, -0.5, np.nan])
    tried = (innocent(ZERO + flat), Suspect("frame", "in F", ZERO + flat * [0.0, 0.0, 1.0]))
    assert weigh(tried, COVARIANCE).named == "frame"


def test_a_declared_reading_that_is_impossible_is_evidence_against_it():
    tried = (innocent(ZERO + np.nan), Suspect("swapped-axes", "swapped", shifted(0.01, 0.0, 0.0)))
    report = weigh(tried, COVARIANCE)
    assert report.named == "swapped-axes"
    assert math.isinf(report.misclosure)
    assert "not where the declared frame can be" in report.words[0]


def test_where_no_reading_is_possible_nothing_is_named():
    report = weigh((innocent(ZERO + np.nan),), COVARIANCE)
    assert report.named == ""
    assert len(report.words) == 2


def test_shapes_that_disagree_are_refused():
    shots = Shots.build(np.zeros(2), np.zeros(2))
    source = Source("A", "", "", 0, 2, Frame("ITRF2020"))
    with pytest.raises(InputError, match="2 checks"):
        find_mix_ups(shots, source, JobSettings("j", Frame("EPSG:6428")), ZERO, COVARIANCE)
