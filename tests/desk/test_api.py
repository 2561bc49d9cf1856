"""The API: sent twice done once, pages, tags, problems, and every action's effect."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

CRS = "EPSG:6467"
ROWS = (
    "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (m),Fix,Utility,Depth (m)\r\n"
    "1,2026-11-17T14:12:20Z,39.272087,-98.040451,404.03,RTK fixed,gas,1.10\r\n"
    "2,2026-11-17T14:13:20Z,39.272097,-98.040451,404.05,RTK fixed,gas,1.12\r\n"
)
WHEN = "2026-11-17T14:12:20Z"
PLACED = {"time": WHEN, "latitude": 39.0, "longitude": -98.0}
HINTS = '{"frame": "ITRF2020", "receiver": "EL-1", "antenna_height": "2 m"}'


@pytest.fixture
def api(site):
    """A browser of a reviewer whose addresses start at a fresh job."""
    browser = site.as_role("administrator")
    made = browser.post("/api/v1/jobs", json={"name": "Elm Street", "crs": CRS})
    site.job = made.json()["id"]

    def call(method, path, **more):
        return browser.request(method, f"/api/v1/jobs/{site.job}{path}", **more)

    call.site, call.browser = site, browser
    return call


def calls_on(site):
    """Calls on a site's job as its administrator."""
    browser = site.as_role("administrator")

    def call(method, path, **more):
        return browser.request(method, f"/api/v1/jobs/{site.job}{path}", **more)

    call.site, call.browser = site, browser
    return call


@pytest.fixture
def shots(small):
    """Calls on a small processed job."""
    return calls_on(small)


