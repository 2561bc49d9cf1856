"""The job page in Chromium: what is drawn, what is linked, what keys do, what is sent."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from page_server import PageServer
from playwright.sync_api import Page, expect

import asfound.desk.view as view_module
from asfound.model import Results, Verdict

AXE = Path(view_module.__file__).parent / "frontend" / "node_modules" / "axe-core" / "axe.min.js"


def held(page: Page, script: str) -> Any:
    """What the page's own record says: `asfound` holds `state` and `sheet`."""
    return page.evaluate(f"() => {{ const {{state, sheet}} = job.asfound; {script} }}")


def ink_at(page: Page, left: float, top: float, reach: int) -> int:
    """How many pixels around a place of the plan's canvas are drawn on."""
    return int(
        page.evaluate(
            """([x, y, r]) => {
                const canvas = document.querySelector('.plan-canvas');
                const scale = canvas.width / canvas.clientWidth;
                const data = canvas.getContext('2d').getImageData(
                    (x - r) * scale, (y - r) * scale, 2 * r * scale, 2 * r * scale).data;
                let drawn = 0;
                for (let k = 3; k < data.length; k += 4) if (data[k] > 40) drawn++;
                return drawn;
            }""",
            [left, top, reach],
        )
    )


def test_the_columns_of_shots_arrive_as_they_were_sent(open_page: Any, results: Results) -> None:
    page = open_page()
    sent = held(
        page,
        """const s = state.shots; const o = state.view.origin;
        return {e: [...s.easting].map(v => v === -2147483648 ? null : v * 1e-4 + o[0]),
                verdict: [...s.verdict], major: [...s.major].map(v => v * 1e-4)};""",
    )
    easting = np.array([np.nan if v is None else v for v in sent["e"]])
    np.testing.assert_allclose(easting, results.ground.easting, atol=0.6e-4)
    assert sent["verdict"] == results.verdict.tolist()
    np.testing.assert_allclose(sent["major"], results.budget.ellipse[:, 0], atol=0.6e-4)


def test_a_pixel_is_exactly_5_mm_where_the_sheet_is_shown_so(
    open_page: Any, results: Results
) -> None:
    page = open_page()
    shot = int(results.lines[0].shots[5])
    east, north = float(results.ground.easting[shot]), float(results.ground.northing[shot])
    offsets = held(
        page,
        f"""sheet.goto({east!r}, {north!r}, 0.005);
        const at = (e, n) => sheet.map.getPixelFromCoordinate([e, n]);
        const a = at({east!r}, {north!r}), b = at({east!r} + 1, {north!r} + 0.5);
        return [b[0] - a[0], a[1] - b[1]];""",
    )
    # 1 m is 200 pixels of 5 mm.
    np.testing.assert_allclose(offsets, [200.0, 100.0], atol=1e-6)
    middle = held(page, "return sheet.map.getSize().map(v => v / 2);")
    assert ink_at(page, middle[0], middle[1], 4) > 10
    found = held(page, "return sheet.under(sheet.placeAt(sheet.map.getSize().map(v => v / 2)));")
    assert found == {"kind": "shot", "index": shot}


def test_an_ellipse_is_drawn_to_scale(open_page: Any, results: Results) -> None:
    page = open_page()
    index = int(results.lines[0].shots[5])
    east, north = float(results.ground.easting[index]), float(results.ground.northing[index])
    major, _, bearing = results.budget.ellipse[index].tolist()
    held(
        page,
        f"""const layers = sheet.plan.layers;
        for (const name of Object.keys(layers)) layers[name] = false;
        layers.shots = layers.ellipses = true;
        sheet.plan.lines.forEach(one => {{ one.envelope = []; one.axis.box = [1e9,1e9,1e9,1e9]; }});
        sheet.goto({east!r}, {north!r}, 0.0005);""",
    )
    middle = held(page, "return sheet.map.getSize().map(v => v / 2);")
    along = np.array([np.sin(bearing), -np.cos(bearing)])
    tip = np.array(middle) + along * major / 0.0005
    beyond = np.array(middle) + along * (major / 0.0005 + 8)
    assert ink_at(page, float(tip[0]), float(tip[1]), 2) > 0
    assert ink_at(page, float(beyond[0]), float(beyond[1]), 2) == 0


