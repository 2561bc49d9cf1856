"""The whole way, from the first run to a release that a stranger checks, on both databases."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from asfound.demo import generate
from asfound.desk.context import open_desk
from asfound.desk.materialise import materialise
from asfound.desk.state import fold
from asfound.folder import process_job
from asfound.store import read_key
from asfound.store.release_check import verify_release

PASSWORD = "four words that don't belong"
CODE = "TEST-CODE"


@pytest.fixture(scope="module")
def demo_files():
    return generate(7)


@pytest.fixture
def there(config, database_url, request):
    """A desk over each kind of database."""
    site_type = request.getfixturevalue("site_type")
    made = site_type(open_desk(replace(config, database=database_url)))
    yield made
    made.desk.store.close()


def test_from_first_run_to_a_release_that_a_stranger_checks(there, demo_files, read_csrf, tmp_path):
    browser = there.browser()
    token = read_csrf(browser.get("/first-run").text)
    form = {"code": CODE, "name": "Ana", "password": PASSWORD, "again": PASSWORD}
    assert browser.post("/first-run", data={"csrf": token, **form}).status_code == 303

    # A job, by its form.
    token = read_csrf(browser.get("/jobs/new").text)
    slip = browser.post("/jobs/new", data={"csrf": token, "name": "Way", "crs": "EPSG:0"})
    assert slip.status_code == 422
    assert 'id="f-crs"' in slip.text
    assert 'aria-invalid="true"' in slip.text
    form = {"csrf": token, "name": "Way", "crs": demo_files.settings.frame.crs, "unit": "ftUS"}
    started = browser.post("/jobs/new", data=form)
    assert started.headers["location"] == "/jobs/way/uploads"

    # Two files, dropped at once; the first is clear save its frame, the second asks more.
    names = [demo_files.uploads[0].file, demo_files.uploads[1].file]
    files = [("file", (name, demo_files.files[name])) for name in names]
    kept = browser.post("/jobs/way/uploads", data={"csrf": token}, files=files)
    assert kept.status_code == 303
    confirm = kept.headers["location"]
    page = browser.get(confirm)
    assert "One more file follows." in page.text
    assert "reference frame of the coordinates is not declared" in page.text
    undecided = browser.post(confirm, data={"csrf": token, "do": "add"})
    assert undecided.status_code == 422
    assert not there.desk.state("way").uploads
    again = browser.post(
        confirm, data={"csrf": token, "do": "again", "frame": "NAD83(2011)", "receiver": "EL-0417"}
    )
    assert again.status_code == 200
    assert "not declared" not in again.text
    form = form_of(again.text) | {"do": "add"}
    added = browser.post(confirm, data=form)
    assert added.status_code == 303, wrong_in(added.text)
    second = added.headers["location"]
    hints = {"frame": "ITRF2020", "zone": "America/Chicago", "antenna_height": "2.0 m"}
    looked = browser.post(second, data={"csrf": token, "do": "again", **hints})
    added = browser.post(second, data=form_of(looked.text) | {"do": "add"})
    assert added.status_code == 303, wrong_in(added.text)
    assert added.headers["location"] == "/jobs/way/uploads?done=added-B"
    state = there.desk.state("way")
    assert [upload.main.name for upload in state.uploads] == names
    assert (
        there.desk.blobs.path(state.uploads[0].main.sha256).read_bytes()
        == (demo_files.files[names[0]])
    )

    # Processed by the worker; the page's data is there.
    assert browser.get("/jobs/way/view/view.json").status_code == 404
    there.work()
    task = there.desk.store.list_tasks("way")[0]
    assert (task.state, task.message) == ("done", "")
    view = browser.get("/jobs/way/view/view.json").json()
    assert view["counts"]["shots"] > 200
    assert browser.get("/jobs/way").status_code == 200

    # A decision, what it does, and what taking it back does.
    api = "/api/v1/jobs/way"
    csrf = {"X-CSRF-Token": token}
    shots = browser.get(f"{api}/shots?verdict=sound&size=2").json()["shots"]
    body = {"kind": "reject", "shots": [shots[0]["key"]], "why": "=1+1 pole was <b>tilted</b>"}
    decided = browser.post(f"{api}/decisions", json=body, headers=csrf).json()
    before = there.desk.state("way").processed["head"]
    there.work()
    shot = browser.get(f"{api}/shots/{shots[0]['shot']}").json()
    assert shot["verdict"] == "unfit"
    assert shot["decisions"][0]["why"] == body["why"]
    assert shot["raw"]
    after = there.desk.state("way").processed["head"]
    found = browser.get(f"{api}/compare?a={before}&b={after}").json()
    assert found["verdicts"] == [{"shot": shots[0]["shot"], "before": "sound", "after": "unfit"}]
    assert browser.get(f"/jobs/way/compare?a={before}&b={after}").status_code == 200
    undone = browser.post(
        f"{api}/decisions/{decided['id']}/undo", json={"why": "wrong shot"}, headers=csrf
    )
    assert undone.status_code == 201
    refused = browser.post("/jobs/way/releases", data={"csrf": token, "name": "too early"})
    assert refused.status_code == 409
    there.work()
    assert browser.get(f"{api}/shots/{shots[0]['shot']}").json()["verdict"] == "sound"

    # A release, its public page, and the check that a stranger does.
    released = browser.post("/jobs/way/releases", data={"csrf": token, "name": "for design"})
    assert released.status_code == 303, wrong_in(released.text)
    page = browser.get("/jobs/way/releases").text
    public = re.search(r'href="(/check/[^"]+)"', page)[1]
    seen = there.browser().get(public)
    assert seen.status_code == 200
    assert "Nothing was changed since it was signed." in seen.text
    package = re.search(r'href="(/api/v1/[^"]+/package)"', page)[1]
    assert there.browser().get(package).status_code == 401
    zipped = browser.get(package).content
    path = tmp_path / "release.zip"
    path.write_bytes(zipped)
    key = read_key(there.desk.config.signing_key).public
    check = verify_release(path, public_key=key)
    assert (check.faults, check.known_key) == ((), True)
    assert browser.get(f"{api}/ledger/verify").json()["sound"]

    # What was released can be made again from the entries alone, byte for byte.
    entries = there.desk.store.entries("way", before=check.head.size + 1)
    folder = materialise(fold(entries), there.desk.blobs, tmp_path / "again")
    process_job(folder.path)
    with zipfile.ZipFile(io.BytesIO(zipped)) as archive:
        outputs = [name for name in archive.namelist() if name.startswith("out/")]
        assert len(outputs) > 10
        for name in outputs:
            made = (folder.out / name.removeprefix("out/")).read_bytes()
            assert archive.read(name) == made, name
        for name in ("job/job.toml", "job/decisions.toml", "job/mappings/A.toml"):
            made = (folder.path / name.removeprefix("job/")).read_bytes()
            assert archive.read(name) == made, name

    # One byte changed, and the public page says so.
    place = next(there.desk.config.releases.glob("*.zip"))
    data = bytearray(place.read_bytes())
    data[len(data) // 2] ^= 1
    place.write_bytes(bytes(data))
    seen = there.browser().get(public)
    assert "This release does not hold." in seen.text
    assert "Nothing was changed" not in seen.text


def form_of(page: str) -> dict[str, str]:
    """What a browser would send of a page's last form: its fields as they are filled in."""
    from html.parser import HTMLParser

    class Reader(HTMLParser):
        def __init__(self) -> None:
            super().__init__()
            self.fields: dict[str, str] = {}
            self.select = ""

        def handle_starttag(self, tag, attrs):
            found = dict(attrs)
            name = found.get("name") or ""
            if tag == "input" and name:
                self.fields[name] = found.get("value") or ""
            elif tag == "select":
                self.select = name
            elif tag == "option" and self.select:
                self.first = self.select not in self.fields
                self.chosen = "selected" in found
                self.value = found.get("value")
                if self.value is not None and (self.chosen or self.first):
                    self.fields[self.select] = self.value

        def handle_data(self, data):
            if self.select and getattr(self, "value", "") is None and (self.chosen or self.first):
                self.fields[self.select] = data.strip()
                self.first = False

        def handle_endtag(self, tag):
            if tag == "select":
                self.select = ""

    reader = Reader()
    reader.feed(page[page.rindex("<form") :])
    return reader.fields


