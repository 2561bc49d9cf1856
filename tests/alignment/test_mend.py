"""Doubtful links looked at once more, with the whole neighbourhood in view."""

from itertools import pairwise

import numpy as np

from asfound.alignment import assemble


def assembled(scene, *visits, time=True):
    """Lines of shots logged visit after visit, ten seconds apart; owner of each shot."""
    places = np.concatenate([points for _, points in visits])
    owner = np.concatenate([np.full(len(points), line) for line, points in visits])
    start = np.datetime64("2026-05-04T08:00:00", "us")
    clock = start + np.arange(len(places)) * np.timedelta64(10, "s")
    if not time:
        order = np.random.default_rng(3).permutation(len(places))
        places, owner, clock = places[order], owner[order], np.datetime64("NaT")
    easting, northing = places.T
    shots = scene.shots(easting, northing, time=clock)
    return assemble(shots, scene.ground(easting, northing)), owner


def lines_of(assembly, owner):
    """For each true line the assembled lines that its shots are in."""
    return [set(assembly.line[owner == k].tolist()) for k in np.unique(owner)]


def straight(begin, end, count):
    return np.linspace(begin, end, count)


def test_lines_side_by_side_do_not_change_places_where_the_log_goes_from_one_to_the_other(scene):
    one, two = straight((0, 0), (60, 0), 13), straight((0, 2), (60, 2), 13)
    # half of one line, straight on to the other half of the other, then the rest
    assembly, owner = assembled(scene, (0, one[:6]), (1, two[6:]), (1, two[5::-1]), (0, one[6:]))
    assert lines_of(assembly, owner) == [{0}, {1}]


def test_a_line_that_goes_round_a_building_is_not_cut_short_past_it(scene):
    corners = [(0, 0), (40, 0), (40, 25), (70, 25), (70, 0), (110, 0)]
    legs = [straight(a, b, 6)[:-1] for a, b in pairwise(corners)]
    path = np.concatenate([*legs, [corners[-1]]])
    path = np.delete(path, [5, 20], axis=0)  # no shot right at the corners where it leaves
    assembly, owner = assembled(scene, (0, path))
    assert lines_of(assembly, owner) == [{0}]
    assert np.array_equal(assembly.rank, np.arange(len(path)))


def test_ends_of_services_side_by_side_are_not_taken_for_a_line_across_them(scene):
    lengths, counts = [7.4, 6.1, 8.3, 5.4, 7.0, 5.9], [4, 3, 4, 3, 4, 3]
    services = [
        (k, straight((15.0 * k, 0), (15.0 * k + 0.5, length), count))
        for k, (length, count) in enumerate(zip(lengths, counts, strict=True))
    ]
    assembly, owner = assembled(scene, *services, time=False)
    assert sorted(map(sorted, lines_of(assembly, owner))) == [[k] for k in range(6)]


def test_a_shot_at_the_turn_of_a_curve_is_not_left_out(scene):
    angle = np.linspace(0, 1.5 * np.pi, 14)
    curve = np.column_stack((12 * np.cos(angle), 12 * np.sin(angle)))
    assembly, owner = assembled(scene, (0, curve[:7]), (0, curve[:7:-1]), (0, curve[7:8]))
    assert lines_of(assembly, owner) == [{0}]
    assert assembly.rank[13] in (6, 7)  # the last one logged lies between the two stretches


def test_lines_that_really_cross_still_cross(scene):
    one, two = straight((-30, 0), (30, 0), 12), straight((0, -30), (0, 30), 12)
    assembly, owner = assembled(scene, (0, one), (1, two))
    assert lines_of(assembly, owner) == [{0}, {1}]


def test_a_straight_gap_that_may_be_bridged_is_not_opened_again(scene):
    east = np.concatenate((np.arange(0.0, 20.0, 2.0), np.arange(32.0, 52.0, 2.0)))
    assembly, owner = assembled(scene, (0, np.column_stack((east, 0.01 * east))))
    assert lines_of(assembly, owner) == [{0}]


def test_a_last_shot_a_dozen_metres_ahead_stays_on_a_line_of_short_steps(scene):
    east = np.append(np.arange(0.0, 20.0, 1.5), 31.0)
    assembly, owner = assembled(scene, (0, np.column_stack((east, 0 * east))))
    assert lines_of(assembly, owner) == [{0}]


def test_a_join_of_two_visits_is_not_given_up_for_a_service_that_begins_beside_it(scene):
    # the second visit takes up a metre from where the first ended, somewhat aside
    main = np.vstack((straight((0, 0), (45, 0), 10), straight((46, 0.4), (91, 0.4), 10)))
    service = straight((46, -2.5), (46.5, -10), 4)
    assembly, owner = assembled(scene, (0, main[:10]), (1, service), (0, main[10:]))
    assert lines_of(assembly, owner) == [{0}, {1}]