def test_a_shot_chosen_in_the_table_is_told_in_full(
    open_page: Any, results: Results, shoot: Any
) -> None:
    page = open_page()
    index = int(np.flatnonzero(results.verdict == Verdict.UNFIT)[0])
    name = results.shot_name(index)
    page.keyboard.press("/")
    page.keyboard.type(name)
    page.locator(".room .row", has_text=name).first.click()
    expect(page.locator("#detail-title")).to_have_text(f"Shot {name}")
    detail = page.locator("#detail")
    finding = results.findings.about("shot", index)[0]
    expect(detail).to_contain_text(finding.rule.title)
    expect(detail).to_contain_text("What to do:")
    expect(detail.locator(".stack").first).to_be_visible()
    detail.locator(".raw summary").click()
    expect(detail.locator(".raw")).to_contain_text("Depth")
    assert held(page, "return state.chosen.index") == index
    assert page.url.endswith(f"#shot={name}")
    shoot(page, "shot-unfit")


def test_a_click_on_the_sheet_chooses_and_the_table_follows(
    open_page: Any, results: Results
) -> None:
    page = open_page()
    shot = int(results.lines[0].shots[8])
    east, north = float(results.ground.easting[shot]), float(results.ground.northing[shot])
    held(page, f"sheet.goto({east!r}, {north!r}, 0.02);")
    box = page.locator("#sheet").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect(page.locator("#detail-title")).to_have_text(f"Shot {results.shot_name(shot)}")
    expect(page.locator(f"#shot-{shot}")).to_have_attribute("aria-selected", "true")
    expect(page.locator("#profile")).to_be_visible()
    expect(page.locator("#profile h2")).to_have_text(f"Profile of {results.lines[0].name}")
    expect(page.locator("#profile .chosen")).to_have_count(1)


def test_arrow_keys_go_along_a_line_and_escape_lets_go(open_page: Any, results: Results) -> None:
    line = results.lines[0]
    first = results.shot_name(int(line.shots[3]))
    page = open_page(fragment=f"#shot={first}")
    page.locator("#sheet").focus()
    page.keyboard.press("ArrowRight")
    following = results.shot_name(int(line.shots[4]))
    expect(page.locator("#detail-title")).to_have_text(f"Shot {following}")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#detail-title")).to_have_text(f"Shot {first}")
    page.keyboard.press("Escape")
    expect(page.locator("#detail")).to_contain_text("Choose a shot")
    expect(page.locator("#profile")).to_be_hidden()


def test_the_table_shows_only_what_passes_the_filter(open_page: Any, results: Results) -> None:
    page = open_page()
    page.get_by_label("sound", exact=True).uncheck()
    left = int(np.count_nonzero(results.verdict != Verdict.SOUND))
    expect(page.locator("#panel-shots .count")).to_have_text(
        f"{left} of {len(results.verdict)} shots"
    )
    page.locator("#filter-line").select_option(label="G1, gas")
    wanted = (results.verdict != Verdict.SOUND) & (results.assembly.line == 0)
    expect(page.locator("#panel-shots .count")).to_have_text(
        f"{int(wanted.sum())} of {len(results.verdict)} shots"
    )


