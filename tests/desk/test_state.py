"""A ledger folded to a state, and a state written out as a job's folder."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asfound.desk.blobs import Blobs
from asfound.desk.materialise import materialise
from asfound.desk.posted import Group, PostedRow, batch_bytes, batch_mapping
from asfound.desk.state import JobState, fold
from asfound.errors import InputError
from asfound.folder import list_decisions, list_uploads, read_decisions, read_mapping
from asfound.intake import mapping_from_toml, read_upload
from asfound.store.ledger import FIRST_PREVIOUS, make_entry

START = datetime(2026, 11, 25, 16, tzinfo=UTC)
SETTINGS = '[job]\nname = "x"\n[frame]\ncrs = "EPSG:6467"\n'
MAPPING = 'format = "delimited"\n[frame]\ncrs = "ITRF2020"\n'


def entries(*actions):
    """A ledger of actions and payloads, a second apart."""
    made, previous = [], FIRST_PREVIOUS
    for k, (action, payload) in enumerate(actions, 1):
        entry = make_entry("x", k, START + timedelta(seconds=k), "Ana", action, payload, previous)
        made.append(entry)
        previous = entry.hash
    return made


def upload(digit, name="a.csv"):
    return "upload-added", {"sha256": digit * 64, "name": name, "size": 3, "mapping": MAPPING}


def posted(*rows, receiver="R", frame="ITRF2020"):
    return "shots-posted", {"receiver": receiver, "frame": frame, "rows": list(rows)}


def test_uploads_keep_their_tags_when_others_are_taken_out_and_come_back():
    state = fold(
        entries(
            ("job-created", {"settings": SETTINGS}),
            upload("a"),
            upload("b"),
            ("upload-removed", {"sha256": "a" * 64, "why": "wrong"}),
            upload("c"),
            upload("a"),
        )
    )
    assert [(one.tag, one.main.sha256[0], one.removed) for one in state.uploads] == [
        ("A", "a", ""),
        ("B", "b", ""),
        ("C", "c", ""),
    ]
    assert state.head == state.changed_at == 6


def test_a_decision_taken_back_stays_with_both_names():
    shots = [["a" * 64, 3]]
    body = {"id": "d3", "kind": "reject", "shots": shots, "value": "", "why": "tilted"}
    state = fold(
        entries(
            ("job-created", {"settings": SETTINGS}),
            upload("a"),
            ("decision", body),
            ("decision-undone", {"id": "d3", "why": "no"}),
            ("decision-undone", {"id": "d3", "why": "once more"}),
            ("decision", {**body, "why": "the same id again"}),
        )
    )
    (item,) = state.decided
    assert (item.decision.who, item.decision.why, item.undone.why) == ("Ana", "tilted", "no")
    assert item.decision.when == START + timedelta(seconds=3)


def test_processing_and_releases_do_not_count_as_changes():
    state = fold(
        entries(
            ("job-created", {"settings": SETTINGS}),
            upload("a"),
            ("processed", {"head": 2, "files": {}, "version": "1"}),
            ("released", {"name": "x"}),
        )
    )
    assert (state.head, state.changed_at, state.up_to_date) == (4, 2, True)
    later = fold(entries(("settings-changed", {"settings": SETTINGS})), state)
    assert later.settings == SETTINGS


def test_an_action_of_a_later_version_is_passed_over_but_counts_as_a_change():
    state = fold(entries(("job-created", {"settings": SETTINGS}), ("moved-to-mars", {"x": 1})))
    assert (state.head, state.changed_at) == (2, 2)


row = st.fixed_dictionaries(
    {
        "latitude": st.floats(38, 40),
        "longitude": st.floats(-99, -97),
        "time": st.just("2026-11-17T15:00:00Z"),
    },
    optional={"note": st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8)},
)
steps = st.lists(
    st.one_of(
        st.tuples(st.just("post"), st.lists(row, min_size=1, max_size=3), st.sampled_from("RS")),
        st.tuples(st.just("seal"), st.none(), st.none()),
    ),
    max_size=12,
)


@given(steps)
@settings(max_examples=60, deadline=None)
def test_every_posted_shot_is_in_just_one_frozen_upload_however_posts_and_seals_mix(steps):
    actions, sent = [("job-created", {"settings": SETTINGS})], 0
    for kind, rows, receiver in [*steps, ("seal", None, None)]:
        if kind == "post":
            actions.append(posted(*rows, receiver=receiver))
            sent += len(rows)
            continue
        for k, batch in enumerate(fold(entries(*actions)).batches()):
            body = batch.body() | {"sha256": f"{len(actions):062x}{k:02x}", "size": 1}
            actions.append(("batch-sealed", body))
    state = fold(entries(*actions))
    assert not state.batches()
    ledger = entries(*actions)
    frozen = 0
    for entry in ledger:
        if entry.action != "batch-sealed":
            continue
        before = fold(ledger[: entry.sequence - 1])
        frozen += len(before.posted[Group.of(entry.payload)])
    assert frozen == sent
    assert len({one.main.sha256 for one in state.uploads}) == len(state.uploads)


@given(st.lists(row, min_size=1, max_size=5), st.integers(1, 50))
@settings(max_examples=40, deadline=None)
def test_a_frozen_batch_reads_back_as_the_shots_that_were_posted(rows, sequence):
    group = Group("R", "ITRF2020", None, "ellipsoidal", "", "antenna")
    made = [PostedRow(sequence, one) for one in rows]
    data = batch_bytes(made)
    assert data == batch_bytes(made)
    assert data != batch_bytes([PostedRow(sequence + 1, one) for one in rows])
    mapping = mapping_from_toml(batch_mapping(group, made), "m")
    read = read_upload(data, "b.csv", mapping, tag="A", source_index=0)
    assert len(read.shots) == len(rows)
    assert read.shots.x.tolist() == [one["longitude"] for one in rows]
    assert read.source.receiver == "R"


@pytest.fixture
def blobs(tmp_path: Path) -> Blobs:
    return Blobs(tmp_path / "blobs")


def state_with(blobs, *more, data=b"a,b\n"):
    kept = blobs.keep([data])
    added = {"sha256": kept.sha256, "name": "../upload.toml", "size": 4, "mapping": MAPPING}
    return kept, fold(
        entries(("job-created", {"settings": SETTINGS}), ("upload-added", added), *more)
    )


def test_a_state_is_written_as_the_folder_of_a_user_of_the_command_line(blobs, tmp_path):
    kept, _ = state_with(blobs)
    shots = [[kept.sha256, 3]]
    decision = {"id": "d3", "kind": "reject", "shots": shots, "value": "", "why": 'a "b"\n='}
    dig = {"name": "T1", "points": [[0, 0], [5, 0]], "width": 1, "depth": 1}
    exposure = {"name": "X", "line": "a", "easting": 1, "northing": 2, "top_depth": 1}
    stakeout = {"service": "ITRF2020", "day": "2026-12-01", "shots": ["A-1"]}
    kept, state = state_with(
        blobs,
        ("decision", decision),
        ("dig-drawn", {"kind": "trench", "table": dig}),
        ("dig-drawn", {"kind": "exposure", "table": {**exposure, "when": "2026-11-20"}}),
        ("stakeout-chosen", {"name": "back", "table": stakeout}),
    )
    folder = materialise(state, blobs, tmp_path / "job")
    (record,) = list_uploads(folder)
    assert (record.tag, record.sha256, record.name) == ("A", kept.sha256, "../upload.toml")
    assert record.main.read_bytes() == b"a,b\n"
    assert record.main.parent == folder.raw / "A"
    assert read_mapping(folder, "A").frame.crs == "ITRF2020"
    assert [one.why for one in read_decisions(folder)] == ['a "b"\n=']
    digs = tomllib.loads((folder.path / "digs.toml").read_text())
    assert digs["trench"][0]["name"] == "T1"
    assert digs["exposure"][0]["when"].isoformat() == "2026-11-20"
    lists = tomllib.loads((folder.path / "stakeout.toml").read_text())["list"]
    assert (lists[0]["name"], lists[0]["day"].isoformat()) == ("back", "2026-12-01")


def test_what_is_taken_out_of_a_state_goes_from_the_folder_too(blobs, tmp_path):
    shots = [["a" * 64, 3]]
    decision = {"id": "d3", "kind": "reject", "shots": shots, "value": "", "why": "x"}
    dig = {"name": "T1", "points": [[0, 0], [5, 0]], "width": 1, "depth": 1}
    kept, state = state_with(
        blobs, ("decision", decision), ("dig-drawn", {"kind": "trench", "table": dig})
    )
    folder = materialise(state, blobs, tmp_path / "job")
    later = fold(
        entries(
            ("upload-removed", {"sha256": kept.sha256, "why": "x"}),
            ("dig-removed", {"kind": "trench", "name": "T1", "why": "x"}),
            ("decision-undone", {"id": "d3", "why": "x"}),
        ),
        state,
    )
    materialise(later, blobs, tmp_path / "job")
    assert list_uploads(folder) == ()
    assert not (folder.path / "digs.toml").exists()
    assert [item.undone.why for item in list_decisions(folder)] == ["x"]
    assert blobs.has(kept.sha256), "the raw bytes stay"


def test_the_same_state_is_the_same_bytes(blobs, tmp_path):
    _, state = state_with(blobs)
    for name in ("one", "two", "two"):
        materialise(state, blobs, tmp_path / name)
    files = [
        {p.relative_to(tmp_path / name): p.read_bytes() for p in (tmp_path / name).rglob("*.*")}
        for name in ("one", "two")
    ]
    assert files[0] == files[1]


def test_a_raw_file_that_is_gone_is_said_with_its_name(blobs, tmp_path):
    kept, state = state_with(blobs)
    kept.path.unlink()
    with pytest.raises(InputError, match="not on the server any more"):
        materialise(state, blobs, tmp_path / "job")


def test_a_blob_is_whole_or_not_there(blobs):
    def broken():
        yield b"half"
        raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="disk is full"):
        blobs.keep(broken())
    assert [path for path in blobs.folder.rglob("*") if path.is_file()] == []
    kept = blobs.keep([b"ha", b"lf"])
    assert kept.path.read_bytes() == b"half"
    assert kept.path.stat().st_mode & 0o222 == 0, "no one writes to it by mistake"


def test_an_empty_ledger_is_an_empty_state():
    assert fold([]) == JobState()
