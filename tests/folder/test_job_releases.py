"""A job's release holds, comes out the same again, and is on the ledger."""

import hashlib
import shutil
import zipfile

import pytest

from asfound.errors import InputError
from asfound.folder.demonstration import build_demo
from asfound.folder.layout import JobFolder
from asfound.folder.ledger import ledger_file, note, read_ledger, verify_ledger
from asfound.folder.release import release_job, reproduce_release
from asfound.store import new_key
from asfound.store.release_check import verify_release

KEY = new_key()


@pytest.fixture(scope="module")
def released(tmp_path_factory):
    """The demonstration job and its release."""
    folder = build_demo(tmp_path_factory.mktemp("release") / "demo", seed=7)
    note(folder, who="ana")
    return folder, release_job(folder.path, "Issue A", KEY, who="ana")


@pytest.mark.slow
def test_a_release_of_a_job_holds_and_comes_out_the_same(released):
    folder, built = released
    assert built.path == folder.path / "releases" / "Issue_A.zip"
    check = verify_release(built.path, public_key=KEY.public)
    assert check.faults == ()
    assert "invented" in check.manifest["title"]
    assert {"out/report.pdf", "job/job.toml", "ledger.jsonl"} <= set(check.files)
    assert not any("truth" in name or "sqlite" in name for name in check.files)

    again = reproduce_release(built.path)
    assert again.complete
    assert len(again.same) > 10
    assert "out/report.pdf" in again.same
    assert again.libraries == {}


@pytest.mark.slow
def test_a_release_is_on_the_ledger_and_the_ledger_grows_on(released):
    folder, built = released
    last = read_ledger(folder)[-1]
    assert (last.who, last.action) == ("ana", "released")
    assert last.payload["manifest_sha256"] == built.manifest_sha256
    assert last.payload["public_key"] == KEY.public
    with zipfile.ZipFile(built.path) as package:
        manifest = package.read("manifest.json")
    assert hashlib.sha256(manifest).hexdigest() == built.manifest_sha256
    assert verify_ledger(folder, heads=[built.head]).sound


@pytest.mark.slow
def test_a_ledger_begun_anew_is_not_that_of_the_release(released, tmp_path):
    folder, built = released
    copy = JobFolder(tmp_path / "copy")
    shutil.copytree(folder.path, copy.path)
    ledger_file(copy).unlink()
    note(copy, who="eve")
    assert verify_ledger(copy).sound
    assert not verify_ledger(copy, heads=[built.head]).sound


@pytest.mark.slow
def test_a_release_is_never_written_over(released):
    folder, built = released
    before = built.path.read_bytes()
    with pytest.raises(InputError, match="never changes"):
        release_job(folder.path, "Issue A", KEY)
    assert built.path.read_bytes() == before


@pytest.mark.slow
def test_a_changed_release_is_not_made_again(released, tmp_path):
    _, built = released
    changed = bytearray(built.path.read_bytes())
    changed[len(changed) // 2] ^= 1
    (tmp_path / "x.zip").write_bytes(changed)
    with pytest.raises(InputError, match="does not hold"):
        reproduce_release(tmp_path / "x.zip")
