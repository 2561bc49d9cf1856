"""The report's pages on planned digs: table, rules, advice, exposures, drawings."""

from __future__ import annotations

import re
from dataclasses import replace
from io import BytesIO
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from asfound.deliver.delivery import prepare
from asfound.deliver.report import report_pdf
from asfound.deliver.report.dig_canvas import LEFT
from asfound.deliver.report.dig_groups import dig_groups
from asfound.deliver.report.dig_plan import draw_plan
from asfound.deliver.report.dig_scene import PlanView, dig_scene, pairs_in_order
from asfound.deliver.report.dig_words import Standing, percent, standing
from asfound.deliver.report.digs import digs_section
from asfound.folder import run_job
from asfound.folder.demonstration import build_demo
from asfound.job.digging import check_plan
from asfound.model import CAUTIONS, Bore, Post, RecordLine, Trench, Utility
from asfound.units import US_SURVEY_FOOT

FOOT = US_SURVEY_FOOT.metres
NAN = float("nan")
WIDTH = 179.9


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    return run_job(build_demo(tmp_path_factory.mktemp("demo") / "street", 7).path)


@pytest.fixture(scope="module")
def section(results):
    return digs_section(prepare(results), WIDTH)


@pytest.fixture(scope="module")
def pages(results):
    return text_of(report_pdf(prepare(results)))


def text_of(pdf: bytes) -> list[str]:
    """Text of the pages on digs, by the document's outline."""
    reader = PdfReader(BytesIO(pdf))
    heads = [entry for entry in reader.outline if not isinstance(entry, list)]
    at = [reader.get_destination_page_number(entry) for entry in heads]
    k = next(k for k, entry in enumerate(heads) if entry.title == "Planned digs")
    found = []
    for page in reader.pages[at[k] : at[k + 1]]:
        words = page.extract_text().replace("\u200b", "").replace("\u2019", "'")
        words = words.replace("ﬁ", "fi").replace("ﬂ", "fl").replace("ﬀ", "ff")
        found.append(re.sub(r"\s+", " ", words))
    return found


def planned(results, *digs, **plan):
    """The demonstration's lines with other digs."""
    there = replace(results, plan=replace(results.plan, digs=digs, **plan), digs=None)
    return replace(there, digs=check_plan(there))


def beside(results, name, station, offset):
    line = next(item for item in results.lines if item.name == name)
    east, north, bearing = (
        np.interp(station, line.axis_station, values)
        for values in (line.easting, line.northing, line.bearing)
    )
    return float(east + offset * np.cos(bearing)), float(north - offset * np.sin(bearing))


@given(st.floats(0.0, 1.0))
def test_no_probability_is_ever_printed_as_nought_or_certain(p):
    words = percent(p)
    number = float(re.sub(r"[<> %]", "", words))
    assert 0.0 < number < 100.0
    if "<" not in words and ">" not in words:
        assert number / 100.0 == pytest.approx(p, abs=6e-3)


def test_the_table_holds_every_pair_with_the_numbers_found(results, section):
    pairs = pairs_in_order(results.digs)
    assert len(section["rows"]) == sum(len(item.approaches) for item in results.digs.digs)
    for row, (place, near) in zip(section["rows"], pairs, strict=True):
        assert row["dig"] == results.digs.digs[place].dig.name
        assert row["line"] == near.line
        assert row["contact"] == percent(near.p_contact)
        assert row["breach"] == percent(near.p_breach)
        assert row["records"] == (near.source == "records")
        if near.clearance <= 0:
            assert row["clearance"] == "touch"
            continue
        assert float(row["clearance"]) == pytest.approx(near.clearance / FOOT, abs=0.0051)
        low, high = (float(part) for part in row["range"].split(" to "))
        assert low == pytest.approx(near.clearance_range[0] / FOOT, abs=0.0051)
        assert high == pytest.approx(near.clearance_range[2] / FOOT, abs=0.0051)
        assert float(row["horizontal"]) == pytest.approx(near.horizontal / FOOT, abs=0.0051)
        assert float(row["vertical"].split(",")[0]) == pytest.approx(
            near.vertical / FOOT, abs=0.0051
        )


def test_the_gravest_comes_first_and_shape_and_word_say_so(section):
    states = [row["state"] for row in section["rows"]]
    assert states == sorted(states, reverse=True)
    assert section["rows"][0]["dig"] == "P3"  # the demonstration's one true conflict
    assert section["rows"][0]["word"] == "they touch"
    assert [item["word"] for item in section["standings"]] == [
        "they touch", "too near", "not sure", "apart as far as known",
    ]  # fmt: skip


