"""What attackers send: script in every text, names that climb out, bombs, entities, formulas."""

from __future__ import annotations

import csv
import io
import os
import re
import zipfile
from dataclasses import replace

import pytest

from asfound.desk.actions import display_name
from asfound.desk.blobs import Blobs
from asfound.desk.materialise import materialise
from asfound.desk.serving import inside
from asfound.errors import InputError
from asfound.folder import list_uploads
from asfound.store import UnknownError

XSS = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
FORMULA = '=HYPERLINK("http://evil.example","x")'
CRS = "EPSG:6467"
PLACED = {"time": "2026-11-17T14:12:20Z", "latitude": 39.27, "longitude": -98.04}
ROWS = (
    "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Utility,Depth (m),Note\r\n"
    "{name},2026-11-17T14:12:20Z,39.272087,-98.040451,404.03,RTK fixed,gas,1.10,{note}\r\n"
    "2,2026-11-17T14:13:20Z,39.272097,-98.040451,404.05,RTK fixed,gas,1.12,\r\n"
    "3,2026-11-17T14:14:20Z,39.272107,-98.040451,404.07,RTK fixed,gas,1.15,\r\n"
)


@pytest.fixture
def job(site):
    browser = site.as_role("administrator")
    made = browser.post("/api/v1/jobs", json={"name": XSS[:60], "crs": CRS})
    assert made.status_code == 201, made.text
    site.job = made.json()["id"]
    return site, browser


def send(browser, job, name, data, **more):
    hints = '{"frame": "ITRF2020", "receiver": "EL-1", "antenna_height": "2 m"}'
    return browser.post(
        f"/api/v1/jobs/{job}/uploads",
        files={"file": (name, data)},
        data={"hints": hints, **more},
    )


def script_free(page: str) -> bool:
    """Whether nothing that was sent stands in a page as markup: only our scripts, no handlers."""
    scripts = re.findall(r"<script[^>]*>", page)
    own = all(re.fullmatch(r'<script type="module" src="/static/[\w./?=-]+">', s) for s in scripts)
    return own and "<img src=x" not in page and not re.search(r"<[^>&]*\sonerror=", page)


def test_script_in_every_text_is_shown_as_text(job):
    site, browser = job
    store, where = site.desk.store, f"/jobs/{site.job}"
    api = f"/api/v1{where}"
    cell = '"' + XSS.replace('"', '""') + '"'
    assert send(browser, site.job, XSS + ".csv", ROWS.format(name=cell, note=cell)).is_success
    sha256 = site.desk.state(site.job).uploads[0].main.sha256
    key = [[sha256, 1]]
    site.work()
    shot = browser.get(f"{api}/shots/A-1").json()
    place = {"easting": shot["easting_m"] + 3, "northing": shot["northing_m"]}
    done = [
        browser.post(f"{api}/decisions", json={"kind": "reject", "shots": key, "why": XSS}),
        browser.post(
            f"{api}/decisions",
            json={"kind": "set-hook-up", "shots": key, "value": XSS, "why": XSS},
        ),
        browser.post(
            f"{api}/digs",
            json={
                "kind": "post",
                "table": {"name": XSS, **place, "depth": 1.0, "diameter": 0.3},
            },
        ),
        browser.put("/api/v1/receivers/EL-1", json={"note": XSS}),
        browser.post("/api/v1/crews", json={"name": XSS}),
        browser.post(
            "/api/v1/users", json={"name": XSS, "password": "a good long one", "role": "reader"}
        ),
        browser.post("/api/v1/tokens", json={"label": XSS, "receiver": XSS[:80]}),
        browser.post(
            f"{api}/shots",
            json={
                "receiver": XSS[:80],
                "frame": "ITRF2020",
                "rows": [{**PLACED, "name": XSS, "note": XSS}],
            },
        ),
    ]
    assert [answer.status_code for answer in done] == [201, 201, 201, 200, 201, 201, 201, 201]
    site.work()
    assert store.list_tasks(site.job)[0].state == "done", store.list_tasks(site.job)[0].message
    made = browser.post(f"{where}/releases", data={"name": XSS})
    assert made.status_code == 303
    release = store.list_releases(site.job)[0].id
    pages = [
        "/jobs", where, f"{where}/uploads", f"{where}/uploads/{sha256}", f"{where}/settings",
        f"{where}/ledger", f"{where}/releases", f"{where}/compare?a={XSS}&b={XSS}",
        f"{where}/uploads?done=added-{XSS}", f"{where}/uploads/confirm?file={sha256}/{XSS}",
        "/receivers", "/admin/users", "/admin/tokens", "/account", f"/check/{release}",
        f"/{XSS}", f"/login?next={XSS}", f"/jobs?state={XSS}",
    ]  # fmt: skip
    for page in pages:
        answer = browser.get(page, follow_redirects=True)
        assert script_free(answer.text), page
        assert "script-src 'self'" in answer.headers["content-security-policy"]
    assert "&lt;script&gt;" in browser.get(f"{where}/ledger").text
    # Data is served as data, which no browser runs.
    for page in (f"{where}/view/view.json", f"{api}/shots/A-1", f"{api}/ledger"):
        answer = browser.get(page)
        assert answer.headers["content-type"].startswith("application/json")
        assert answer.headers["x-content-type-options"] == "nosniff"
    raw = browser.get(f"{where}/uploads/{sha256}/raw")
    assert raw.headers["content-type"] == "application/octet-stream"
    assert raw.headers["content-disposition"].startswith("attachment")