def wrong_in(page: str) -> str:
    return " | ".join(re.findall(r'(?:class="wrong"|role="alert")[^>]*>(.{0,300})', page))


def test_the_demonstration_desk_is_made_once_and_says_who_may_log_in(there):
    from asfound.desk.demo import add_demo

    made = add_demo(there.desk)
    assert made.password
    again = add_demo(there.desk)
    assert (again.job, again.password) == (made.job, "")
    assert len(there.desk.store.list_jobs()) == 1
    assert there.desk.state(made.job).settings.count("invented = true") == 1


def test_fifty_clients_who_post_at_once_lose_nothing_and_double_nothing(there, demo_files):
    from concurrent.futures import ThreadPoolExecutor

    from asfound.desk import actions
    from asfound.desk.guard import Identity

    who = Identity("Ana", "administrator")
    job = actions.create_job(there.desk, who, demo_files.settings).job
    secret, _ = there.desk.store.create_token(
        "logger", "technician", user_id=there.user("administrator")
    )
    when = datetime(2026, 11, 17, 15, tzinfo=UTC)

    def post(number: int) -> set[int]:
        browser = there.browser()
        browser.headers["Authorization"] = f"Bearer {secret}"
        sequences = set()
        for part in range(2):
            row = {
                "name": f"{number}-{part}",
                "time": (when + timedelta(seconds=number * 10 + part)).isoformat(),
                "latitude": 39.27 + number * 1e-5,
                "longitude": -98.04,
                "depth_m": 1.0,
            }
            body = {"receiver": "EL-9", "frame": "ITRF2020", "rows": [row]}
            for _ in range(2):  # each is sent twice, as a client that lost the answer would
                answer = browser.post(
                    f"/api/v1/jobs/{job}/shots", json=body,
                    headers={"Idempotency-Key": f"{number}-{part}"},
                )  # fmt: skip
                assert answer.status_code == 201, answer.text
                sequences.add(answer.json()["sequence"])
        return sequences

    with ThreadPoolExecutor(50) as pool:
        sequences = list(pool.map(post, range(50)))
    assert sum(map(len, sequences)) == len(set.union(*sequences)) == 100
    state = there.desk.state(job)
    rows = [row for group in state.posted.values() for row in group]
    assert len(rows) == 100
    assert len({row.values["name"] for row in rows}) == 100
    assert there.desk.store.verify(job).sound