def test_every_list_leads_to_its_place_on_the_sheet(
    open_page: Any, results: Results, shoot: Any
) -> None:
    page = open_page()
    for tab, kind, words in (
        ("lines", "line", results.lines[0].name),
        ("sweeps", "sweep", results.sweeps[0].name),
        ("digs", "dig", "trench T1"),
    ):
        page.locator(f"#tab-{tab}").click()
        page.locator(f"#panel-{tab}").get_by_role("button", name=words, exact=True).first.click()
        expect(page.locator("#detail-title")).to_contain_text(words.split()[-1])
        assert held(page, "return state.chosen.kind") == kind
        inside = held(
            page,
            """const [w, s, e, n] = sheet.seen(); const p = sheet.plan.placeOf(state.chosen);
            return p[0] > w && p[0] < e && p[1] > s && p[1] < n;""",
        )
        assert inside
        shoot(page, f"{kind}-chosen")
    expect(page.locator("#detail")).to_contain_text("does not give leave to dig")


def test_metres_and_feet_are_said_and_never_feet_alone(open_page: Any, results: Results) -> None:
    line = results.lines[0]
    name = results.shot_name(int(line.shots[3]))
    page = open_page(fragment=f"#shot={name}")
    depth = float(results.depth[int(line.shots[3])])
    detail = page.locator("#detail")
    # 1 US survey foot = 1200/3937 m (NIST SP 811, appendix B).
    expect(detail).to_contain_text(f"{depth * 3937 / 1200:.2f} ftUS")
    page.get_by_role("button", name="Show metres").click()
    expect(detail).to_contain_text(f"{depth:.2f} m")
    expect(page.locator("#title-block")).to_contain_text("all lengths in metres")
    page.get_by_role("button", name="Show ftUS").click()
    expect(page.locator("#title-block")).to_contain_text("US survey feet")


def test_measuring_gives_the_grid_distance(open_page: Any, results: Results) -> None:
    page = open_page()
    east, north = (float(v[0]) for v in (results.lines[0].easting, results.lines[0].northing))
    held(page, f"sheet.goto({east!r}, {north!r}, 0.05); state.setMetric(true);")
    page.get_by_role("button", name="Measure").click()
    box = page.locator("#sheet").bounding_box()
    assert box is not None
    x, y = box["x"] + 150, box["y"] + 150
    page.mouse.click(x, y)
    page.mouse.click(x + 200, y)
    page.keyboard.press("Enter")
    # 200 pixels of 5 cm.
    assert held(page, "return sheet.plan.sketch.words") == "10.00 m on the grid"
    page.keyboard.press("Escape")
    assert held(page, "return sheet.plan.sketch") is None


def test_a_decision_is_sent_with_its_reason_and_the_shots_keys(
    open_page: Any, results: Results, server: PageServer
) -> None:
    index = int(np.flatnonzero(results.verdict == Verdict.DOUBTFUL)[0])
    page = open_page(fragment=f"#shot={results.shot_name(index)}")
    page.get_by_role("button", name="Accept …").click()
    form = page.locator("#work-decide form").filter(has=page.locator("[name=why]")).first
    form.get_by_role("button", name="Enter in the ledger").click()
    expect(form.locator(".wrong").last).to_have_text("Fill in: why.")
    form.locator("[name=why]").fill("measured twice")
    form.get_by_role("button", name="Enter in the ledger").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")
    method, path, body = server.sent[-1]
    shots = results.intake.shots
    key = [results.intake.sources[shots.source[index]].sha256, int(shots.row[index])]
    assert (method, path) == ("POST", "decisions")
    assert (body["kind"], body["shots"], body["why"]) == ("accept", [key], "measured twice")
    assert body["_csrf"] == "token"
    assert len(body["_key"]) == 32


def test_what_the_desk_refuses_stands_beside_the_field(
    open_page: Any, results: Results, server: PageServer
) -> None:
    server.answers["decisions"] = (
        422,
        {
            "title": "No",
            "detail": "'sewage' is no utility.",
            "remedy": "Use sewer.",
            "field": "value",
        },
    )
    page = open_page(fragment=f"#shot={results.shot_name(3)}")
    page.get_by_role("button", name="Accept …").click()
    form = page.locator("#work-decide form").filter(has=page.locator("[name=why]")).first
    form.locator("[name=kind]").select_option("set-utility")
    form.locator("[name=value]").fill("sewage")
    form.locator("[name=why]").fill("the manhole says so")
    form.get_by_role("button", name="Enter in the ledger").click()
    field = form.locator(".field", has=page.locator("[name=value]"))
    expect(field.locator(".wrong")).to_have_text("'sewage' is no utility. Use sewer.")
    expect(form.locator("[name=value]")).to_be_focused()