def test_every_rule_that_is_named_stands_below_with_its_source(results, section):
    letters = {row[0]: row for row in section["rules"]}
    assert {row["letter"] for row in section["rows"]} - {""} <= set(letters)
    used = {a.rule.id: a.rule for d in results.digs.digs for n in d.approaches for a in n.rules}
    assert len(letters) == len(used)
    for rule in used.values():
        row = next(row for row in letters.values() if row[1] == rule.title)
        assert rule.citation.rstrip(".") in row[3]
        assert ("check it" in row[3]) == rule.from_memory
    # 18 in are 1.49999... US survey feet (1 in = 25.4 mm exactly, 1 ftUS = 1200/3937 m)
    assert next(row for row in letters.values() if "18 inches either" in row[1])[2] == "1.50 ftUS"


def test_pages_hold_table_drawings_and_cautions_and_never_call_a_dig_safe(results, pages):
    whole = " ".join(pages)
    assert re.findall(r"\bsafe\b", whole.lower()) == []
    assert "records only" in whole
    assert "nobody located it" in whole
    assert re.search(r"heights drawn \S+ times larger than lengths", whole)
    for item in results.digs.digs:
        for words in item.words:
            assert words in whole
    for caution in CAUTIONS:
        # once above the table and once with each group of digs
        assert whole.count(caution) == 1 + len(dig_groups(results.digs))
    for probability in re.findall(r"[<>]? ?[\d.]+ %", whole.replace("only 0 % of its", "")):
        assert probability.strip() not in ("0 %", "0.0 %", "100 %", "100.0 %", "0.00 %", "100.00 %")


def test_advice_is_printed_with_place_and_expected_reduction(results, section, pages):
    advice = results.digs.advice
    assert len(section["advice"]["rows"]) == len(advice.chosen) > 0
    for row, hole, taken in zip(
        section["advice"]["rows"], advice.chosen, advice.reduction, strict=True
    ):
        assert row[1] == hole.line
        assert float(row[3]) == pytest.approx(hole.easting / FOOT, abs=0.051)
        assert row[6] == percent(float(taken) / advice.risk_before)
        assert row[3] in " ".join(pages)


def test_exposures_compare_em_with_what_was_measured(results, section):
    (row,), (said,) = section["exposures"], results.exposed.comparisons
    centre = said.exposure.top_depth + said.exposure.outside_diameter / 2
    assert float(row["centre"]) == pytest.approx(centre / FOOT, abs=0.0051)
    assert float(row["em"]) == pytest.approx((centre + said.em_depth_error) / FOOT, abs=0.0051)
    assert float(row["off"]) == pytest.approx(said.em_depth_error / FOOT, abs=0.0051)
    assert row["state"] == "agrees"
    told = next(one for group in section["groups"] for one in group["remarks"] if "S1" in
                one["names"] and "without what was exposed" in one["words"])  # fmt: skip
    assert "B1" in told["names"]


def test_a_contradicted_line_is_flagged_by_word_and_in_the_plan(results):
    (said,) = results.exposed.comparisons
    exposed = replace(results.exposed, comparisons=(replace(said, contradicted=True),))
    delivery = prepare(replace(results, exposed=exposed))
    section = digs_section(delivery, WIDTH)
    assert section["exposures"][0]["state"] == "contradicts"
    plans = [figure["plan"] for group in section["groups"] for figure in group["plans"]]
    assert any("X1 contradicts" in plan for plan in plans)


def test_a_post_is_drawn_where_it_is(results):
    delivery = prepare(results)
    scene = dig_scene(delivery, results.digs, 99)
    place = next(k for k, item in enumerate(results.digs.digs) if item.dig.name == "P5")
    dig = results.digs.digs[place].dig
    svg, sheet = draw_plan(scene, PlanView((place,)), WIDTH)
    filled = [
        item.get("d")
        for item in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}path")
        if item.get("fill") == "#1c1c1c" and item.get("opacity") == "0.14"
    ]
    corners = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", filled[0]), float)
    middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
    paper = sheet.paper(np.array([dig.easting, dig.northing])) + np.array([LEFT, 0.0])
    assert middle == pytest.approx(paper, abs=0.03)
    assert np.ptp(corners, axis=0) == pytest.approx(
        1000 * dig.diameter / sheet.denominator, abs=0.05
    )
    for near in results.digs.digs[place].approaches[:1]:
        assert sheet.holds(near.line_point[:2])


