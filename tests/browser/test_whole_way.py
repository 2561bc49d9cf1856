"""From an empty desk to a verified release, as people do it: in the browser, file by file.

One desk with its own server, worker, database and security policy; the wide screen does all of
it, the phone what is done in the field. axe-core looks at every page.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from live_desk import (
    LONG,
    drop_file,
    grave_faults,
    held,
    processed,
    running_desk,
    said,
    screen,
    sideways,
    small_targets,
    watched_page,
)
from page_server import DESK
from playwright.sync_api import Browser, Page, expect

from asfound.demo import DemoJob, generate
from asfound.folder import settings_text

pytestmark = pytest.mark.slow

NAME, PASSWORD = "R. Chief", "a kettle of nine herons"
DAY_1 = "osier-lane-day1-EL-0417.csv"
DAY_2 = "osier-lane-day2-EL-0417.tsv"
SWEEPS = "osier-lane-day2-sweeps.csv"
OTHER = "osier-lane-day2-EL-0562-checkout.txt"


@dataclass
class Desk:
    """A running desk with its first administrator, and the troubles its pages told of."""

    address: str
    code: str
    troubles: list[str] = field(default_factory=list)

    def steady(self) -> None:
        """No page told of an error but of what is not there yet."""
        # A job that was never processed has no view: the page asks, and is told so.
        missing = "Failed to load resource: the server responded with a status of 4"
        assert [one for one in self.troubles if not one.startswith(missing)] == []


@pytest.fixture(scope="module")
def demo() -> DemoJob:
    return generate(7)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Desk]:
    if not (DESK / "static" / "bundle" / "job.js").exists():
        pytest.skip("the page was not built; run make frontend")
    with running_desk(tmp_path_factory.mktemp("way")) as (address, code):
        desk = Desk(address, code)
        context = screen(browser, (1440, 900))
        first_run(watched_page(context, desk.troubles), desk)
        context.close()
        yield desk


def sound(page: Page, shoot: Any = None, name: str = "", phone: bool = False) -> None:
    """No serious fault for those who hear or enlarge the page; a picture of it is kept."""
    if shoot:
        shoot(page, name)
    assert grave_faults(page) == []
    assert sideways(page) <= 0, page.url
    if phone:
        assert small_targets(page) == [], page.url


def first_run(page: Page, desk: Desk) -> None:
    page.goto(desk.address)
    expect(page).to_have_url(re.compile("/first-run$"))
    sound(page)
    page.get_by_label("Code from the console").fill("AAAA-BBBB-CCCC-DDDD")
    page.get_by_label("Your name").fill(NAME)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("The password again").fill(PASSWORD)
    page.get_by_role("button", name="Start the desk").click()
    expect(page.locator("#d-code .wrong")).to_be_visible()
    page.get_by_label("Code from the console").fill(desk.code)
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("The password again").fill(PASSWORD)
    page.get_by_role("button", name="Start the desk").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Jobs")


def log_in(page: Page, desk: Desk) -> None:
    page.goto(f"{desk.address}/jobs")
    expect(page).to_have_url(re.compile("/login"))
    page.get_by_label("Name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Jobs")


def start_job(page: Page, name: str) -> str:
    """Start a job in the page; the address of its sheet."""
    page.get_by_role("link", name="Start a job").click()
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("Frame of the results").fill("EPSG:6467")
    page.get_by_label("Epoch of the frame").fill("2010.0")
    page.get_by_label("Unit of lengths for people").select_option("ftUS")
    page.get_by_role("button", name="Start it").click()
    expect(page).to_have_url(re.compile("/jobs/[^/]+/uploads$"))
    return page.url.removesuffix("/uploads")


def add_by_form(page: Page, frame: str, **more: str) -> None:
    """Answer what a file leaves open on its page, and add it."""
    page.get_by_label("Frame of the coordinates").fill(frame)
    for label, value in more.items():
        page.locator(f"[name={label}]").fill(value)
    page.get_by_role("button", name="Add it to the job").click()


def decide(page: Page, kind: str, why: str, value: str = "") -> None:
    """Enter a decision on the chosen shots."""
    form = page.locator("#work-decide form").filter(has=page.locator("[name=value]")).first
    form.locator("[name=kind]").select_option(kind)
    form.locator("[name=value]").fill(value)
    form.locator("[name=why]").fill(why)
    form.get_by_role("button", name="Enter in the ledger").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")


def change_line(
    page: Page, kind: str, why: str, first: str, second: str = "", new: str = ""
) -> None:
    """Rename, split or join."""
    form = page.locator("#work-lines form")
    form.locator("[name=kind]").select_option(kind)
    for name, value in (("first", first), ("second", second), ("value", new), ("why", why)):
        form.locator(f"[name={name}]").fill(value)
    form.get_by_role("button", name="Enter in the ledger").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")


def open_work(page: Page, part: str) -> Any:
    """A part of the table of work, opened."""
    page.locator("#tab-work").click()
    box = page.locator(f"#work-{part}")
    if box.get_attribute("open") is None:
        box.locator("summary").first.click()
    return box


def shots_of(page: Page, line: str) -> list[str]:
    """Names of a line's shots, along it."""
    return list(
        held(
            page,
            f"""const at = state.view.lines.findIndex(one => one.name === {line!r});
            return [...state.members[at]].map(index => state.nameOf({{kind: 'shot', index}}));""",
        )
    )


