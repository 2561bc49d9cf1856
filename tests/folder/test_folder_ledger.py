"""The ledger of a job's folder follows what is done to it, by commands and by hand."""

import hashlib
import json
import shutil
import tomllib
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing

import pytest
import tomli_w
from sqlalchemy import text

from asfound.errors import AsfoundError, InputError
from asfound.folder import add_decision, add_upload, new_job, undo_decision
from asfound.folder.ledger import inputs_of, ledger_file, note, read_ledger, verify_ledger
from asfound.model import Frame, JobSettings, ShotKey
from asfound.store import open_store

ROWS = (
    "Point,Latitude,Longitude,Ellipsoidal height (m),Depth (m),Utility,UTC,Antenna height (m)\n"
    "1,39.0001,-100.0001,600.1,1.10,gas,2026-11-17T15:00:00Z,1.2\n"
    "2,39.0002,-100.0002,600.2,1.20,gas,2026-11-17T15:01:00Z,1.2\n"
)
HINTS = {"frame": "NAD83(2011)", "heights": "ellipsoidal", "position_of": "antenna"}
SHA = hashlib.sha256(ROWS.encode()).hexdigest()


@pytest.fixture
def job(tmp_path):
    return new_job(tmp_path / "job", JobSettings(name="Elm Street", frame=Frame("EPSG:6466")))


@pytest.fixture
def filled(job, tmp_path):
    note(job, who="ana", created=True)
    (tmp_path / "log.csv").write_text(ROWS)
    add_upload(job, tmp_path / "log.csv", hints=HINTS)
    note(job, who="ana")
    return job


def said(entries):
    return [(entry.who, entry.action) for entry in entries]


def test_a_new_job_starts_its_ledger(job):
    (entry,) = note(job, who="ana", created=True)
    assert (entry.job, entry.action) == ("elm-street", "job-created")
    assert tomllib.loads(entry.payload["settings"])["job"]["name"] == "Elm Street"
    assert note(job, who="ana") == []


def test_an_upload_is_noted_with_its_hash_and_mapping(filled):
    entry = read_ledger(filled)[-1]
    assert entry.action == "upload-added"
    assert entry.payload["sha256"] == SHA
    assert (entry.payload["name"], entry.payload["tag"]) == ("log.csv", "A")
    assert "NAD83(2011)" in entry.payload["mapping"]


def test_a_folder_without_a_ledger_gets_one_that_hashes_what_is_there(filled):
    ledger_file(filled).unlink()
    entries = note(filled, who="bo")
    assert said(entries) == [
        ("bo", "ledger-started"),
        ("bo", "settings-changed"),
        ("bo", "upload-added"),
    ]
    files = entries[0].payload["files"]
    assert files["raw/A/log.csv"] == SHA
    assert set(files) == {"job.toml", "raw/A/log.csv", "raw/A/upload.toml", "mappings/A.toml"}


def test_changes_by_hand_are_noted_by_whatever_comes_next(filled):
    settings = filled.settings_file
    settings.write_text(settings.read_text() + '\n[[size]]\nutility = "gas"\n')
    mapping = filled.path / "mappings" / "A.toml"
    mapping.write_text(mapping.read_text() + "# looked at\n")
    (filled.path / "digs.toml").write_text('[[post]]\nname = "P1"\n')
    (filled.grids / "geoid.tif").write_bytes(b"grid")
    entries = note(filled, who="bo")
    assert said(entries) == [
        ("bo", "settings-changed"),
        ("bo", "mapping-changed"),
        ("bo", "file-changed"),
        ("bo", "file-changed"),
    ]
    digs, grid = entries[2].payload, entries[3].payload
    assert (digs["path"], digs["text"]) == ("digs.toml", '[[post]]\nname = "P1"\n')
    assert (grid["path"], grid["size"]) == ("grids/geoid.tif", 4)
    (filled.path / "digs.toml").unlink()
    shutil.rmtree(filled.raw / "A")
    assert said(note(filled, who="bo")) == [("bo", "upload-removed"), ("bo", "file-removed")]


def test_decisions_are_noted_under_the_name_of_who_decided(filled):
    add_decision(filled, "reject", [ShotKey(SHA, 1)], why="hit a car", who="ana")
    (entry,) = note(filled, who="bo")
    assert (entry.who, entry.action) == ("ana", "decision")
    assert entry.payload["shots"] == [[SHA, 1]]
    assert (entry.payload["kind"], entry.payload["why"]) == ("reject", "hit a car")
    undo_decision(filled, "d1", why="it was parked elsewhere", who="cy")
    (entry,) = note(filled, who="bo")
    assert (entry.who, entry.action, entry.payload["id"]) == ("cy", "decision-undone", "d1")
    assert note(filled) == []


def test_a_decision_changed_or_dropped_by_hand_does_not_go_unseen(filled):
    add_decision(filled, "reject", [ShotKey(SHA, 1)], why="hit a car", who="ana")
    note(filled, who="ana")
    path = filled.path / "decisions.toml"
    path.write_text(path.read_text().replace("hit a car", "hit a tree"))
    entries = note(filled, who="bo")
    assert said(entries) == [("bo", "decision-undone"), ("ana", "decision")]
    assert entries[1].payload["why"] == "hit a tree"
    path.unlink()
    (entry,) = note(filled, who="bo")
    assert (entry.who, entry.action) == ("bo", "decision-undone")
    assert note(filled) == []


