import numpy as np
import pytest

from asfound.accuracy import propose_levels, scheme, segments_of
from asfound.errors import InputError
from asfound.model import Line, Utility


def a_line(gaps=(), height=True):
    station = np.linspace(0.0, 40.0, 41)
    nothing = np.empty(0)
    spread = np.where((station > 9.0) & (station < 21.0), 0.2, 0.05)
    return Line(
        name="W1",
        utility=Utility.WATER,
        shots=np.empty(0, np.int64),
        used=np.empty(0, bool),
        weight=nothing,
        station=nothing,
        residual=np.empty((0, 3)),
        axis_station=station,
        easting=station,
        northing=0.0 * station,
        height=8.8 + 0.01 * station if height else np.full(41, np.nan),
        ground_height=np.full(41, 10.0),
        bearing=np.full(41, np.pi / 2),
        covariance=spread[:, None, None] ** 2 * np.eye(3),
        independent=spread[:, None, None] ** 2 * np.eye(3),
        bends=np.empty((0, 2)),
        gaps=np.array(gaps, float).reshape(-1, 2),
    )


def test_a_line_without_gaps_is_one_detected_segment():
    (only,) = segments_of(a_line())
    assert (only.start, only.end, only.known_by) == (0.0, 40.0, "detected")
    assert only.horizontal_95 == pytest.approx(2.4477 * 0.2, rel=1e-4)
    assert only.vertical_95 == pytest.approx(1.96 * 0.2, rel=1e-4)
    assert only.depth == pytest.approx(0.8)  # the least


def test_gaps_cut_a_line_and_are_not_called_detected():
    parts = segments_of(a_line([(9.5, 20.5)]), gaps_known_by="records")
    assert [(p.start, p.end, p.known_by) for p in parts] == [
        (0.0, 9.5, "detected"),
        (9.5, 20.5, "records"),
        (20.5, 40.0, "detected"),
    ]
    # the ends of the gap belong to the stretches beside it, where the envelope is already wide
    assert parts[1].horizontal_95 == pytest.approx(2.4477 * 0.2, rel=1e-4)


def test_an_exposure_proves_a_point_and_not_the_stretch():
    parts = segments_of(a_line(), exposed=[("E1", 12.0, 0.01, 0.02)])
    assert [p.known_by for p in parts] == ["detected", "exposed"]
    seen = parts[1]
    assert seen.start == seen.end == 12.0
    assert seen.horizontal_95 == pytest.approx(0.024477, rel=1e-4)
    assert seen.name == "E1"


def test_a_line_without_depths_has_no_vertical_figure():
    (only,) = segments_of(a_line(height=False))
    assert np.isnan(only.vertical_95)
    assert np.isnan(only.depth)


def test_exposures_off_the_line_and_gaps_known_by_nothing_sensible_are_refused():
    with pytest.raises(InputError, match="lies off"):
        segments_of(a_line(), exposed=[("E1", 41.0, 0.01, 0.02)])
    with pytest.raises(InputError, match="known by"):
        segments_of(a_line([(5, 6)]), gaps_known_by="exposed")


def test_levels_change_where_the_envelope_crosses_their_limits():
    proposals = propose_levels(a_line(), scheme("as-5488"))
    assert [(p.segment.start, p.segment.end, p.level.name) for p in proposals] == [
        (0.0, 9.0, "B"),
        (9.0, 21.0, "D"),
        (21.0, 40.0, "B"),
    ]
    assert proposals[0].segment.horizontal_95 == pytest.approx(2.4477 * 0.05, rel=1e-4)


def test_a_short_better_stretch_counts_to_the_worse_one_beside_it():
    wide = propose_levels(a_line(), scheme("as-5488"), shortest=10.0)
    assert [(p.segment.start, p.segment.end, p.level.name) for p in wide] == [
        (0.0, 21.0, "D"),
        (21.0, 40.0, "B"),
    ]


def test_exposures_and_gaps_keep_their_own_proposals_among_the_stretches():
    proposals = propose_levels(
        a_line([(9.5, 20.5)]), scheme("pas-128"), exposed=[("E1", 12.0, 0.01, 0.02)]
    )
    assert [p.level.name for p in proposals] == ["B1", "B2", "B4", "A", "B2", "B1"]
