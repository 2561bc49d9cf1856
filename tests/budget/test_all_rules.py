"""What holds for every rule: it is tested both ways, says who it is, and never stumbles."""

import ast
from pathlib import Path

import numpy as np
import pytest

from asfound.budget import load_profile, registered, rules_reference
from asfound.model import SUBJECTS, Severity

HERE = Path(__file__).parent
NUMBERS = (
    *("depth", "current", "frequency", "signal", "peak_null_separation", "east_sd", "north_sd"),
    *("up_sd", "pdop", "hdop", "correction_age", "base_distance", "antenna_height", "tilt"),
    *("tilt_bearing", "speed"),
)


def rules_checked_by(check):
    """Rule ids that tests of this folder hand to a check (`speaks` or `silent`)."""
    found = set()
    for file in HERE.glob("test_*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == check:
                found |= {
                    argument.value
                    for argument in node.args[1:2]
                    if isinstance(argument, ast.Constant)
                }
    return found


def test_every_rule_has_a_test_for_and_a_test_against():
    ids = {card.id for card, _ in registered()}
    assert rules_checked_by("speaks") == ids
    assert rules_checked_by("silent") == ids


def test_every_rule_has_its_own_id_and_a_whole_card():
    cards = [card for card, _ in registered()]
    assert len({card.id for card in cards}) == len(cards)
    for card in cards:
        assert card.subject in SUBJECTS
        for words in (card.title, card.checks, card.threshold, card.basis, card.remedy):
            assert words, card.id
        assert card.id == card.id.lower().replace("_", "-").replace(" ", "-")


def test_every_rule_stands_in_the_reference():
    page = rules_reference()
    for card, _ in registered():
        assert f"## {card.id}\n" in page
        assert card.remedy in page


def test_every_profile_table_but_the_errors_belongs_to_a_rule():
    ids = {card.id for card, _ in registered()}
    assert set(load_profile().tables) - {"errors"} <= ids


@pytest.fixture
def good(survey, straight, curved):
    return survey(
        straight(),
        straight((0, 4), utility=4, depth=1.5, hookup="H2", source=1),
        curved((0, 12), utility=1, depth=0.8, hookup="H3", source=1),
    )


def test_a_good_survey_has_nothing_graver_than_notes_about_its_shots(good):
    findings = good.findings()
    assert findings.worst("shot", len(good.shots)).max() <= Severity.NOTE


def test_the_same_survey_gives_the_same_findings(good):
    spoilt = good.having([5], depth=12.0).having([30], fix=5).moved([45], north=3.0)
    one, two = spoilt.findings(), spoilt.findings()
    assert list(map(str, one)) == list(map(str, two))
    assert len(one) > 2


def test_rows_in_any_order_give_the_same_findings_about_shots(good):
    spoilt = good.having([5], depth=12.0).having([30], fix=5).moved([45], north=3.0)
    order = np.random.default_rng(3).permutation(len(spoilt.shots))
    back = np.argsort(order)
    mixed = spoilt.reordered(order)

    def about_shots(scene, place):
        return {
            (f.rule.id, int(place[f.index]))
            for f in scene.findings()
            if f.rule.subject == "shot" and f.severity > Severity.NOTE
        }

    plain = np.arange(len(order))
    assert about_shots(mixed, order) == about_shots(spoilt, plain)
    assert back[order].tolist() == plain.tolist()


def whole(scene):
    """Run all rules; warnings are errors in this suite, so nothing may complain."""
    findings = scene.findings()
    count = len(scene.shots)
    for item in findings.outcomes:
        assert len(item.index) == len(item.severity) == len(item.value) == len(item.limit)
        assert len(item.detail) in (0, len(item.index))
        assert np.isin(item.severity, [int(s) for s in Severity]).all()
        size = {"shot": count, "source": len(scene.sources), "line": len(scene.assembly.names)}
        assert (item.index >= 0).all()
        assert (item.index < size.get(item.rule.subject, 1)).all()
        assert len(np.unique(item.index)) == len(item.index) or item.rule.subject != "shot"
    names = [item.rule.id for item in findings.outcomes] + [c.id for c, _ in findings.not_run]
    assert sorted(names) == sorted(card.id for card, _ in registered())
    assert all(reason for _, reason in findings.not_run)
    return findings


def test_no_shots_at_all(survey):
    whole(survey())
    whole(survey().assembled())


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_a_handful_of_shots(survey, straight, count):
    scene = survey(straight(count=count))
    whole(scene)
    whole(scene.assembled())


@pytest.mark.parametrize("column", NUMBERS)
def test_a_column_that_was_never_recorded(good, column):
    whole(good.having(**{column: np.nan}))


def test_no_numbers_at_all(good):
    empty = good.having(
        **dict.fromkeys(NUMBERS, np.nan), fix=-1, satellites=-1, hookup="", receiver=""
    )
    whole(empty)
    whole(empty.having(time=np.datetime64("NaT")))


@pytest.mark.parametrize("column", NUMBERS)
def test_numbers_that_come_and_go(good, column):
    rng = np.random.default_rng(5)
    rows = rng.random(len(good.shots)) < 0.5
    whole(good.having(rows, **{column: np.nan}))


@pytest.mark.parametrize("value", [0.0, -1.0, 1e9])
@pytest.mark.parametrize("column", NUMBERS)
def test_numbers_that_make_no_sense(good, column, value):
    whole(good.having([4, 5, 30], **{column: value}))
    whole(good.having(**{column: value}))


def test_no_times(good):
    scene = good.having(time=np.datetime64("NaT"))
    whole(scene)
    whole(scene.assembled())
    whole(good.having(slice(0, None, 2), time=np.datetime64("NaT")))


def test_no_lines(good):
    alone = good.reordered(np.arange(len(good.shots)))
    alone.assembly.line[:] = -1
    alone.assembly.rank[:] = -1
    alone.assembly.station[:] = np.nan
    alone.assembly.bearing[:] = np.nan
    whole(alone)


def test_no_positions(good):
    scene = good.moved(slice(None), east=np.nan, north=np.nan, up=np.nan)
    scene.ground.longitude[:] = np.nan
    scene.ground.latitude[:] = np.nan
    whole(scene.assembled())


def test_no_bearings(good):
    good.assembly.bearing[:] = np.nan
    whole(good)


def test_all_shots_in_one_place(good):
    good.ground.easting[:] = 5.0
    good.ground.northing[:] = 5.0
    good.assembly.station[:] = 0.0
    whole(good)


def test_all_rows_are_control_checks(good):
    whole(good.having(control="CP1"))