def test_processing_is_noted_once_for_the_same_outcome(filled):
    filled.out.mkdir()
    (filled.out / "report.pdf").write_bytes(b"%PDF")
    files = [filled.out / "report.pdf"]
    (entry,) = note(filled, who="ana", processed=files)
    assert entry.action == "processed"
    assert entry.payload["files"] == {"report.pdf": hashlib.sha256(b"%PDF").hexdigest()}
    assert entry.payload["head"] == entry.sequence - 1
    assert note(filled, who="bo", processed=files) == []
    files[0].write_bytes(b"%PDF-2")
    assert said(note(filled, who="bo", processed=files)) == [("bo", "processed")]


def test_what_could_not_be_noted_is_noted_later(filled, tmp_path):
    good = ledger_file(filled).read_bytes()
    ledger_file(filled).write_bytes(b"damaged" * 1000)
    (tmp_path / "more.csv").write_text(ROWS.replace("1.10", "1.30"))
    add_upload(filled, tmp_path / "more.csv", hints=HINTS)
    with pytest.raises(AsfoundError):
        note(filled, who="ana")
    assert (filled.raw / "B" / "more.csv").is_file()
    ledger_file(filled).write_bytes(good)
    assert said(note(filled, who="ana")) == [("ana", "upload-added")]
    assert verify_ledger(filled).sound


def test_two_who_note_at_once_note_nothing_twice(filled):
    (filled.path / "digs.toml").write_text("# none\n")
    filled.settings_file.write_text(filled.settings_file.read_text() + "# seen\n")
    with ThreadPoolExecutor(6) as pool:
        found = [entry for one in pool.map(lambda _: note(filled), range(6)) for entry in one]
    assert sorted(entry.action for entry in found) == ["file-changed", "settings-changed"]
    assert verify_ledger(filled).sound


def test_two_who_start_a_ledger_at_once_start_one(job):
    with ThreadPoolExecutor(4) as pool:
        found = [entry for one in pool.map(lambda _: note(job), range(4)) for entry in one]
    assert sorted(said(found)) == sorted(said(read_ledger(job)))
    assert [entry.action for entry in read_ledger(job)] == ["ledger-started", "settings-changed"]


def test_raw_files_exchanged_together_with_their_record_are_found(filled):
    place = filled.raw / "A"
    (place / "log.csv").write_text(ROWS.replace("1.10", "1.90"))
    assert "SHA-256 differs" in verify_ledger(filled).faults[0].what
    facts = tomllib.loads((place / "upload.toml").read_text())
    facts["file"][0]["sha256"] = hashlib.sha256((place / "log.csv").read_bytes()).hexdigest()
    (place / "upload.toml").write_text(tomli_w.dumps(facts))
    assert "log.csv is missing" in verify_ledger(filled).faults[0].what
    shutil.rmtree(place)
    assert "log.csv is missing" in verify_ledger(filled).faults[0].what


def test_a_changed_record_of_an_upload_is_found(filled):
    facts = filled.raw / "A" / "upload.toml"
    facts.write_text(facts.read_text().replace('added = "20', 'added = "19'))
    assert "upload.toml" in verify_ledger(filled).faults[0].what


def test_a_changed_entry_is_found(filled):
    with (
        closing(open_store(ledger_file(filled), journal="delete")) as store,
        store.writing() as connection,
    ):
        connection.execute(
            text("UPDATE ledger SET payload = replace(payload, 'Elm', 'Oak'), who = 'eve'")
        )
    faults = verify_ledger(filled).faults
    assert {fault.sequence for fault in faults} >= {1, 2}


def test_a_folder_without_a_ledger_says_how_to_get_one(job):
    for call in (read_ledger, verify_ledger):
        with pytest.raises(InputError) as caught:
            call(job)
        assert "asfound process" in caught.value.remedy


def test_files_that_a_plan_names_belong_to_a_job_and_others_do_not(filled):
    (filled.path / "plans").mkdir()
    for name in ("plans/site.dxf", "notes.txt", "key.pem", ".secret", "out.zip"):
        (filled.path / name).write_text(name)
    named = ["plans/site.dxf", "key.pem", ".secret", "../elsewhere", "asfound.sqlite"]
    (filled.path / "digs.toml").write_text(f"[[trench]]\nfile = {json.dumps(named)}\n")
    (filled.path / "mappings" / "x.draft.toml").write_text("")
    assert set(inputs_of(filled)) == {
        "job.toml",
        "digs.toml",
        "plans/site.dxf",
        "raw/A/log.csv",
        "raw/A/upload.toml",
        "mappings/A.toml",
    }


def test_a_broken_plan_does_not_keep_an_upload_out_of_the_folder(filled):
    (filled.path / "decisions.toml").write_text("[[decision")
    with pytest.raises(AsfoundError, match="TOML"):
        note(filled)
    (filled.path / "decisions.toml").unlink()
    assert verify_ledger(filled).sound