@pytest.mark.parametrize(
    "path", ["/login", "/first-run", "/admin/users", "/jobs/new", "/receivers", "/admin/tokens"]
)
def test_script_typed_into_a_form_comes_back_as_text(site, path, read_csrf):
    browser = site.browser() if path in ("/login", "/first-run") else site.as_role("administrator")
    if path == "/login":
        site.user("reader")
    page = browser.get(path).text
    names = re.findall(r'<(?:input|select|textarea)[^>]*name="([\w-]+)"', page)
    form = {name: XSS for name in names if name != "csrf"} | {"csrf": read_csrf(page)}
    answer = browser.post(path, data=form)
    assert answer.status_code in (404, 409, 422)
    assert script_free(answer.text)


NAMES = [
    "../../etc/passwd", "..\\..\\windows\\x.csv", "/abs/x.csv", "a/b/c.csv", "x\0y.csv", "..", ".",
    "", "CON", "a" * 400 + ".csv", "upload.toml", "\u202egpj.csv", "line\nbreak.csv", "%2e%2e%2fx",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_files_name_is_only_shown_and_never_leads_anywhere(job, name):
    site, browser = job
    before = {path for path in site.desk.config.data.parent.rglob("*") if path.is_file()}
    answer = send(browser, site.job, name or "x", ROWS.format(name=1, note=""))
    assert answer.status_code == 201, answer.text
    shown = answer.json()["name"]
    assert len(shown) <= 120
    assert "/" not in shown
    assert "\\" not in shown
    assert shown.isprintable()
    folder = materialise(
        site.desk.state(site.job), site.desk.blobs, site.desk.places(site.job).work
    )
    assert list_uploads(folder)[0].main.parent == folder.raw / "A"
    new = {path for path in site.desk.config.data.parent.rglob("*") if path.is_file()} - before
    assert all(path.is_relative_to(site.desk.config.data) for path in new)


def test_names_for_showing_keep_what_people_read():
    assert display_name("Tag 1, Straße.csv") == "Tag 1, Straße.csv"
    assert display_name("C:\\logs\\day1.csv") == "day1.csv"
    assert display_name("\ud800x") == "_x"


CLIMBS = [
    "%2e%2e/%2e%2e/results.pickle", "..%2fresults.pickle", "%2e%2e/results.pickle",
    "..\\results.pickle",
    "view.json/../../results.pickle", "/etc/passwd", "//etc/passwd", "", "%2e%2e", "a\0b",
    "profiles/../../results.pickle",
]  # fmt: skip


@pytest.mark.parametrize("name", CLIMBS)
@pytest.mark.parametrize("where", ["/jobs/{job}/view/", "/jobs/{job}/outputs/", "/static/"])
def test_no_name_leads_out_of_a_served_folder(demo_to_read, where, name):
    browser = demo_to_read.as_role("administrator")
    answer = browser.get(where.format(job=demo_to_read.job) + name.replace("\0", "%00"))
    assert answer.status_code in (404, 307, 405)
    assert b"root:" not in answer.content


def test_a_link_out_of_a_folder_is_not_followed(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "secret").write_text("x")
    (tmp_path / "in" / "link").symlink_to(tmp_path / "secret")
    with pytest.raises(UnknownError):
        inside(tmp_path / "in", "link")


@pytest.mark.parametrize("job", ["../x", "%2e%2e", "a/../b", "A B", "'; DROP TABLE jobs; --"])
def test_a_job_that_is_no_job_is_not_there(demo_to_read, job):
    browser = demo_to_read.as_role("administrator")
    for page in ("uploads", "ledger", "view/view.json"):
        assert browser.get(f"/jobs/{job}/{page}").status_code in (404, 307)
    assert browser.get(f"/api/v1/jobs/{job}/shots").status_code in (404, 307)
    assert len(demo_to_read.desk.store.list_jobs()) == 1


def test_only_a_sha256_names_a_file_of_the_store(tmp_path):
    blobs = Blobs(tmp_path)
    for name in ("../../etc/passwd", "A" * 64, "0" * 63, ""):
        with pytest.raises(InputError):
            blobs.path(name)


def test_a_bomb_of_zeros_is_refused_before_it_fills_anything(job):
    site, browser = job
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.writestr("doc.kml", b"\0" * 50_000_000)
    for name in ("x.zip", "x.kmz"):
        answer = send(browser, site.job, name, packed.getvalue())
        assert answer.status_code == 422, answer.text
        assert answer.json()["remedy"]


def test_an_archive_whose_member_climbs_out_is_refused(job):
    site, browser = job
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("../../evil.shp", b"x")
    answer = send(browser, site.job, "x.zip", packed.getvalue())
    assert answer.status_code == 422
    assert "outside" in answer.json()["detail"]


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE kml [<!ENTITY a "aaaaaaaaaa"><!ENTITY x "&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        '<!DOCTYPE kml SYSTEM "http://evil.example/x.dtd">',
    ],
)
def test_entities_of_an_xml_file_are_never_expanded(job, declaration):
    site, browser = job
    data = (
        f'<?xml version="1.0"?>{declaration}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        "<Placemark><name>&x;</name><Point><coordinates>-98,39,400</coordinates></Point>"
        "</Placemark></Document></kml>"
    )
    answer = send(browser, site.job, "x.kml", data)
    assert answer.status_code == 422
    assert "root:" not in answer.text
    assert "aaaaaaaaaa" not in answer.text