def test_forty_posts_share_plans_and_each_stands_in_one(results):
    posts = [Post(f"F{k}", *beside(results, "C1", 5.0 + 5.5 * k, 0.9), 0.3, 1.0) for k in range(40)]
    crowd = planned(results, *posts)
    groups = dig_groups(crowd.digs)
    drawn = [place for group in groups for place in group.places]
    assert sorted(drawn) == list(range(40))
    assert len(groups) <= 12
    section = digs_section(prepare(crowd), WIDTH)
    names = " ".join(words for group in section["groups"] for words in [group["title"]])
    assert all(re.search(rf"\bF{k}\b", names) for k in range(40))
    # a section through every post that a line is near to
    assert sum(len(group["sections"]) for group in section["groups"]) >= 40


def test_a_dig_without_lines_near_says_what_was_searched_and_is_not_called_apart(results):
    east, north = beside(results, "C1", 100.0, 25.0)
    lonely = planned(results, Post("Q1", east, north, 0.4, 1.2), records=())
    section = digs_section(prepare(lonely), WIDTH)
    assert section["rows"] == []
    assert section["lonely"] == [" ".join(lonely.digs.digs[0].words)]
    (group,) = section["groups"]
    assert group["word"] == "no line known"
    assert group["sections"] == []
    words = " ".join(text_of(report_pdf(prepare(lonely))))
    assert "No line was located near post Q1" in words


def test_a_long_bore_a_strip_and_records_without_depth_are_drawn(results):
    path = np.array([beside(results, "W1", 60.0, -30.0), beside(results, "C1", 150.0, 25.0)])
    strip = np.array([beside(results, "G1", s, 0.5) for s in (150.0, 165.0)])
    old = np.array([beside(results, "G1", s, o) for s, o in ((205.0, -8.0), (235.0, 10.0))])
    odd = planned(
        results,
        Bore("HB", path[:, 0], path[:, 1], np.full(2, NAN), np.full(2, 401.0), 0.1, 0.3),
        Trench("M1", strip[:, 0], strip[:, 1], np.full(2, 3.5), np.full(2, 0.1), np.full(2, NAN),
               milling=True),
        Post("P9", *beside(results, "G1", 220.0, 1.0), 0.3, 1.5),
        records=(RecordLine("#read(\"x\") $1$ *old*", Utility.WATER, old[:, 0], old[:, 1],
                            np.full(2, NAN), 1.5),),
    )  # fmt: skip
    section = digs_section(prepare(odd), WIDTH)
    bore = next(group for group in section["groups"] if group["title"] == "Bore HB")
    assert bore["plans"][0]["title"] == "The whole"
    assert len(bore["plans"]) > 2
    milling = next(group for group in section["groups"] if group["title"].startswith("Milling"))
    assert len(milling["plans"]) == 1
    first = report_pdf(prepare(odd))
    assert (first == report_pdf(prepare(odd))) is True
    whole = " ".join(text_of(first))
    assert '#read("x") $1$ *old*' in whole
    assert "depth assumed" in whole


def test_standings_follow_contact_and_rules(results):
    near = results.digs.digs[0].approaches[-1]
    bare = replace(near, rules=(), p_contact=1e-6, clearance=1.0)
    assert standing(bare) is Standing.APART
    assert standing(replace(bare, p_contact=0.002)) is Standing.UNSURE
    assert standing(replace(bare, p_contact=0.6)) is Standing.MEETS
    assert standing(replace(bare, clearance=-0.1)) is Standing.MEETS
    rule = replace(near.rules[0], p_breach=0.2)
    assert standing(replace(bare, rules=(rule,))) is Standing.UNSURE
    assert standing(replace(bare, rules=(replace(rule, p_breach=0.7),))) is Standing.TOO_NEAR


def test_lengths_follow_the_jobs_unit(results):
    metric = replace(results, settings=replace(results.settings, length_unit="m"))
    section = digs_section(prepare(metric), WIDTH)
    near = pairs_in_order(metric.digs)[1][1]
    assert float(section["rows"][1]["clearance"]) == pytest.approx(near.clearance, abs=0.0051)
    svg = section["groups"][0]["plans"][0]["plan"]
    assert "bar in metres" in svg
    assert "ftUS" not in "".join(group["facts"][0] for group in section["groups"])