def test_a_trench_is_drawn_on_the_sheet_and_sent_in_metres(
    open_page: Any, results: Results, server: PageServer, shoot: Any
) -> None:
    page = open_page()
    east, north = (float(v[5]) for v in (results.lines[0].easting, results.lines[0].northing))
    held(page, f"sheet.goto({east!r}, {north!r}, 0.05);")
    page.get_by_role("button", name="Draw a dig").click()
    page.locator("#work-trench > summary").click()
    form = page.locator("#work-trench form")
    form.locator("[name=name]").fill("T9")
    form.locator("[name=width]").fill("2")
    form.locator("[name=depth]").fill("4")
    form.get_by_role("button", name="Draw the trench on the sheet").click()
    box = page.locator("#sheet").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.click(x, y)
    page.mouse.click(x + 200, y)
    page.keyboard.press("Enter")
    expect(form.locator("[name=points]")).not_to_have_value("")
    shoot(page, "trench-drawn")
    form.get_by_role("button", name="Enter this trench").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")
    _, path, body = server.sent[-1]
    assert path == "digs"
    table = body["table"]
    assert table["width"] == pytest.approx(2 * 1200 / 3937, abs=1e-4)
    (a, b), (c, d) = table["points"]
    assert (c - a, d - b) == (pytest.approx(10.0, abs=0.01), pytest.approx(0.0, abs=0.01))
    assert a == pytest.approx(east, abs=0.05)


def test_a_file_dropped_on_the_page_is_guessed_and_confirmed(
    open_page: Any, server: PageServer
) -> None:
    server.answers["uploads/guess"] = (
        200,
        {
            "sha256": "ab" * 32,
            "mapping": 'format = "delimited"\n',
            "questions": [{"field": "frame", "what": "In which frame?", "remedy": "Ask the crew."}],
            "doubts": [],
            "columns": [{"column": "Depth", "quantity": "depth", "unit": "m", "samples": ["1.2"]}],
        },
    )
    page = open_page()
    name = '<img src=x onerror="alert(1)">.csv'
    page.evaluate(
        """name => {
            const data = new DataTransfer();
            data.items.add(new File(['Depth\\n1.2\\n'], name));
            window.dispatchEvent(new DragEvent('drop', {dataTransfer: data, cancelable: true}));
        }""",
        name,
    )
    upload = page.locator(".upload")
    expect(upload).to_contain_text("In which frame?")
    expect(upload.locator("h4")).to_have_text(name)
    upload.get_by_label("Frame of the positions").fill("ITRF2020")
    upload.get_by_role("button", name="Read it again").click()
    page.wait_for_function("() => document.querySelectorAll('.upload h4').length === 1")
    assert json.loads(server.sent[-1][2]["hints"]) == {"frame": "ITRF2020"}
    expect(upload).to_contain_text("In which frame?")
    upload.get_by_role("button", name="Add it so").click()
    expect(upload).to_contain_text("was added")
    method, path, body = server.sent[-1]
    assert (method, path) == ("POST", "uploads")
    # Forms are sent with the line ends of the internet (RFC 7578).
    assert body["mapping"] == 'format = "delimited"\r\n'
    assert (body["sha256"], body["name"]) == ("ab" * 32, name)


