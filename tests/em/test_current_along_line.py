"""Decay, drops and swaps of the current along simulated lines."""

import numpy as np
import pytest

from asfound.em import EventKind, current_along_lines
from asfound.errors import InputError

RATIO = 0.7


def simulate(kind, lines=800, shots=(20, 80), seed=1, noise=0.05, mistyped=0.02):
    """Lines with one event of a kind in the middle third, and some readings ten times off."""
    rng = np.random.default_rng(seed)
    count = rng.integers(shots[0], shots[1] + 1, lines)
    line = np.repeat(np.arange(lines), count)
    number = np.arange(len(line)) - np.repeat(np.cumsum(count) - count, count)
    station = 3.0 * number + rng.uniform(-0.5, 0.5, len(line))
    at = rng.uniform(0.3, 0.7, lines) * 3.0 * (count - 1)
    decay = 1.0 / rng.uniform(200, 2000, lines)
    past = np.where(kind != "none", station > at[line], False)
    log = np.log(0.1) - decay[line] * station + np.where(past, np.log(RATIO), 0.0)
    if kind == "fault":
        log -= np.where(past, (station - at[line]) / 60.0, 0.0)
    offset = rng.normal(0, 0.03, len(line)) + np.where(past & (kind == "swap"), 0.8, 0.0)
    log += noise * rng.standard_normal(len(line))
    wrong = rng.uniform(size=len(line)) < mistyped
    log += np.where(wrong, np.log(10) * rng.choice([-1, 1], len(line)), 0.0)
    return station, np.exp(log), line, offset, at, decay, wrong


def test_decay_of_quiet_lines_is_found_with_its_uncertainty():
    station, current, line, _, _, decay, _ = simulate("none")
    fit = current_along_lines(station, current, line)
    z = (fit.decay - decay) / fit.decay_sd
    quiet = ~np.isin(fit.line, fit.events.line)
    assert np.mean(np.abs(z[quiet]) < 1.96) == pytest.approx(0.95, abs=0.03)
    assert np.mean(fit.start_current / 0.1) == pytest.approx(1.0, abs=0.01)


def test_quiet_lines_seldom_show_an_event_and_hardly_ever_a_sure_one():
    station, current, line, offset, *_ = simulate("none", lines=1500)
    events = current_along_lines(station, current, line, offset=offset).events
    assert len(np.unique(events.line)) < 0.05 * 1500
    assert len(np.unique(events.line[events.confidence > 0.95])) < 0.01 * 1500


@pytest.mark.parametrize(
    ("kind", "code"),
    [("branch", EventKind.BRANCH), ("fault", EventKind.FAULT), ("swap", EventKind.SWAP)],
)
def test_events_are_found_placed_sized_and_named(kind, code):
    station, current, line, offset, at, _, _ = simulate(kind)
    events = current_along_lines(station, current, line, offset=offset).events
    sure = events.confidence > 0.95
    assert len(np.unique(events.line[sure])) > 0.98 * 800
    # The nearest sure event of each line is the true one.
    off = np.abs(events.station - at[events.line])
    nearest = np.full(800, np.inf)
    np.minimum.at(nearest, events.line[sure], off[sure])
    true = sure & (off <= nearest[events.line])
    assert true.sum() > 0.95 * sure.sum()
    z = (events.station - at[events.line])[true] / events.station_sd[true]
    assert np.mean(np.abs(z) < 1.96) > 0.93
    ratio = (events.ratio[true] - RATIO) / events.ratio_sd[true]
    assert np.mean(np.abs(ratio) < 1.96) > 0.88
    assert np.mean(events.kind[true] == code) > 0.93
    if kind == "swap":
        assert np.median(events.jump[true]) == pytest.approx(0.8, abs=0.05)


def test_mistyped_readings_are_reported_and_bend_nothing():
    station, current, line, offset, _, _, wrong = simulate("branch")
    fit = current_along_lines(station, current, line, offset=offset)
    assert fit.outlier[wrong].mean() > 0.98
    assert fit.outlier[~wrong].mean() < 0.003
    clean = current_along_lines(station[~wrong], current[~wrong], line[~wrong])
    assert np.mean(np.abs(fit.decay - clean.decay) < 2 * clean.decay_sd) > 0.95


