"""Raw files are kept as received, once, whole, and nowhere but in the job's folder."""

import hashlib

import pytest

from asfound.errors import AmbiguityError, FrameError, InputError, SettingsError
from asfound.folder import (
    NoShotsError,
    add_upload,
    frame_trouble,
    list_uploads,
    mapping_file,
    new_job,
    open_job,
    plain_name,
    raw_row,
    read_intake,
    run_job,
    tag_of,
)
from asfound.model import Frame, JobSettings

ROWS = (
    "Point,Latitude,Longitude,Ellipsoidal height (m),Depth (m),Utility,UTC,Antenna height (m)\n"
    "1,39.0001,-100.0001,600.1,1.10,gas,2026-11-17T15:00:00Z,1.2\n"
    "2,39.0002,-100.0002,600.2,1.20,gas,2026-11-17T15:01:00Z,1.2\n"
)
HINTS = {"frame": "NAD83(2011)", "heights": "ellipsoidal", "position_of": "antenna"}


@pytest.fixture
def job(tmp_path):
    return new_job(tmp_path / "job", JobSettings(name="test", frame=Frame("EPSG:6466")))


def _file(tmp_path, name="log.csv", text=ROWS):
    path = tmp_path / name
    path.write_text(text)
    return path


def test_tags_count_like_columns_of_a_sheet():
    assert [tag_of(k) for k in (0, 25, 26, 51, 52, 701, 702)] == [
        "A",
        "Z",
        "AA",
        "AZ",
        "BA",
        "ZZ",
        "AAA",
    ]


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"),
        ("..\\..\\x.csv", "x.csv"),
        ("a b'\"\n.csv", "a_b_.csv"),
        ("...", "unnamed"),
        ("", "unnamed"),
    ],
)
def test_no_name_points_outside_the_folder(name, plain):
    assert plain_name(name) == plain


def test_bytes_are_kept_with_their_hash_and_read_back(job, tmp_path):
    path = _file(tmp_path)
    added = add_upload(job, path, hints=HINTS)
    assert added.record.tag == "A"
    assert added.record.main.read_bytes() == path.read_bytes()
    assert added.record.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    intake = read_intake(job)
    assert len(intake.shots) == 2
    assert intake.accounts[0].balanced


def test_the_same_file_twice_is_recognised_under_any_name(job, tmp_path):
    add_upload(job, _file(tmp_path), hints=HINTS)
    again = add_upload(job, _file(tmp_path, "renamed.csv"), hints=HINTS)
    assert again.known
    assert again.record.tag == "A"
    assert len(list_uploads(job)) == 1


def test_a_changed_raw_file_is_found(job, tmp_path):
    record = add_upload(job, _file(tmp_path), hints=HINTS).record
    record.main.write_bytes(record.main.read_bytes().replace(b"1.10", b"1.19"))
    with pytest.raises(InputError, match="SHA-256"):
        read_intake(job)


def test_an_ambiguous_file_is_not_taken_in_and_its_draft_mapping_is_kept(job, tmp_path):
    with pytest.raises(AmbiguityError) as caught:
        add_upload(job, _file(tmp_path), hints={"heights": "ellipsoidal"})
    assert caught.value.remedy
    assert list_uploads(job) == ()
    assert list((job.path / "mappings").glob("*.draft.toml"))


def test_a_file_with_a_hostile_name_is_taken_in_like_any_other(job, tmp_path):
    path = _file(tmp_path, 'it\'s "odd"\nname.csv')
    record = add_upload(job, path, hints=HINTS).record
    assert record.name == path.name
    assert record.main.parent == job.raw / "A"
    assert mapping_file(job, "A").is_file()
    assert len(read_intake(job).shots) == 2


def test_nothing_is_left_behind_when_a_file_is_missing(job, tmp_path):
    with pytest.raises(InputError, match="can't be read"):
        add_upload(job, tmp_path / "missing.csv", hints=HINTS)
    assert not any(job.raw.iterdir())


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(InputError, match="already"):
        new_job(tmp_path, JobSettings(name="x", frame=Frame("EPSG:6466")))
    with pytest.raises(InputError, match=r"job\.toml"):
        open_job(tmp_path)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:2048", "EPSG:999999", "nonsense"])
def test_a_frame_that_cannot_be_drawn_in_starts_no_job(tmp_path, crs):
    with pytest.raises(FrameError) as caught:
        new_job(tmp_path / "j", JobSettings(name="x", frame=Frame(crs)))
    assert caught.value.remedy
    assert not (tmp_path / "j").exists()


