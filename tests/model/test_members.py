"""Which shots a line has, in order."""

import numpy as np
import pytest

from asfound.model import Assembly


def assembled(line, rank, lines):
    nothing = np.full(len(line), np.nan)
    return Assembly(
        np.asarray(line, np.int32),
        np.asarray(rank, np.int32),
        nothing,
        nothing,
        tuple(f"L{k}" for k in range(lines)),
        np.ones(lines, np.int8),
        np.full(lines, -1, np.int32),
    )


@pytest.mark.parametrize("seed", range(5))
def test_shots_of_a_line_stand_in_order_of_rank(seed):
    rng = np.random.default_rng(seed)
    line = rng.integers(-1, 6, 200)
    line[line == 3] = -1
    rank = np.full(200, -1)
    for k in range(6):
        mine = np.flatnonzero(line == k)
        rank[mine] = rng.permutation(len(mine))
    shots, starts = assembled(line, rank, 7).members()
    assert starts[-1] == np.count_nonzero(line >= 0)
    for k in range(7):
        mine = shots[starts[k] : starts[k + 1]]
        assert (line[mine] == k).all()
        assert (rank[mine] == np.arange(len(mine))).all()
        assert len(mine) == np.count_nonzero(line == k)


def test_ranks_with_gaps_or_ties_still_order_the_shots():
    shots, starts = assembled([0, 1, 0, -1, 0, 1], [9, 4, 2, -1, 2, 0], 2).members()
    assert shots.tolist() == [2, 4, 0, 5, 1]
    assert starts.tolist() == [0, 3, 5]


def test_an_assembly_without_lines_has_no_members():
    shots, starts = assembled([-1, -1], [-1, -1], 0).members()
    assert len(shots) == 0
    assert starts.tolist() == [0]