def line_names(page: Page) -> list[str]:
    return list(held(page, "return state.view.lines.map(one => one.name);"))


def choose_shot(page: Page, name: str) -> Any:
    """Find a shot by its name in the table, with keys alone."""
    page.keyboard.press("Escape")
    page.keyboard.press("/")
    page.keyboard.type(name)
    page.keyboard.press("Enter")
    expect(page.locator("#detail-title")).to_have_text(f"Shot {name}")
    return page.locator("#detail")


def test_a_job_goes_from_raw_files_to_a_release_that_anyone_can_check(
    browser: Browser, desk: Desk, demo: DemoJob, shoot: Any, tmp_path: Path
) -> None:
    context = screen(browser, (1440, 900), accept_downloads=True)
    page = watched_page(context, desk.troubles)
    raw = {name: tmp_path / name for name in demo.files}
    for name, path in raw.items():
        path.write_bytes(demo.files[name])

    page.goto(f"{desk.address}/login")
    sound(page, shoot, "way-login")
    log_in(page, desk)
    sheet = start_job(page, "Osier Lane (invented)")

    # A file is dropped; nothing of it is added before its frame is known.
    sound(page, shoot, "way-files-empty")
    drop_file(page, "[data-drop]", DAY_1, demo.files[DAY_1].decode())
    said(page, f"How {DAY_1} is understood")
    page.get_by_role("button", name="Add it to the job").click()
    said(page, "The reference frame of the coordinates is not declared anywhere.")
    sound(page, shoot, "way-confirm")
    add_by_form(page, "NAD83(2011)")
    said(page, "Added as upload A.")

    # Two files at once, one after the other.
    page.locator("#f-file").set_input_files([raw[DAY_2], raw[SWEEPS]])
    page.get_by_role("button", name="Look at them").click()
    said(page, "One more file follows.")
    add_by_form(page, "EPSG:6467")
    said(page, f"How {SWEEPS} is understood")
    add_by_form(page, "NAD83(2011)")
    said(page, "Added as upload C.")
    page.get_by_role("link", name=DAY_1).click()
    sound(page, shoot, "way-file")

    # The control points stand in the job's settings.
    page.get_by_role("link", name="Settings").click()
    settings = page.get_by_label("The job's declarations")
    begun = settings.input_value()
    settings.fill(begun + "\n[[control]]\nname =\n")
    page.get_by_role("button", name="Keep these").click()
    expect(page.locator("#d-settings .wrong")).to_be_visible()
    settings.fill(settings_text(demo.settings).replace(demo.settings.name, "Osier Lane (invented)"))
    page.get_by_role("button", name="Keep these").click()
    said(page, "Kept.")
    sound(page, shoot, "way-settings")

    # The first processing shows how far it is, and the sheet appears by itself.
    page.get_by_role("link", name="Sheet").click()
    page.wait_for_selector("#job[data-ready=true]", timeout=LONG)
    processed(page)
    shots = held(page, "return state.shots.count;")
    assert shots > 200
    page.evaluate("() => { window.kept = true; }")

    # One more file, on the sheet itself, and its processing.
    drop_file(page, "", OTHER, demo.files[OTHER].decode())
    upload = page.locator(".upload")
    expect(upload).to_contain_text("Answer these first")
    upload.get_by_label("Frame of the positions").fill("NAD83(2011)")
    upload.get_by_role("button", name="Read it again").first.click()
    expect(upload).not_to_contain_text("Answer these first")
    upload.get_by_role("button", name="Add it so").click()
    expect(upload).to_contain_text("was added")
    expect(page.locator("#processing progress")).to_be_visible(timeout=LONG)
    shoot(page, "way-processing")
    processed(page)
    assert held(page, "return state.shots.count;") > shots

    # A shot in full: why it is doubted, what makes it uncertain, the row as it came.
    name = held(
        page,
        """const index = [...state.shots.verdict].indexOf(1);
        return state.nameOf({kind: 'shot', index});""",
    )
    detail = choose_shot(page, name)
    expect(detail).to_contain_text("What to do:")
    expect(detail.get_by_role("heading", name="What makes it uncertain")).to_be_visible()
    expect(detail.locator(".budget li").first).to_be_visible()
    detail.locator(".raw summary").click()
    expect(detail.locator(".raw")).to_contain_text("Depth (m)")
    detail.evaluate("one => { one.scrollTop = 0; }")
    sound(page, shoot, "way-shot")

    # Rejected with a reason, then that is taken back with another.
    page.get_by_role("button", name="Reject …").click()
    decide(page, "reject", "the pole leaned <b>on a fence</b>")
    processed(page)
    expect(detail.locator(".lead")).to_contain_text("unfit")
    expect(detail.locator(".decided")).to_contain_text("the pole leaned <b>on a fence</b>")
    shoot(page, "way-rejected")
    detail.get_by_role("button", name="Take it back …").click()
    taken = page.get_by_role("dialog")
    taken.get_by_role("button", name="Take it back").click()
    expect(taken.locator(".wrong").first).to_have_text("Fill in: why.")
    taken.get_by_label("Why").fill("it was the shot before")
    sound(page, shoot, "way-take-back")
    taken.get_by_role("button", name="Take it back").click()
    expect(taken).to_be_hidden()
    processed(page)
    expect(detail.locator(".lead")).to_contain_text("doubtful")

    # A range gets a utility; a line gets a name; another is split.
    lines = line_names(page)
    along = shots_of(page, lines[0])
    box = open_work(page, "decide")
    box.get_by_text("From one shot to another").click()
    box.locator("[name=from]").fill(along[1])
    box.locator("[name=to]").fill(along[3])
    box.get_by_role("button", name="Choose this range").click()
    expect(box).to_contain_text("3 shots chosen.")
    utility = held(page, "return state.view.utilities[state.view.lines[0].utility].word;")
    decide(page, "set-utility", "the valve cover says so", utility)
    box.get_by_text("Split, join or rename a line").click()
    change_line(page, "rename", "as the owner calls it", along[0], new="Main 1")
    other = shots_of(page, lines[1])
    middle = len(other) // 2
    cut = other[middle], other[middle + 1]
    change_line(page, "split", "a dead end was dug up here", *cut)
    processed(page)
    assert "Main 1" in line_names(page)
    assert len(line_names(page)) == len(lines) + 1
    change_line(page, "join", "it was another cable's end", *cut)
    processed(page)
    assert len(line_names(page)) == len(lines)

    # A dig drawn on the sheet, an exposure typed beside it.
    place = held(
        page,
        """const p = sheet.plan.lines[0].axis.places; const k = Math.floor(p.length / 4) * 2;
        sheet.goto(p[k] + state.view.origin[0], p[k + 1] + state.view.origin[1], 0.03);
        return [p[k] + state.view.origin[0], p[k + 1] + state.view.origin[1]];""",
    )
    open_work(page, "digs")
    page.locator("#work-trench > summary").click()
    form = page.locator("#work-trench form")
    form.locator("[name=name]").fill("T1")
    form.locator("[name=width]").fill("2")
    form.locator("[name=depth]").fill("4")
    form.get_by_role("button", name="Draw the trench on the sheet").click()
    plan = page.locator("#sheet").bounding_box()
    assert plan
    x, y = plan["x"] + plan["width"] / 2, plan["y"] + plan["height"] / 2
    page.mouse.click(x - 90, y - 60)
    page.mouse.click(x + 90, y + 60)
    page.keyboard.press("Enter")
    shoot(page, "way-trench")
    form.get_by_role("button", name="Enter this trench").click()
    expect(form.locator(".form-said")).to_contain_text("Entered.")
    seen = open_work(page, "exposure")
    foot = 1200 / 3937  # NIST SP 811, appendix B
    for key, value in (
        ("name", "X1"),
        ("line", "Main 1"),
        ("place", f"{place[0] / foot:.3f}, {place[1] / foot:.3f}"),
        ("top_depth", "2.9"),
        ("method", "vacuum"),
    ):
        seen.locator(f"[name={key}]").fill(value)
    seen.get_by_role("button", name="Enter this exposure").click()
    expect(seen.locator(".form-said")).to_contain_text("Entered.")
    open_work(page, "decide")

    # Points to come back to: all crossings and a line.
    list_of = open_work(page, "stakeout")
    list_of.locator("[name=name]").fill("return visit")
    list_of.locator("[name=what]").select_option("digs")
    list_of.locator("[name=service]").fill("NAD83(2011)")
    list_of.locator("[name=day]").fill("2026-12-01")
    list_of.get_by_role("button", name="Keep this list").click()
    expect(list_of.locator(".form-said")).to_contain_text("Kept")
    processed(page)

    page.locator("#tab-digs").click()
    page.get_by_role("button", name="trench T1").click()
    expect(detail).to_contain_text("Chance of contact")
    expect(detail).to_contain_text("does not give leave to dig")
    sound(page, shoot, "way-dig")
    page.get_by_role("button", name="X1", exact=True).click()
    expect(detail).to_contain_text("Main 1")

    # A check on a control point, and a sweep with its fit.
    check = held(
        page,
        """const index = [...state.shots.control].findIndex(one => one >= 0);
        return state.nameOf({kind: 'shot', index});""",
    )
    expect(choose_shot(page, check)).to_contain_text("Measured less known on CP")
    page.locator("#tab-sweeps").click()
    page.locator("#panel-sweeps").get_by_role("button", name="S1", exact=True).click()
    expect(detail.locator("svg").first).to_be_visible()
    sound(page, shoot, "way-sweep")

    days = open_work(page, "compare")
    days.get_by_role("button", name="Compare", exact=True).click()
    expect(days.locator(".comparison p").first).to_be_visible()
    # All that was done since the sheet appeared happened on one page.
    assert page.evaluate("() => window.kept === true")

    # The pages around the sheet.
    page.locator(".job-nav").get_by_role("link", name="Entered").click()
    said(page, "taken back by R. Chief: it was the shot before")
    sound(page, shoot, "way-entered")
    page.get_by_role("link", name="Compare").click()
    page.get_by_label("Before").fill("2026-11-17")
    page.get_by_label("After").fill("2026-11-18")
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_role("heading", level=2)).to_be_visible()
    sound(page, shoot, "way-compare")
    page.get_by_role("link", name="Ledger").click()
    page.get_by_role("link", name="Check it now").click()
    said(page, "entries follow from one another, and the root is theirs")
    sound(page, shoot, "way-ledger")

    # Frozen and signed; checked by someone without an account; checked without the desk.
    page.get_by_role("link", name="Releases").click()
    page.get_by_label("Name of the release").fill("for design")
    page.get_by_role("button", name="Freeze and sign it").click()
    said(page, "Released.")
    expect(page.get_by_role("link", name=re.compile("stakeout.*return")).first).to_be_visible()
    sound(page, shoot, "way-releases")
    with page.expect_download() as fetched:
        page.get_by_role("link", name="Fetch the zip").click()
    package = tmp_path / "release.zip"
    fetched.value.save_as(package)
    public = page.locator("a[href^='/check/']").get_attribute("href")
    stranger = screen(browser, (1440, 900))
    outside = watched_page(stranger, desk.troubles)
    outside.goto(f"{desk.address}{public}")
    said(outside, "Nothing was changed since it was signed.")
    sound(outside, shoot, "way-check")
    outside.goto(sheet)
    expect(outside).to_have_url(re.compile("/login"))
    stranger.close()
    checked = subprocess.run(
        [sys.executable, "-m", "asfound.cli", "check-release", str(package)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stdout + checked.stderr

    for address in ("/jobs", "/receivers", "/account", "/admin/users", "/admin/tokens"):
        page.goto(f"{desk.address}{address}")
        sound(page, shoot, f"way{address.replace('/', '-')}")
        page.emulate_media(color_scheme="dark")
        sound(page, shoot, f"dark{address.replace('/', '-')}")
        page.emulate_media(color_scheme="light")
    context.close()
    desk.steady()


def test_the_field_part_is_done_on_a_phone(
    browser: Browser, desk: Desk, demo: DemoJob, shoot: Any, tmp_path: Path
) -> None:
    context = screen(browser, (390, 844), has_touch=True, is_mobile=True)
    page = watched_page(context, desk.troubles)
    raw = tmp_path / DAY_1
    raw.write_bytes(demo.files[DAY_1])
    page.goto(f"{desk.address}/login")
    sound(page, shoot, "phone-login", phone=True)
    log_in(page, desk)
    sound(page, shoot, "phone-jobs", phone=True)
    sheet = start_job(page, "Osier Lane by phone (invented)")
    page.locator("#f-file").set_input_files(raw)
    sound(page, shoot, "phone-files", phone=True)
    page.get_by_role("button", name="Look at them").click()
    said(page, "The reference frame of the coordinates is not declared anywhere.")
    sound(page, shoot, "phone-confirm", phone=True)
    add_by_form(page, "NAD83(2011)")
    said(page, "Added as upload A.")

    page.goto(sheet)
    page.wait_for_selector("#job[data-ready=true]", timeout=LONG)
    sound(page, shoot, "phone-sheet", phone=True)
    top = page.locator("#sheet").bounding_box()
    assert top
    # Head, pages and tools leave the phone to the sheet.
    assert top["y"] < 844 / 4
    page.locator("#tab-shots").tap()
    page.locator(".room .row").nth(2).tap()
    expect(page.locator("#detail-title")).to_be_visible()
    # What was tapped comes into sight, under the register of tables.
    expect(page.locator("#detail .lead")).to_be_in_viewport()
    sound(page, shoot, "phone-shot", phone=True)
    page.get_by_role("button", name="Reject …").tap()
    decide(page, "reject", "a lorry stood over the line")
    processed(page)
    expect(page.locator("#detail .lead")).to_contain_text("unfit")
    page.get_by_role("button", name="Show", exact=True).tap()
    expect(page.locator("#sheet")).to_be_in_viewport(ratio=0.9)
    shoot(page, "phone-rejected")
    page.evaluate(
        "document.querySelectorAll('#panel-work details').forEach(one => one.open = true)"
    )
    sound(page, shoot, "phone-work", phone=True)
    for name in ("uploads", "entered", "settings", "compare", "ledger", "releases"):
        page.goto(f"{sheet}/{name}")
        sound(page, shoot, f"phone-{name}", phone=True)
    for address in ("/jobs/new", "/receivers", "/account", "/admin/users", "/admin/tokens"):
        page.goto(f"{desk.address}{address}")
        sound(page, shoot, f"phone{address.replace('/', '-')}", phone=True)
    context.close()
    desk.steady()