def test_what_will_stop_processing_is_known_when_a_file_is_added(job, tmp_path):
    vague = {**HINTS, "frame": "EPSG:4979"}
    added = add_upload(job, _file(tmp_path), hints=vague)
    trouble = frame_trouble(job, added.upload)
    assert isinstance(trouble, FrameError)
    assert "position_accuracy" in trouble.remedy


def test_rows_that_are_no_shots_are_told_when_nothing_is_left(job, tmp_path):
    text = ROWS.replace("39.000", "95.000")
    add_upload(job, _file(tmp_path, text=text), hints=HINTS)
    with pytest.raises(NoShotsError) as caught:
        run_job(job.path)
    assert len(caught.value.intake.reports) == 2


def test_the_raw_row_is_found_again(job, tmp_path):
    add_upload(job, _file(tmp_path), hints=HINTS)
    row = dict(raw_row(job, "A", 3))
    assert row["Point"] == "2"
    assert row["Depth (m)"] == "1.20"
    assert raw_row(job, "A", 99) == ()


def test_a_file_that_cannot_be_read_leaves_no_trace(job, tmp_path):
    mapping = tmp_path / "m.toml"
    add_upload(job, _file(tmp_path), hints=HINTS)
    mapping.write_text((job.path / "mappings" / "A.toml").read_text().replace('"m"', '"furlong"'))
    other = _file(tmp_path, "other.csv", ROWS + "3,39.0003,-100.0003,600.2,1.2,gas,,1.2\n")
    with pytest.raises(SettingsError):
        add_upload(job, other, mapping_path=mapping)
    assert [record.tag for record in list_uploads(job)] == ["A"]
    assert not (job.path / "mappings" / "B.toml").exists()


def test_what_a_guess_took_for_granted_is_repeated_in_results(job, tmp_path):
    hints = {key: word for key, word in HINTS.items() if key != "position_of"}
    added = add_upload(job, _file(tmp_path), hints=hints)
    assert added.guess.doubts
    (source,) = read_intake(job).sources
    assert len(source.assumed) == len(added.guess.doubts)
    assert any("antenna" in sentence for sentence in source.assumed)


def test_a_known_file_added_with_other_options_is_read_anew_and_its_mapping_is_kept(job, tmp_path):
    path = _file(tmp_path)
    first = add_upload(job, path, hints=HINTS)
    edited = mapping_file(job, "A").read_text() + "# by hand\n"
    mapping_file(job, "A").write_text(edited)
    again = add_upload(job, path, hints={**HINTS, "units": {"Depth (m)": "ft"}})
    assert (again.known, again.anew, again.record.tag) == (True, True, "A")
    # 1 ft is 0.3048 m exactly (NIST SP 811, appendix B).
    assert again.upload.shots.depth == pytest.approx(first.upload.shots.depth * 0.3048)
    assert read_intake(job).shots.depth == pytest.approx(again.upload.shots.depth)
    assert again.before is not None
    assert again.before.read_text() == edited
    assert [record.tag for record in list_uploads(job)] == ["A"]


def test_a_known_file_added_without_options_stays_as_it_is_read(job, tmp_path):
    path = _file(tmp_path)
    add_upload(job, path, hints=HINTS)
    before = mapping_file(job, "A").read_bytes()
    again = add_upload(job, path)
    assert again.known
    assert not again.anew
    assert mapping_file(job, "A").read_bytes() == before


def test_a_known_file_read_anew_in_a_way_that_is_open_keeps_its_mapping(job, tmp_path):
    path = _file(tmp_path, text=ROWS.replace("Ellipsoidal height", "Height"))
    add_upload(job, path, hints=HINTS)
    before = mapping_file(job, "A").read_bytes()
    with pytest.raises(AmbiguityError):
        add_upload(job, path, hints={"frame": "NAD83(2011)"})
    assert mapping_file(job, "A").read_bytes() == before


def test_a_tag_is_not_given_twice_when_a_folder_was_moved_away(job, tmp_path):
    for number in range(3):
        text = ROWS.replace("1.20", f"1.3{number}")
        add_upload(job, _file(tmp_path, f"{number}.csv", text), hints=HINTS)
    (job.raw / "B").rename(tmp_path / "away")
    added = add_upload(job, _file(tmp_path), hints=HINTS)
    assert added.record.tag == "D"
    assert [record.tag for record in list_uploads(job)] == ["A", "C", "D"]
