"""Quality levels of ASCE 38-22, PAS 128, CSA S250 and AS 5488.1.

The standards themselves could not be read. Figures: PAS 128 from two public summaries; AS 5488.1
level B, 300 mm horizontally, from a public summary; the others from memory (as the data say of
themselves). ASCE 38-22 sets no accuracy figure.
"""

import math

import pytest

from asfound.accuracy import KNOWN_BY, propose_level, scheme, schemes
from asfound.errors import InputError
from asfound.model import Segment, Verdict


def segment(known_by="detected", horizontal=0.10, vertical=0.12, depth=1.2):
    end = 5.0 if known_by == "exposed" else 25.0
    return Segment("G1", 5.0, end, known_by, horizontal, vertical, depth)


def level_of(name, *args, **kwargs):
    proposal = propose_level(segment(*args, **kwargs), scheme(name))
    return proposal.level.name if proposal.level else None


def test_every_scheme_says_where_its_figures_are_from_and_what_is_not_verified():
    assert [s.id for s in schemes()] == ["asce-38-22", "pas-128", "csa-s250", "as-5488"]
    for chosen in schemes():
        assert "unverified" in chosen.read
        assert all(level.needs in KNOWN_BY for level in chosen.levels)
        assert len({level.name for level in chosen.levels}) == len(chosen.levels)


@pytest.mark.parametrize(
    ("known_by", "level"),
    [("exposed", "A"), ("detected", "B"), ("surface-features", "C"), ("records", "D")],
)
def test_asce_38_goes_by_how_it_was_found_whatever_the_uncertainty(known_by, level):
    assert level_of("asce-38-22", known_by, 5.0, 5.0) == level
    assert all(math.isnan(step.horizontal) for step in scheme("asce-38-22").levels)


@pytest.mark.parametrize(
    ("horizontal", "vertical", "depth", "level"),
    [
        (0.150, 0.150, 1.0, "B1"),
        (0.151, 0.150, 1.0, "B2"),
        (0.290, 0.150, 2.0, "B1"),  # 15 % of 2 m is 300 mm
        (0.150, 0.151, 1.0, "B2"),
        (0.250, 0.400, 1.0, "B2"),
        (0.450, 0.401, 1.0, "B3"),
        (0.450, math.nan, math.nan, "B3"),
        (0.501, 0.401, 1.0, "B4"),
    ],
)
def test_pas_128_takes_the_greater_of_the_length_and_the_share_of_the_depth(
    horizontal, vertical, depth, level
):
    assert level_of("pas-128", "detected", horizontal, vertical, depth) == level


@pytest.mark.parametrize(
    ("size", "level"),
    [(0.025, "1"), (0.026, "2"), (0.1, "2"), (0.3, "3"), (0.31, "4"), (1.0, "4"), (1.1, "5")],
)
def test_csa_s250_goes_by_the_95_percent_figure(size, level):
    assert level_of("csa-s250", "detected", size, 0.02) == level
    assert level_of("csa-s250", "detected", 0.02, size) == level
    assert level_of("csa-s250", "assumed", size, size) == "0"


def test_as_5488_asks_for_exposure_and_5_cm_for_level_a():
    assert level_of("as-5488", "exposed", 0.05, 0.05) == "A"
    assert level_of("as-5488", "exposed", 0.06, 0.05) == "B"
    assert level_of("as-5488", "detected", 0.04, 0.04) == "B"
    # detected, but too unsurely for B: C would claim surveyed surface features
    unsure = propose_level(segment("detected", 0.31, 0.04), scheme("as-5488"))
    assert unsure.level.name == "D"
    assert "less surely" in unsure.reasons[0]
    assert unsure.next_level.name == "B"


def test_a_proposal_gives_reasons_what_is_lacking_and_who_assigns():
    proposal = propose_level(segment(horizontal=0.2, depth=1.0), scheme("pas-128"))
    assert proposal.level.name == "B2"
    assert proposal.next_level.name == "B1"
    assert proposal.lacking == (
        "horizontal uncertainty is 0.200 m (95 %), the level allows 0.150 m",
    )
    assert "detected from the surface" in proposal.reasons[0]
    assert "licensed professional assigns" in proposal.words
    best = propose_level(segment("exposed"), scheme("asce-38-22"))
    assert best.lacking == ()
    assert best.next_level is None
    gap = propose_level(segment("records"), scheme("asce-38-22"))
    assert "surface features" in gap.lacking[0]


def test_an_unfit_line_gets_no_level_and_a_doubtful_one_a_warning():
    unfit = propose_level(segment(), scheme("pas-128"), verdict=Verdict.UNFIT)
    assert unfit.level is None
    assert "settle the findings" in unfit.words
    doubtful = propose_level(segment(), scheme("pas-128"), verdict=Verdict.DOUBTFUL)
    assert doubtful.level is not None
    assert "doubtful" in doubtful.words
    # an exposure is seen, whatever the findings about the line
    seen = propose_level(segment("exposed"), scheme("pas-128"), verdict=Verdict.UNFIT)
    assert seen.level.name == "A"


def test_an_unknown_scheme_is_refused_with_the_known_ones():
    with pytest.raises(InputError, match="asce-38-02"):
        scheme("asce-38-02")