def test_results_appear_without_reload_when_processing_is_done(
    open_page: Any, server: PageServer
) -> None:
    page = open_page()
    page.evaluate("() => { window.kept = true; job.asfound.state.view.job.name = 'stale'; }")
    server.tasks.append({"id": 1, "state": "running", "step": "Fitting lines", "progress": 0.4})
    expect(page.locator("#processing")).to_contain_text("Fitting lines")
    expect(page.locator("#processing progress")).to_be_visible()
    server.tasks.append({"id": 1, "state": "done", "step": "", "progress": 1.0})
    expect(page.locator("#processing")).to_contain_text("new results")
    assert page.evaluate("() => window.kept === true")
    assert held(page, "return state.view.job.name") != "stale"


def test_a_reader_is_offered_nothing_to_change(open_page: Any, results: Results) -> None:
    page = open_page(query="?role=reader", fragment=f"#shot={results.shot_name(3)}")
    expect(page.locator("#detail-title")).to_be_visible()
    for words in ("Accept …", "Draw a dig", "Box", "Process"):
        expect(page.get_by_role("button", name=words, exact=True)).to_have_count(0)
    page.locator("#tab-work").click()
    assert page.locator("#panel-work > .scroller > details").count() == 2


def test_two_days_are_compared_and_their_shots_can_be_followed(
    open_page: Any, results: Results, server: PageServer
) -> None:
    one, two = (results.shot_name(int(k)) for k in results.lines[0].shots[:2])
    server.answers["compare"] = (
        200,
        {
            "words": ["One spot measured on both: it differs by 0.30 m."],
            "pairs": [
                {"a": one, "b": two, "line": "G1", "across_m": 0.3, "up_m": None, "agrees": False}
            ],
        },
    )
    page = open_page()
    page.locator("#tab-work").click()
    page.locator("#work-compare > summary").click()
    box = page.locator("#work-compare")
    box.get_by_role("button", name="Compare").click()
    expect(box.locator(".comparison")).to_contain_text("it differs by 0.98 ftUS")
    expect(box.locator("td").filter(has_text="differ")).to_be_visible()
    box.get_by_role("button", name=two, exact=True).click()
    expect(page.locator("#detail-title")).to_have_text(f"Shot {two}")


def test_a_printed_sheet_has_a_round_scale_and_the_cautions(
    open_page: Any, results: Results, tmp_path: Path
) -> None:
    import pypdf

    page = open_page()
    path = tmp_path / "sheet.pdf"
    page.pdf(path=path, landscape=True, prefer_css_page_size=True, print_background=True)
    text = " ".join(one.extract_text() for one in pypdf.PdfReader(path).pages)
    flat = " ".join(text.split())
    assert "Scale 1 inch = " in flat
    assert "does not give leave to dig" in flat
    assert "US survey feet" in flat


@pytest.mark.parametrize("size", ["desk", "phone"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_serious_fault(
    open_page: Any, results: Results, shoot: Any, size: str, scheme: str
) -> None:
    """Rules of axe-core 4 (WCAG 2.2 A and AA, and its best practices)."""
    index = int(np.flatnonzero(results.verdict == Verdict.UNFIT)[0])
    page = open_page(size, scheme, fragment=f"#shot={results.shot_name(index)}")
    expect(page.locator("#detail-title")).to_be_visible()
    shoot(page, f"job-{size}-{scheme}")
    page.evaluate(AXE.read_text())
    for tab in ("shots", "lines", "findings", "sweeps", "digs", "work"):
        page.locator(f"#tab-{tab}").click()
        if tab == "work":
            page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        if tab == "findings":
            page.locator(".finding summary").first.click()
        found = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        grave = [
            (one["id"], [node["target"] for node in one["nodes"]][:4])
            for one in found["violations"]
            if one["impact"] in ("serious", "critical")
        ]
        assert grave == [], f"on {tab}: {json.dumps(grave)}"


def test_a_phone_has_no_sideways_scroll(open_page: Any, results: Results) -> None:
    page = open_page("phone", fragment=f"#shot={results.shot_name(3)}")
    expect(page.locator("#detail-title")).to_be_visible()
    wide = page.evaluate("() => [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1]
