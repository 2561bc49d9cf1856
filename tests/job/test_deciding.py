"""What people decide stands beside the raw records and takes effect when the job is processed."""

import re
from datetime import UTC, datetime

import numpy as np
import pytest

from asfound.errors import InputError, SettingsError
from asfound.folder import (
    add_decision,
    list_decisions,
    process_job,
    read_decisions,
    run_job,
    shot_keys,
    undo_decision,
)
from asfound.folder.demonstration import build_demo
from asfound.model import Utility, Verdict

NOON = datetime(2026, 11, 18, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    return build_demo(tmp_path_factory.mktemp("deciding") / "street", 7)


@pytest.fixture
def folder(built):
    (built.path / "decisions.toml").unlink(missing_ok=True)
    return built


@pytest.fixture(scope="module")
def before(built):
    return run_job(built.path)


def decide(folder, kind, names, value="", why="seen in the field"):
    keys = shot_keys(folder, names)
    return add_decision(folder, kind, keys, why=why, value=value, who="R. Invented", when=NOON)


def test_a_rejected_shot_is_unfit_and_left_out_and_an_accepted_one_is_sound(folder, before):
    on_line = before.assembly.line >= 0
    sound = int(np.flatnonzero((before.verdict == Verdict.SOUND) & on_line)[0])
    unfit = int(np.flatnonzero((before.verdict == Verdict.UNFIT) & on_line)[0])
    decide(folder, "reject", [before.shot_name(sound)])
    decide(folder, "accept", [before.shot_name(unfit)])
    after = run_job(folder.path)
    assert after.verdict[sound] == Verdict.UNFIT
    assert after.verdict[unfit] == Verdict.SOUND
    line = after.lines[after.assembly.line[sound]]
    assert not line.used[list(line.shots).index(sound)]
    others = np.setdiff1d(np.arange(len(before.verdict)), [sound, unfit])
    assert np.array_equal(after.verdict[others], before.verdict[others])
    assert all(outcome.done for outcome in after.decided)


def test_a_decision_taken_back_leaves_no_trace_in_results_and_stays_on_file(folder, before):
    decision = decide(folder, "reject", [before.shot_name(5)])
    undo_decision(folder, decision.id, why="the wrong shot", who="R. Invented", when=NOON)
    assert read_decisions(folder) == ()
    (kept,) = list_decisions(folder)
    assert kept.decision == decision
    assert kept.undone.why == "the wrong shot"
    assert np.array_equal(run_job(folder.path).verdict, before.verdict)
    with pytest.raises(InputError, match="taken back already"):
        undo_decision(folder, decision.id, why="again")


def test_a_line_is_split_joined_again_and_renamed(folder, before):
    number = int(np.argmax([len(line.shots) for line in before.lines]))
    line = before.lines[number]
    middle = len(line.shots) // 2
    pair = [before.shot_name(int(shot)) for shot in line.shots[middle - 1 : middle + 1]]
    decide(folder, "split", pair)
    split = run_job(folder.path)
    assert len(split.lines) == len(before.lines) + 1
    halves = [set(part.shots.tolist()) for part in split.lines]
    assert set(line.shots[:middle].tolist()) in halves
    assert set(line.shots[middle:].tolist()) in halves
    decide(folder, "join", pair)
    decide(folder, "rename", pair[:1], "the long one")
    joined = run_job(folder.path)
    assert len(joined.lines) == len(before.lines)
    again = next(one for one in joined.lines if one.name == "the long one")
    assert set(again.shots.tolist()) == set(line.shots.tolist())
    assert np.allclose(sorted(again.station), sorted(line.station), atol=1e-6) or np.allclose(
        sorted(again.station[-1] - again.station), sorted(line.station), atol=1e-6
    )
    assert all(outcome.done for outcome in joined.decided)


def test_what_a_log_says_wrongly_is_corrected_for_a_range_of_rows(folder, before):
    shots = before.intake.shots
    decide(folder, "set-antenna-height", ["A-3..A-5"], "1.25")
    decide(folder, "set-utility", ["A-3"], "sewer")
    decide(folder, "set-hook-up", ["A-4"], "valve box")
    after = run_job(folder.path)
    rows = np.flatnonzero((shots.source == 0) & (shots.row >= 3) & (shots.row <= 5))
    assert (after.intake.shots.antenna_height[rows] == 1.25).all()
    assert after.intake.shots.utility[rows[0]] == Utility.SEWER
    assert after.intake.shots.hookup.word(int(rows[1])) == "valve box"
    others = np.setdiff1d(np.arange(len(shots)), rows)
    assert np.array_equal(
        after.intake.shots.antenna_height[others], shots.antenna_height[others], equal_nan=True
    )


def test_a_decision_that_can_not_be_carried_out_says_so_and_changes_nothing(folder, before):
    line = before.lines[0]
    apart = [before.shot_name(int(line.shots[0])), before.shot_name(int(line.shots[-1]))]
    decide(folder, "split", apart)
    decide(folder, "join", apart)
    decide(folder, "reject", ["A-999999"])
    after = run_job(folder.path)
    assert [outcome.done for outcome in after.decided] == [False, False, False]
    assert [
        bool(re.search(word, outcome.words))
        for word, outcome in zip(
            ("not neighbours", "one line already", "no shot"), after.decided, strict=True
        )
    ] == [True, True, True]
    assert np.array_equal(after.verdict, before.verdict)


@pytest.mark.parametrize(
    ("kind", "names", "value", "why", "wrong"),
    [
        ("reject", ["A-1"], "", " ", "reason"),
        ("bless", ["A-1"], "", "x", "there is no decision"),
        ("split", ["A-1"], "", "x", "2 shots"),
        ("set-utility", ["A-1"], "cheese", "x", "one of"),
        ("set-antenna-height", ["A-1"], "12", "x", "between 0 and 10"),
        ("rename", ["A-1"], "", "x", "name is needed"),
        ("reject", ["Q-1"], "", "x", "no shot of this job"),
        ("reject", ["A-9..A-2"], "", "x", "no range"),
    ],
)
def test_a_wrong_decision_is_refused_and_nothing_is_written(folder, kind, names, value, why, wrong):
    with pytest.raises(InputError, match=wrong):
        decide(folder, kind, names, value, why)
    assert not (folder.path / "decisions.toml").exists()


def test_a_damaged_file_of_decisions_is_refused_with_its_place(folder):
    (folder.path / "decisions.toml").write_text('[[decision]]\nid = "d1"\nkind = "reject"\n')
    with pytest.raises(SettingsError, match="'shots' is missing"):
        run_job(folder.path)


def test_outputs_name_who_decided_what_and_why(folder):
    decide(folder, "reject", ["A-3"], why="stood on the neighbour's line")
    _, files = process_job(folder.path)
    table = next(path for path in files if path.name == "shots.csv").read_text()
    assert "reject (R. Invented: stood on the neighbour's line)" in table
    text = next(path for path in files if path.name == "results.json").read_text()
    assert '"kind":"reject"' in text.replace(" ", "")