def test_a_current_that_rises_away_from_the_feed_is_a_swap():
    station = np.arange(0.0, 150.0, 4.0)
    current = 0.08 * np.exp(-station / 400) * np.where(station < 70, 1.0, 1.6)
    direction = np.array([1], dtype=np.int8)
    events = current_along_lines(station, current, direction=direction).events
    assert [EventKind(k) for k in events.kind] == [EventKind.SWAP]
    # With offsets that show no jump it can't be told.
    still = current_along_lines(
        station, current, direction=direction, offset=np.zeros_like(station)
    )
    assert [EventKind(k) for k in still.events.kind] == [EventKind.UNCLEAR]


def test_known_tees_tell_branches_from_faults():
    station = np.arange(0.0, 300.0, 5.0)
    share = np.where(station < 100, 1.0, 0.75) * np.where(station < 200, 1.0, 0.75)
    current = 0.1 * np.exp(-station / 800) * share
    tees = (np.array([0]), np.array([98.0]))
    kinds = current_along_lines(station, current, tees=tees).events.kind
    assert [EventKind(k) for k in kinds] == [EventKind.BRANCH, EventKind.FAULT]


def test_a_line_fed_from_the_other_end_gives_the_same_event():
    station, current, line, offset, *_ = simulate("branch", lines=40)
    fit = current_along_lines(station, current, line, offset=offset)
    back = current_along_lines(300.0 - station, current, line, offset=offset)
    np.testing.assert_array_equal(back.direction, -fit.direction)
    np.testing.assert_allclose(300.0 - back.events.station, fit.events.station, rtol=1e-9)
    np.testing.assert_allclose(back.events.ratio, fit.events.ratio, rtol=1e-9)
    np.testing.assert_allclose(back.decay, fit.decay, rtol=1e-7, atol=1e-12)


def test_lines_together_and_alone_give_the_same():
    station, current, line, offset, *_ = simulate("swap", lines=30, shots=(8, 60))
    together = current_along_lines(station, current, line, offset=offset)
    for code in range(30):
        own = line == code
        alone = current_along_lines(station[own], current[own], line[own], offset=offset[own])
        np.testing.assert_allclose(together.fitted[own], alone.fitted, rtol=1e-9)
        np.testing.assert_array_equal(together.piece[own], alone.piece)
        np.testing.assert_allclose(
            together.events.station[together.events.line == code], alone.events.station, rtol=1e-9
        )


def test_the_order_of_shots_does_not_matter():
    station, current, line, offset, *_ = simulate("branch", lines=20)
    shuffled = np.random.default_rng(0).permutation(len(line))
    fit = current_along_lines(station, current, line, offset=offset)
    again = current_along_lines(
        station[shuffled], current[shuffled], line[shuffled], offset=offset[shuffled]
    )
    np.testing.assert_allclose(again.fitted, fit.fitted[shuffled], rtol=1e-9)
    np.testing.assert_allclose(again.events.station, fit.events.station, rtol=1e-9)


def test_a_noisier_crew_is_noticed():
    station, current, line, *_ = simulate("none", lines=300, shots=(60, 80), noise=0.12, mistyped=0)
    fit = current_along_lines(station, current, line)
    assert np.median(fit.noise) == pytest.approx(0.12, rel=0.1)
    assert len(np.unique(fit.events.line)) < 0.08 * 300


def test_few_missing_and_impossible_readings_are_said_not_guessed():
    station = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 0.0, 5.0, 7.0, 7.0])
    current = np.array([0.1, np.nan, 0.09, -0.02, 0.085, 0.1, 0.09, np.nan, 0.0])
    line = np.array([4, 4, 4, 4, 4, 9, 9, 12, 12])
    fit = current_along_lines(station, current, line)
    np.testing.assert_array_equal(fit.line, [4, 9, 12])
    np.testing.assert_array_equal(np.isnan(fit.decay), [False, True, True])
    np.testing.assert_array_equal(np.isfinite(fit.fitted), line * 0 + [1, 0, 1, 0, 1, 0, 0, 0, 0])
    assert len(fit.events.line) == 0
    empty = current_along_lines(np.empty(0), np.empty(0))
    assert len(empty.line) == 0


def test_columns_that_do_not_fit_are_refused_with_what_to_measure():
    with pytest.raises(InputError, match="NaN where none was read"):
        current_along_lines(np.zeros(3), np.ones(2))
    with pytest.raises(InputError, match="distance along its line"):
        current_along_lines(np.array([0.0, np.nan, 2.0]), np.ones(3))
    with pytest.raises(InputError, match="five times at one place"):
        current_along_lines(np.arange(3.0), np.ones(3), noise=0.0)
