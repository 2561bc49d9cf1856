"""The joining of ends: what is cut apart comes together, wherever and however it lies."""

import numpy as np
import pytest

from asfound.alignment._ends import join_ends
from asfound.alignment._points import Paths, Points

STAGES = (0, 1, 2, 3)


def points_at(x, y, key=0, named=False, chain=None):
    count = len(x)
    key = np.broadcast_to(np.asarray(key, np.int32), count).copy()
    return Points(
        shot=np.arange(count),
        x=np.asarray(x, float),
        y=np.asarray(y, float),
        key=key,
        chain=np.arange(count, dtype=np.int32) if chain is None else chain,
        hookup=np.full(count, -1, np.int32),
        log=np.arange(count),
        upload=np.zeros(count, np.int32),
        scatter=np.full(count, 0.05),
        named=np.full(int(key.max(initial=0)) + 1, named),
    )


def ways(points, paths):
    """Each path as its points, in the direction that starts with the lower one; sorted."""
    parts = [
        paths.nodes[a:b].tolist() for a, b in zip(paths.starts, paths.starts[1:], strict=False)
    ]
    return sorted(part if part[0] <= part[-1] else part[::-1] for part in parts)


def joined(points, paths, stages=STAGES, alone=None):
    still = np.zeros(len(points), bool) if alone is None else alone
    return join_ends(points, paths, still, stages)


def rows(lines, shots, apart, rng):
    """Straight lines side by side, each in pieces of three shots and more, in any order."""
    x = np.tile(np.arange(shots) * 4.0, lines) + rng.normal(0, 0.03, lines * shots)
    y = np.repeat(np.arange(lines) * apart, shots) + rng.normal(0, 0.03, lines * shots)
    pieces = []
    for line in range(lines):
        cuts = np.unique(rng.choice(np.arange(4, shots - 4, 4), 3))
        for piece in np.split(np.arange(shots), cuts):
            own = piece + line * shots
            pieces.append(own if rng.random() < 0.5 else own[::-1])
    pieces = [pieces[k] for k in rng.permutation(len(pieces))]
    sizes = np.array([len(piece) for piece in pieces])
    return points_at(x, y), Paths.of_sizes(np.concatenate(pieces), sizes)


@pytest.mark.parametrize(("lines", "apart"), [(3, 40.0), (12, 6.0), (60, 3.0), (150, 2.0)])
def test_lines_cut_to_pieces_come_together_however_crowded_they_are(lines, apart):
    points, paths = rows(lines, 40, apart, np.random.default_rng(lines))
    whole = [list(range(40 * line, 40 * line + 40)) for line in range(lines)]
    assert ways(points, joined(points, paths)) == whole


def tangle(seed):
    """Short pieces and single points strewn about, of three keys."""
    rng = np.random.default_rng(seed)
    sizes = rng.choice([1, 1, 2, 3, 4, 7, 20], 150)
    bearing = np.repeat(rng.uniform(0, 6, 150), sizes)
    along = np.concatenate([np.arange(size) * 3.0 for size in sizes])
    start = np.repeat(rng.uniform(0, 150, (2, 150)), sizes, axis=1)
    x, y = start + along * np.array((np.sin(bearing), np.cos(bearing)))
    key = np.repeat(rng.integers(0, 3, 150), sizes)
    return x, y, key, Paths.of_sizes(np.arange(len(x)), sizes)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("named", [True, False])
def test_where_the_cells_of_the_grid_lie_makes_no_difference(seed, named):
    x, y, key, paths = tangle(seed)
    base = joined(points_at(x, y, key, named), paths)
    assert len(base) < len(paths)
    # by halves, that places and differences stay the same to the last digit
    x, y = np.round(x * 1024.0) / 1024.0, np.round(y * 1024.0) / 1024.0
    base = joined(points_at(x, y, key, named), paths)
    for east, north in [(37.5, -81.25), (-600.0, 59.5), (4096.0, 1.0)]:
        points = points_at(x + east, y + north, key, named)
        assert ways(points, joined(points, paths)) == ways(points, base)


@pytest.mark.parametrize("seed", range(5))
def test_joining_keeps_every_point_once_and_every_key_to_itself(seed):
    x, y, key, paths = tangle(seed)
    made = joined(points_at(x, y, key), paths)
    assert sorted(made.nodes.tolist()) == list(range(len(x)))
    assert made.starts[-1] == len(x)
    assert all(
        len(set(key[made.nodes[a:b]].tolist())) == 1
        for a, b in zip(made.starts, made.starts[1:], strict=False)
    )
    # what is joined stays joined: nothing more is found in another go
    again = joined(points_at(x, y, key), made, (3,))
    assert len(again) >= len(made) - 2


@pytest.mark.parametrize("first", [0, 8, 16])
def test_a_ring_is_opened_at_its_widest_gap(first):
    # 24 of 25 places round a circle, in three pieces; the empty place is between two of them
    corner = np.radians(np.arange(24) * 360.0 / 25.0)
    x, y = 30.0 * np.cos(corner), 30.0 * np.sin(corner)
    pieces = Paths.of_sizes(np.roll(np.arange(24), first), np.array([8, 8, 8]))
    made = joined(points_at(x, y), pieces)
    assert ways(points_at(x, y), made) == [list(range(24))]


def test_coincident_single_points_do_no_harm():
    for count in (2, 13, 40):
        made = joined(points_at(np.zeros(count), np.zeros(count)), Paths.of_sizes(
            np.arange(count), np.ones(count, np.int64)
        ))  # fmt: skip
        assert sorted(made.nodes.tolist()) == list(range(count))


def test_places_far_off_the_map_do_no_harm():
    x = np.concatenate((np.arange(10) * 4.0, [1e12, -1e150, 1e150]))
    points = points_at(x, np.zeros(13))
    made = joined(points, Paths.of_sizes(np.arange(13), np.array([5, 5, 1, 1, 1])))
    assert ways(points, made) == [list(range(10)), [10], [11], [12]]


def test_a_named_line_bridges_what_others_do_not():
    x = np.concatenate((np.arange(6) * 5.0, 130.0 + np.arange(6) * 5.0))
    pieces = Paths.of_sizes(np.arange(12), np.array([6, 6]))
    assert len(joined(points_at(x, np.zeros(12)), pieces)) == 2
    assert len(joined(points_at(x, np.zeros(12), named=True), pieces)) == 1


def test_paths_of_points_that_stay_alone_are_not_joined():
    points = points_at(np.arange(10) * 4.0, np.zeros(10))
    pieces = Paths.of_sizes(np.arange(10), np.array([5, 5]))
    alone = np.zeros(10, bool)
    assert len(joined(points, pieces, alone=alone)) == 1
    alone[:5] = True
    assert len(joined(points, pieces, alone=alone)) == 2