def problem(answer, status, field=None):
    """A problem as it should be: a sentence, a remedy, the field."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["status"] == status
    assert body["type"]
    assert body["detail"][-1] in ".!?)"
    assert body["remedy"]
    if field is not None:
        assert body.get("field") == field, body
    return body


# --- jobs ---------------------------------------------------------------------------------------


def test_a_job_asked_for_twice_under_one_key_is_made_once(site):
    browser = site.as_role("technician")
    key = {"Idempotency-Key": "k-1"}
    body = {"name": "Elm Street", "crs": CRS}
    one = browser.post("/api/v1/jobs", json=body, headers=key)
    two = browser.post("/api/v1/jobs", json=body, headers=key)
    assert one.json()["id"] == two.json()["id"] == "elm-street"
    other = browser.post("/api/v1/jobs", json=body)
    assert other.json()["id"] == "elm-street-2"
    problem(browser.post("/api/v1/jobs", json={**body, "unit": "ft"}, headers=key), 409)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"name": "x"}, "crs"),
        ({"crs": CRS}, "name"),
        ({"name": "x", "crs": "EPSG:4326"}, None),
        ({"name": "x", "crs": "no such frame"}, None),
        ({"name": "x", "crs": CRS, "unit": "feet"}, None),
        ({"name": "x", "crs": CRS, "epoch": "then"}, "epoch"),
        ({"name": "x", "crs": CRS, "colour": "red"}, "colour"),
        ({"settings": "[job"}, "settings"),
    ],
)
def test_a_job_that_can_not_be_is_refused_with_a_sentence(site, body, field):
    problem(site.as_role("technician").post("/api/v1/jobs", json=body), 422, field)
    assert site.desk.store.list_jobs() == []


def test_lists_come_in_pages_that_together_hold_all(site):
    browser = site.as_role("technician")
    for k in range(7):
        browser.post("/api/v1/jobs", json={"name": f"job {k}", "crs": CRS})
    seen, cursor = [], 0
    while cursor is not None:
        page = browser.get(f"/api/v1/jobs?cursor={cursor}&limit=3").json()
        assert len(page["jobs"]) <= 3
        seen += [job["id"] for job in page["jobs"]]
        cursor = page["next"]
    assert sorted(seen) == [f"job-{k}" for k in range(7)]
    for query in ("limit=0", "limit=1001", "cursor=-1", "limit=x"):
        problem(browser.get(f"/api/v1/jobs?{query}"), 422, query.partition("=")[0])


def test_settings_are_checked_before_they_are_kept(api):
    before = api("GET", "/settings").json()
    bad = before["settings"].replace("[frame]", "[frame]\ncolour = 1")
    body = problem(api("PUT", "/settings", json={"settings": bad}), 422)
    assert "unknown key 'colour'" in body["detail"].lower()
    assert api("GET", "/settings").json() == before
    good = before["settings"].replace("Elm Street", "Oak Street")
    assert api("PUT", "/settings", json={"settings": good}).status_code == 200
    assert api("GET", "").json()["title"] == "Oak Street"


def test_an_archived_job_leaves_the_list_and_can_be_read(api):
    assert api("PATCH", "", json={"state": "archived"}).json()["state"] == "archived"
    assert "Elm Street" not in api.browser.get("/jobs").text
    assert "Elm Street" in api.browser.get("/jobs?state=archived").text
    problem(api("PATCH", "", json={"state": "gone"}), 422)


# --- uploads and shots --------------------------------------------------------------------------


def test_an_upload_is_one_however_often_it_comes(api):
    file = {"file": ("day1.csv", ROWS)}
    one = api("POST", "/uploads", files=file, data={"hints": HINTS})
    assert one.status_code == 201
    assert one.json()["read"]["shots"] == 2
    two = api("POST", "/uploads", files={"file": ("other.csv", ROWS)}, data={"hints": HINTS})
    assert (two.status_code, two.json()["known"], two.json()["name"]) == (200, True, "day1.csv")
    assert len(api("GET", "/uploads").json()["uploads"]) == 1
    assert api.site.desk.store.receiver("EL-1")


def test_an_upload_that_leaves_a_question_open_comes_back_with_the_questions(api):
    answer = api("POST", "/uploads", files={"file": ("day1.csv", ROWS)})
    body = problem(answer, 422, "frame")
    assert [one["field"] for one in body["questions"]] == ["frame"]
    assert {"column": "Depth (m)", "quantity": "depth", "unit": "m"}.items() <= next(
        column for column in body["columns"] if column["column"] == "Depth (m)"
    ).items()
    assert api("GET", "/uploads").json()["uploads"] == []
    # The file is there already: its hash and the answer are enough.
    hints = {"sha256": body["sha256"], "name": "day1.csv", "hints": HINTS}
    assert api("POST", "/uploads", data=hints).status_code == 201


def test_a_guess_adds_nothing_and_its_mapping_can_be_sent_back(api):
    file = {"file": ("day1.csv", ROWS)}
    guess = api("POST", "/uploads/guess", files=file, data={"hints": HINTS}).json()
    assert guess["questions"] == []
    assert guess["rows"][0][0] == "1"
    assert api("GET", "/uploads").json()["uploads"] == []
    done = api("POST", "/uploads", files=file, data={"mapping": guess["mapping"]})
    assert done.status_code == 201
    assert api("GET", f"/uploads/{guess['sha256']}/mapping").json()["mapping"] == guess["mapping"]


@pytest.mark.parametrize(
    ("file", "more", "status"),
    [
        ({"file": ("x.csv", b"")}, {}, 422),
        ({"file": ("x.csv", b"\0\1\2\3")}, {}, 422),
        ({"file": ("x.csv", ROWS)}, {"hints": "{"}, 422),
        ({"file": ("x.csv", ROWS)}, {"hints": '{"colour": "red"}'}, 422),
        ({"file": ("x.csv", ROWS)}, {"hints": '{"antenna_height": "tall"}'}, 422),
        ({"file": ("x.csv", ROWS)}, {"mapping": "format = 1"}, 422),
        ({"file": ("x.csv", ROWS)}, {"mapping": "[columns.depth"}, 422),
        ({}, {"sha256": "0" * 64}, 404),
        ({}, {}, 422),
    ],
)
def test_a_file_that_can_not_be_read_leaves_no_trace_in_the_job(api, file, more, status):
    problem(api("POST", "/uploads", files=file or None, data=more), status)
    assert api("GET", "/uploads").json()["uploads"] == []
    assert api("GET", "").json()["head"] == 1


def test_a_mapping_is_tried_on_the_file_before_it_is_kept(api):
    sent = api("POST", "/uploads", files={"file": ("a.csv", ROWS)}, data={"hints": HINTS}).json()
    where = f"/uploads/{sent['sha256']}/mapping"
    mapping = api("GET", where).json()["mapping"]
    wrong = mapping.replace('column = "Depth (m)"', 'column = "Deepness"')
    body = problem(api("PUT", where, json={"mapping": wrong}), 422)
    assert "Deepness" in body["detail"]
    assert api("GET", where).json()["mapping"] == mapping
    feet = re.sub(r'(column = "Depth \(m\)"\nunit = )"m"', r'\1"ft"', mapping)
    assert feet != mapping
    assert api("PUT", where, json={"mapping": feet}).json()["read"]["shots"] == 2
    problem(api("PUT", f"/uploads/{'0' * 64}/mapping", json={"mapping": mapping}), 404)


def test_an_upload_taken_out_needs_a_reason_and_comes_back_under_its_tag(api):
    send = {"files": {"file": ("a.csv", ROWS)}, "data": {"hints": HINTS}}
    sha256 = api("POST", "/uploads", **send).json()["sha256"]
    problem(api("DELETE", f"/uploads/{sha256}", json={"why": " "}), 422, "why")
    assert api("DELETE", f"/uploads/{sha256}", json={"why": "wrong job"}).status_code == 200
    assert api("GET", "/uploads").json()["uploads"][0]["removed"] == "wrong job"
    assert api("GET", f"/uploads/{sha256}/raw").text == ROWS
    back = api("POST", "/uploads", **send)
    assert (back.status_code, back.json()["tag"], back.json()["removed"]) == (201, "A", None)


def test_posted_shots_become_an_upload_whose_keys_never_change(api):
    row = {"name": "p1", "latitude": 39.2720, "longitude": -98.0404, "depth_m": 1.0, "fix": 4}
    body = {
        "receiver": "EL-2",
        "frame": "ITRF2020",
        "rows": [row, {**row, "name": "p2", "latitude": 39.2721}],
    }
    body["rows"][0]["time"] = "2026-11-17T14:12:20Z"
    body["rows"][1]["time"] = "some time on Monday"
    other = [{**one, "longitude": -98.05} for one in body["rows"]]
    half = api("POST", "/shots", json={**body, "receiver": "EL-7", "rows": other}).json()["read"]
    assert (half["shots"], half["reported"]) == (1, 1)
    assert "time" in half["reports"][0]["reason"]
    body["rows"][1]["time"] = "2026-11-17T14:12:50Z"
    first = api("POST", "/shots", json=body, headers={"Idempotency-Key": "a"})
    again = api("POST", "/shots", json=body, headers={"Idempotency-Key": "a"})
    assert first.status_code == again.status_code == 201
    assert first.json()["sequence"] == again.json()["sequence"]
    assert api("GET", "").json()["posted"] == 4
    problem(
        api("POST", "/shots", json={**body, "receiver": "EL-3"}, headers={"Idempotency-Key": "a"}),
        409,
        "Idempotency-Key",
    )
    assert api("POST", "/process").status_code == 202
    api.site.work()
    key = api("GET", "/shots/A-1").json()["key"]
    body["rows"] = [{**row, "name": "p3", "latitude": 39.2722, "time": "2026-11-17T15:00:00Z"}]
    api("POST", "/shots", json=body)
    api("POST", "/process")
    api.site.work()
    assert api("GET", "/shots/A-1").json()["key"] == key
    assert api("GET", "/shots/C-1").json()["name_in_upload"] == "p3"
    assert api("GET", "").json()["posted"] == 0
    page = api.browser.get("/api/v1/receivers").json()["receivers"]
    assert [one["serial"] for one in page] == ["EL-2", "EL-7"]
    assert page[0]["jobs"][0]["shots"] == 3
    assert page[0]["last_contact"]


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"rows": []}, "rows"),
        ({"rows": [{"latitude": 39.0, "longitude": -98.0}]}, "rows.0.time"),
        ({"rows": [{"time": WHEN, "latitude": 39.0}]}, "rows.0"),
        ({"rows": [{**PLACED, "easting_m": 1.0}]}, "rows.0"),
        ({"rows": [{**PLACED, "latitude": 95.0}]}, "rows.0.latitude"),
        ({"rows": [{**PLACED, "depth": 1.0}]}, "rows.0.depth"),
        ({"frame": ""}, "frame"),
        ({"frame": "no such frame"}, None),
        ({"receiver": ""}, "receiver"),
    ],
)
def test_shots_that_can_not_be_understood_are_refused_at_once(api, changed, field):
    body = {"receiver": "EL-2", "frame": "ITRF2020"}
    body["rows"] = [PLACED]
    problem(api("POST", "/shots", json={**body, **changed}), 422, field)
    assert api("GET", "").json()["head"] == 1


def test_a_receivers_token_posts_under_its_own_serial_only(api):
    store = api.site.desk.store
    store.put_receiver("EL-5")
    secret, _ = store.create_token("pole 5", "technician", receiver="EL-5")
    program = api.site.browser()
    program.headers["Authorization"] = f"Bearer {secret}"
    for serial, status in (("EL-5", 201), ("EL-6", 403)):
        body = {"receiver": serial, "frame": "ITRF2020", "rows": [PLACED]}
        answer = program.post(f"/api/v1/jobs/{api.site.job}/shots", json=body)
        assert answer.status_code == status
    assert api("GET", "/ledger").json()["entries"][-1]["who"] == "EL-5 (pole 5)"


def test_a_control_check_typed_on_the_grid_is_in_the_jobs_own_frame(demo):
    shots = calls_on(demo)
    point = shots.site.desk.results(shots.site.job).settings.control[0]
    row = {
        "control": point.name, "easting_m": point.easting + 0.01, "northing_m": point.northing,
        "height_m": point.height, "time": "2026-11-18T14:05:00Z", "fix": 4, "note": "typed",
    }  # fmt: skip
    body = {"receiver": "EL-0417", "position_of": "ground", "rows": [row]}
    assert shots("POST", "/shots", json=body).status_code == 201
    shots("POST", "/process")
    shots.site.work()
    found = shots("GET", "/shots?text=typed").json()["shots"][0]
    check = shots("GET", f"/shots/{found['shot']}").json()["control_check"]
    assert check["point"] == point.name
    assert abs(check["east_m"] - 0.01) < 0.002


# --- work ---------------------------------------------------------------------------------------


def test_a_decision_needs_a_reason_and_shots_of_the_job(shots):
    sha256 = shots("GET", "/uploads").json()["uploads"][0]["sha256"]
    good = {"kind": "set-antenna-height", "value": "1.8", "shots": [[sha256, 5]], "why": "pole"}
    problem(shots("POST", "/decisions", json={**good, "why": " "}), 422, "why")
    problem(shots("POST", "/decisions", json={**good, "value": "tall"}), 422, "value")
    problem(shots("POST", "/decisions", json={**good, "shots": []}), 422, "shots")
    problem(shots("POST", "/decisions", json={**good, "shots": [["f" * 64, 1]]}), 404, "sha256")
    problem(shots("POST", "/decisions", json={**good, "kind": "bless"}), 422, "kind")
    key = {"Idempotency-Key": "d"}
    one = shots("POST", "/decisions", json=good, headers=key).json()
    two = shots("POST", "/decisions", json=good, headers=key).json()
    assert one["id"] == two["id"] == f"d{one['sequence']}"
    problem(shots("POST", "/decisions", json={**good, "value": "1.9"}, headers=key), 409)
    shots.site.work()
    listed = shots("GET", "/decisions").json()["decisions"]
    assert [(item["id"], item["undone"]) for item in listed] == [(one["id"], None)]
    detail = shots("GET", "/shots/A-5").json()
    assert detail["antenna_height_m"] == 1.8
    assert detail["decisions"][0]["who"] == "a administrator"
    undo = f"/decisions/{one['id']}/undo"
    assert shots("POST", undo, json={"why": "was right"}).status_code == 201
    problem(shots("POST", undo, json={"why": "again"}), 404)
    page = shots.browser.get(f"/jobs/{shots.site.job}/entered").text
    assert "taken back by a administrator: was right" in page


def test_lines_are_renamed_split_and_joined(shots):
    line = shots("GET", "/lines").json()["lines"][0]
    detail = shots("GET", f"/lines/{line['line']}").json()
    names = detail["shots"]["shot"]
    keys = [shots("GET", f"/shots/{name}").json()["key"] for name in (names[0], names[1])]
    for kind, chosen, value in (("rename", keys[:1], "Main St"), ("split", keys, "")):
        body = {"kind": kind, "shots": chosen, "value": value, "why": "seen on site"}
        assert shots("POST", "/decisions", json=body).status_code == 201
    problem(
        shots(
            "POST", "/decisions", json={"kind": "rename", "shots": keys, "value": "x", "why": "y"}
        ),
        422,
        "shots",
    )
    shots.site.work()
    lines = [one["line"] for one in shots("GET", "/lines").json()["lines"]]
    assert "Main St" in lines
    assert len(lines) == shots("GET", "/lines").json()["count"]


def test_digs_and_exposures_are_entered_replaced_and_taken_out(shots):
    place = shots("GET", "/shots/A-7").json()
    points = [
        [place["easting_m"], place["northing_m"]],
        [place["easting_m"] + 4, place["northing_m"]],
    ]
    table = {"name": "T9", "points": points, "width": 0.6, "depth": 1.2}
    assert shots("POST", "/digs", json={"kind": "trench", "table": table}).status_code == 201
    deeper = {**table, "depth": 1.5}
    assert shots("POST", "/digs", json={"kind": "trench", "table": deeper}).status_code == 201
    digs = shots("GET", "/digs").json()["digs"]["trench"]
    assert [dig["depth"] for dig in digs if dig["name"] == "T9"] == [1.5]
    for wrong, said in (
        ({**table, "width": -1}, "width"),
        ({**table, "points": points[:1]}, "points"),
        ({**table, "colour": "red"}, "colour"),
        ({k: v for k, v in table.items() if k != "depth"}, "depth"),
        ({**table, "points": [[0, 0], [1, 0]]}, "T9"),
    ):
        body = problem(shots("POST", "/digs", json={"kind": "trench", "table": wrong}), 422)
        assert said in body["detail"] + body.get("field", "")
    before = shots("GET", "/digs").json()
    east, north = points[0]
    away = [[east, north], [east + 60.0, north]]
    far = [[east / 0.3048, north / 0.3048], [east / 0.3048 + 9, north / 0.3048]]
    bore = {"name": "B9", "points": away, "final_diameter": 0.3}
    for kind, table_, said in (
        ("pit", {"name": "K9", "depth": 1.0, "corners": [
            [east, north], [east + 4, north + 4], [east + 4, north], [east, north + 4]]},
         "crosses"),
        ("bore", {**bore, "elevation": 9000.0}, "above ground"),
        ("bore", {**bore, "depth": 2.0, "entry_angle": 12.0, "exit_angle": 95.0,
                  "bend_radius": 30.0}, "exit_angle"),
        ("trench", {**table, "points": [points[0], points[0]]}, "no length"),
        ("trench", {"name": "T8", "points": far, "width": 0.6, "elevation": 10.0}, "km from the"),
        ("post", {"name": "P9", "easting": east, "northing": north, "diameter": 0.3,
                  "elevation": 9000.0}, "above ground"),
        ("record", {"name": "R9", "points": far, "utility": "gas"}, "no ground height"),
    ):  # fmt: skip
        body = problem(shots("POST", "/digs", json={"kind": kind, "table": table_}), 422)
        assert said in body["detail"] + body.get("field", "")
        assert body["remedy"]
    assert shots("GET", "/digs").json() == before
    exposure = {
        "name": "X9", "line": shots("GET", "/lines").json()["lines"][0]["line"],
        "easting": place["easting_m"], "northing": place["northing_m"], "top_depth": 1.0,
        "when": "2026-11-19",
    }  # fmt: skip
    assert shots("POST", "/digs", json={"kind": "exposure", "table": exposure}).status_code == 201
    bad_day = {**exposure, "when": "yesterday"}
    problem(shots("POST", "/digs", json={"kind": "exposure", "table": bad_day}), 422, "when")
    shots.site.work()
    view = shots.browser.get(f"/jobs/{shots.site.job}/view/view.json").json()
    assert "T9" in [dig["name"] for dig in view["digs"]]
    problem(shots("DELETE", "/digs/trench/T9", json={"why": ""}), 422, "why")
    assert shots("DELETE", "/digs/trench/T9", json={"why": "not built"}).status_code == 200
    problem(shots("DELETE", "/digs/trench/T9", json={"why": "again"}), 404, "name")


def test_a_sweep_typed_from_a_tape_is_an_upload_of_its_own(shots):
    place = shots("GET", "/shots/A-7").json()
    east, north = place["easting_m"], place["northing_m"]
    readings = [
        {"position_m": 0.4 * k, "reading": 100 * 1.2 / (1.44 + (0.4 * k - 2) ** 2)}
        for k in range(11)
    ]
    body = {
        "name": "S9", "start": {"easting_m": east, "northing_m": north - 2},
        "end": {"easting_m": east, "northing_m": north + 2}, "length_m": 4.0,
        "readings": readings, "unit": "percent", "utility": "gas", "time": "2026-11-18T15:00:00Z",
    }  # fmt: skip
    done = shots("POST", "/sweeps", json=body)
    assert done.status_code == 201, done.text
    assert done.json()["read"]["sweeps"] == 1
    assert shots("POST", "/sweeps", json=body).json()["known"]
    problem(shots("POST", "/sweeps", json={**body, "readings": readings[:2]}), 422, "readings")
    problem(shots("POST", "/sweeps", json={**body, "end": {"easting_m": 1}}), 422, "end.northing")
    shots.site.work()
    found = shots("GET", "/sweeps/S9").json()
    assert found["length_m"] == pytest.approx(4.0)
    assert len(found["series"][0]["position_m"]) == 11


def test_stakeout_lists_are_asked_for_in_short_or_in_full(shots):
    line = shots("GET", "/lines").json()["lines"][0]["line"]
    key = shots("GET", "/shots/A-7").json()["key"]
    for name, table in (
        ("points", {"what": "shots", "shots": [key]}),
        ("along", {"what": "line", "line": line, "every": 5.0}),
        ("crossings", {"what": "crossings"}),
        ("full", {"service": "ITRF2020", "day": "2026-12-01", "shots": ["A-7"]}),
    ):
        body = {"name": name, "table": table}
        answer = shots("POST", "/stakeouts", json=body)
        assert answer.status_code == 201, answer.text
    shots.site.work()
    task = shots("GET", "/tasks").json()["tasks"][0]
    assert task["state"] == "done", task["message"]
    outputs = [one["name"] for one in shots("GET", "/outputs").json()["outputs"]]
    assert any(name.startswith("stakeout/") for name in outputs)
    for table in ({"what": "the moon"}, {"what": "line", "line": line, "every": -1}, {"day": "x"}):
        problem(shots("POST", "/stakeouts", json={"name": "x", "table": table}), 422)
    assert shots("DELETE", "/stakeouts/points").status_code == 200
    problem(shots("DELETE", "/stakeouts/points"), 404)


def test_control_points_are_added_to_the_settings(api):
    body = {"name": "CP9", "easting_m": 396000.0, "northing_m": 104000.0, "height_m": 404.2}
    assert api("POST", "/control", json=body).status_code == 201
    assert api("POST", "/control", json={**body, "height_m": 404.3}).status_code == 201
    settings = api("GET", "/settings").json()["settings"]
    assert settings.count('name = "CP9"') == 1
    assert "404.3" in settings
    problem(api("POST", "/control", json={**body, "easting_m": "far"}), 422, "easting_m")


# --- reading ------------------------------------------------------------------------------------


def test_results_are_read_in_pages_and_by_name(demo_to_read):
    browser = demo_to_read.as_role("reader")
    base = f"/api/v1/jobs/{demo_to_read.job}"
    page = browser.get(f"{base}/shots?page=2&size=10").json()
    assert (len(page["shots"]), page["page"]) == (10, 2)
    shot = browser.get(f"{base}/shots/{page['shots'][0]['shot']}").json()
    assert shot["budget"]
    assert shot["raw"]
    findings = browser.get(f"{base}/findings?limit=5").json()
    assert len(findings["findings"]) == 5
    assert all(one["remedy"] for one in findings["findings"])
    for where in ("shots/Z-1", "shots/A-9999", "shots/nonsense", "lines/none", "sweeps/none"):
        problem(browser.get(f"{base}/{where}"), 404)
    problem(browser.get(f"{base}/shots?verdict=fine"), 422, "verdict")
    problem(browser.get(f"{base}/shots?line=none"), 422, "line")
    report = browser.get(f"{base}/outputs/report.pdf")
    assert report.content.startswith(b"%PDF")
    assert report.headers["content-disposition"] == 'attachment; filename="report.pdf"'


def test_what_did_not_change_is_not_sent_again(demo_to_read):
    browser = demo_to_read.as_role("reader")
    for where in ("view.json", "shots.bin"):
        address = f"/jobs/{demo_to_read.job}/view/{where}"
        first = browser.get(address)
        assert first.headers["content-encoding"] == "gzip"
        again = browser.get(address, headers={"If-None-Match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        other = browser.get(address, headers={"If-None-Match": '"other"'})
        assert other.status_code == 200
    style = browser.get("/static/desk.css?v=1")
    assert "immutable" in style.headers["cache-control"]


def test_two_days_are_compared_spot_by_spot(demo_to_read):
    browser = demo_to_read.as_role("reader")
    base = f"/api/v1/jobs/{demo_to_read.job}/compare"
    found = browser.get(f"{base}?a=2026-11-17&b=2026-11-18").json()
    assert found["pairs"]
    assert all(0 <= pair["chance"] <= 1 for pair in found["pairs"])
    assert all(pair["agrees"] == (pair["chance"] >= 0.05) for pair in found["pairs"])
    none = browser.get(f"{base}?a=2026-11-17&b=2027-11-18").json()
    assert none["pairs"] == []
    problem(browser.get(f"{base}?a=2026-11-17&b=2026-11-17"), 422, "b")
    problem(browser.get(f"{base}?a=monday&b=tuesday"), 422, "a")
    problem(browser.get(f"{base}?a=999999&b=1"), 404)
    problem(browser.get(f"{base}?a=1&b=1"), 422)


def test_the_ledger_is_read_in_pages_and_checked(demo_to_read):
    browser = demo_to_read.as_role("reader")
    base = f"/api/v1/jobs/{demo_to_read.job}/ledger"
    seen, cursor = [], 0
    while cursor is not None:
        page = browser.get(f"{base}?cursor={cursor}&limit=4").json()
        seen += [entry["sequence"] for entry in page["entries"]]
        cursor = page["next"]
    assert seen == list(range(1, page["head"] + 1))
    assert browser.get(f"{base}/verify").json()["faults"] == []


def test_before_anything_was_processed_every_reading_says_so(api):
    for path in ("/shots", "/shots/A-1", "/lines", "/findings", "/sweeps", "/outputs/report.pdf"):
        problem(api("GET", path), 404)
    assert api("GET", "/outputs").json()["outputs"] == []
    problem(api("POST", "/process"), 422)
    problem(api("POST", "/releases", json={"name": "x"}), 404)


def test_releases_are_made_once_a_name_and_listed_with_their_public_page(shots):
    one = shots("POST", "/releases", json={"name": "for design"})
    assert one.status_code == 201
    assert shots.site.browser().get(one.json()["check"]).status_code == 200
    problem(shots("POST", "/releases", json={"name": "for design"}), 409, "name")
    problem(shots("POST", "/releases", json={"name": " "}), 422, "name")
    listed = shots("GET", "/releases").json()["releases"]
    assert [item["name"] for item in listed] == ["for design"]
    package = shots.browser.get(listed[0]["package"])
    assert package.headers["content-type"] == "application/zip"
    sha256 = shots("GET", "/uploads").json()["uploads"][0]["sha256"]
    body = {"kind": "reject", "shots": [[sha256, 3]], "why": "tilted"}
    shots("POST", "/decisions", json=body)
    problem(shots("POST", "/releases", json={"name": "after"}), 409)


# --- problems and the description ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/v1/nothing", 404),
        ("GET", "/api/v1/jobs/none", 404),
        ("PUT", "/api/v1/jobs", 405),
        ("POST", "/api/v1/jobs", 422),
        ("GET", "/api/v1/jobs/none/tasks/x", 422),
        ("DELETE", "/api/v1/tokens/99", 404),
    ],
)
def test_whatever_is_wrong_is_a_problem(demo_to_read, method, path, status):
    problem(demo_to_read.as_role("administrator").request(method, path), status)


def test_a_body_that_is_no_json_is_said(site):
    browser = site.as_role("administrator")
    for kind, body in (("application/json", "{"), ("text/plain", "x"), ("image/png", b"\x89PNG")):
        answer = browser.post("/api/v1/crews", content=body, headers={"Content-Type": kind})
        problem(answer, 422)


def test_the_description_names_every_route_of_the_api_with_its_role(demo_to_read):
    from asfound.desk.roles import TABLE

    document = demo_to_read.as_role("reader").get("/api/v1/openapi.json").json()
    said = {
        (method.upper(), path): operation["x-least-role"]
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    }
    wanted = {
        (method, path.replace(":path}", "}")): role
        for (method, path), role in TABLE.items()
        if path.startswith("/api/v1/") and not path.endswith("openapi.json")
    }
    assert said == wanted
    for methods in document["paths"].values():
        for operation in methods.values():
            assert operation["summary"]
            assert operation["description"]
            assert "application/problem+json" in operation["responses"]["default"]["content"]


def test_times_of_the_api_are_utc(demo_to_read):
    browser = demo_to_read.as_role("reader")
    made = browser.get(f"/api/v1/jobs/{demo_to_read.job}").json()["created"]
    assert datetime.fromisoformat(made).tzinfo == UTC