@pytest.mark.parametrize("chunked", [False, True])
def test_a_file_that_is_too_large_is_refused_and_leaves_nothing(site, chunked):
    small = replace(site.desk.config, most_upload=100_000)
    narrow = type(site)(replace(site.desk, config=small))
    browser = narrow.as_role("administrator")
    job = browser.post("/api/v1/jobs", json={"name": "x", "crs": CRS}).json()["id"]
    for size in (150_000, 2_000_000):  # within what is read of a form, and beyond
        body = (
            b'--b\r\nContent-Disposition: form-data; name="file"; filename="x.csv"\r\n\r\n'
            + os.urandom(size)
            + b"\r\n--b--\r\n"
        )
        parts = iter([body[k : k + 65536] for k in range(0, len(body), 65536)])
        answer = browser.post(
            f"/api/v1/jobs/{job}/uploads",
            content=parts if chunked else body,
            headers={"Content-Type": "multipart/form-data; boundary=b"},
        )
        assert answer.status_code == 413
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["remedy"]
    kept = [path for path in narrow.desk.config.blobs.rglob("*") if path.is_file()]
    assert kept == []


@pytest.mark.parametrize("chunked", [False, True])
def test_any_other_body_that_is_too_large_is_refused(site, chunked):
    narrow = type(site)(replace(site.desk, config=replace(site.desk.config, most_body=1000)))
    browser = narrow.as_role("administrator")
    body = b'{"name": "' + b"x" * 2000 + b'"}'
    parts = iter([body[:900], body[900:]])
    answer = browser.post(
        "/api/v1/crews",
        content=parts if chunked else body,
        headers={"Content-Type": "application/json"},
    )
    assert answer.status_code == 413


