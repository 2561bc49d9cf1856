"""Tables of shots and labels."""

import numpy as np
import pytest

from asfound.model import Labels, Shots


def test_joined_labels_keep_their_words():
    joined = Labels.join([Labels.of(["a", "", "b"]), Labels.of(["c", "b"])])
    assert list(joined.words()) == ["a", "", "b", "c", "b"]
    assert joined.names == ("a", "b", "c")


def test_unrecorded_columns_say_so():
    shots = Shots.build(np.zeros(2), np.ones(2), depth=[1.0, np.nan], line=["G1", ""])
    assert np.isnat(shots.time).all()
    assert (shots.fix == -1).all()
    assert np.isnan(shots.current).all()
    assert shots.line.word(0) == "G1"
    assert shots.line.word(1) == ""


def test_joining_and_taking_keep_rows_together():
    first = Shots.build(np.arange(3.0), np.zeros(3), line=["a", "b", "c"])
    second = Shots.build(np.arange(3.0, 5.0), np.zeros(2), line=["d", "a"])
    both = Shots.join([first, second])
    taken = both.take(np.array([4, 1]))
    assert list(taken.x) == [4.0, 1.0]
    assert list(taken.line.words()) == ["a", "b"]
    assert len(both.take(both.x > 2.5)) == 2


def test_a_wrong_column_is_refused():
    with pytest.raises(TypeError, match="dephts"):
        Shots.build(np.zeros(1), np.zeros(1), dephts=1.0)
    with pytest.raises(ValueError, match="rows"):
        Shots.build(np.zeros(2), np.zeros(2), line=["a"])