def test_batches_frozen_by_several_at_once_while_shots_come_hold_each_shot_once(there, demo_files):
    import csv
    import io
    from concurrent.futures import ThreadPoolExecutor

    from asfound.desk import actions
    from asfound.desk.guard import Identity
    from asfound.desk.posted import Group

    who = Identity("Ana", "administrator")
    job = actions.create_job(there.desk, who, demo_files.settings).job
    group = Group("EL-9", "ITRF2020", None, "none", "", "antenna")
    row = {"time": "2026-11-17T15:00:00Z", "latitude": 39.27, "longitude": -98.04}

    def deed(number: int) -> None:
        if number % 4 == 3:
            actions.seal_batches(there.desk, job)
        else:
            actions.post_shots(there.desk, who, job, group, [{**row, "name": f"n{number}"}])

    with ThreadPoolExecutor(12) as pool:
        list(pool.map(deed, range(120)))
    actions.seal_batches(there.desk, job)
    state = there.desk.state(job)
    assert not state.batches()
    names = []
    for upload in state.uploads:
        text = there.desk.blobs.path(upload.main.sha256).read_text()
        names += [one["name"] for one in csv.DictReader(io.StringIO(text))]
    assert sorted(names) == sorted(f"n{k}" for k in range(120) if k % 4 != 3)


def test_many_posted_shots_are_frozen_before_anyone_asks(there, demo_files, monkeypatch):
    from asfound.desk import actions
    from asfound.desk.actions import uploads
    from asfound.desk.guard import Identity
    from asfound.desk.posted import Group

    monkeypatch.setattr(uploads, "SEAL_AT", 5)
    who = Identity("Ana", "administrator")
    job = actions.create_job(there.desk, who, demo_files.settings).job
    row = {"time": "2026-11-17T15:00:00Z", "latitude": 39.27, "longitude": -98.04}
    for receiver, count in (("EL-1", 7), ("EL-2", 3)):
        group = Group(receiver, "ITRF2020", None, "none", "", "antenna")
        for _ in range(count):
            actions.post_shots(there.desk, who, job, group, [row])
    state = there.desk.state(job)
    assert [upload.posted for upload in state.uploads] == ["EL-1"]
    assert {group.receiver: len(rows) for group, rows in state.posted.items()} == {
        "EL-1": 2,
        "EL-2": 3,
    }