def test_text_that_came_in_is_no_formula_in_any_table_that_goes_out(job):
    site, browser = job
    cell = '"' + FORMULA.replace('"', '""') + '"'
    assert send(browser, site.job, "x.csv", ROWS.format(name=cell, note=cell)).is_success
    sha256 = site.desk.state(site.job).uploads[0].main.sha256
    browser.post(
        f"/api/v1/jobs/{site.job}/decisions",
        json={"kind": "reject", "shots": [[sha256, 2]], "why": FORMULA},
    )
    site.work()
    outputs = browser.get(f"/api/v1/jobs/{site.job}/outputs").json()["outputs"]
    tables = [one["name"] for one in outputs if one["name"].endswith(".csv")]
    assert tables
    seen = False
    for name in tables:
        text = browser.get(f"/api/v1/jobs/{site.job}/outputs/{name}").text
        for row in csv.reader(io.StringIO(text.lstrip("\ufeff"))):
            for value in row:
                seen = seen or "HYPERLINK" in value
                assert not value.lstrip(" \t'\"").startswith(("=", "@")) or value.startswith("'")
                assert not value.startswith(("=", "@", "+cmd", "-cmd", "\t", "\r"))
    assert seen, "the text is kept, only not as a formula"


def test_a_deep_body_is_refused_not_fatal(site):
    browser = site.as_role("administrator")
    for body in ("[" * 100_000, '{"a":' * 50_000, '"\ud800"'.encode("utf-8", "surrogatepass")):
        answer = browser.post(
            "/api/v1/crews", content=body, headers={"Content-Type": "application/json"}
        )
        assert answer.status_code in (400, 422)
        assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("text", ["half \\ud800 of a character", "zero \\u0000 inside"])
def test_text_that_no_database_holds_is_refused_with_a_sentence(job, text):
    site, browser = job
    for path, body in (
        ("/api/v1/crews", f'{{"name": "{text}"}}'),
        ("/api/v1/jobs", f'{{"name": "{text}", "crs": "{CRS}"}}'),
        (f"/api/v1/jobs/{site.job}/settings", f'{{"settings": "{text}"}}'),
    ):
        answer = browser.request(
            "PUT" if path.endswith("settings") else "POST",
            path,
            content=body,
            headers={"Content-Type": "application/json"},
        )
        assert answer.status_code == 422, path
        assert answer.json()["detail"]


def test_a_fault_of_the_desk_shows_no_traceback_and_no_folder(site, monkeypatch, caplog):
    browser = site.as_role("administrator")

    def broken(*_, **__):
        raise RuntimeError(f"secret {site.desk.config.data}")

    monkeypatch.setattr(site.desk.store, "list_crews", broken)
    for path in ("/api/v1/crews", "/admin/users"):
        answer = browser.get(path)
        assert answer.status_code == 500
        assert "secret" not in answer.text
        assert "Traceback" not in answer.text
        assert "fault of its own" in answer.text
    assert "secret" in caplog.text


def test_errors_of_a_job_say_nothing_of_where_it_lies_on_the_server(job):
    site, browser = job
    answer = browser.put(
        f"/api/v1/jobs/{site.job}/settings",
        json={"settings": '[job]\nname = "x"\n[frame]\ncrs = "EPSG:6467"\nheights = "orthometric"'},
    )
    assert answer.status_code == 422
    assert str(site.desk.config.data) not in answer.text
    assert "geoid" in answer.json()["detail"]


def test_the_map_may_fetch_only_from_hosts_that_the_administrator_names(demo):
    tiles = replace(demo.desk.config, map_hosts=("https://tiles.example",))
    with_tiles = type(demo)(replace(demo.desk, config=tiles), demo.job)
    for one, allowed in ((demo, False), (with_tiles, True)):
        browser = one.as_role("reader")
        page = browser.get(f"/jobs/{one.job}").headers["content-security-policy"]
        assert ("https://tiles.example" in page) == allowed
        assert "script-src 'self';" in page
        other = browser.get("/jobs").headers["content-security-policy"]
        assert "tiles.example" not in other
        assert "frame-ancestors 'none'" in other
