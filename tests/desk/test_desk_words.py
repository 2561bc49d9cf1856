"""Remedies on the desk speak of its pages and fields, not of commands."""

from __future__ import annotations

import json
import re

import pytest

from asfound.budget.rules import registered
from asfound.desk.desk_words import in_desk_words
from asfound.desk.ledger_words import words_of_entry
from asfound.store import Entry

FOREIGN = re.compile(r"--[a-z]|job\.toml|mapping file|\basfound (?:add|decide|undo|process)\b")


@pytest.mark.parametrize("rule", [rule for rule, _ in registered()], ids=lambda rule: rule.id)
def test_no_remedy_of_a_rule_names_a_command(rule):
    assert not FOREIGN.search(in_desk_words(rule.remedy))


@pytest.mark.parametrize(
    "text",
    [
        "Set crs under [frame] in the mapping file, or give --frame.",
        "Set time_zone in the mapping file, or give --zone.",
        "If they are UTC, give --zone UTC (time_zone in the mapping file).",
        "Add the receiver's files: asfound add /srv/job FILE",
        "Correct it, or undo it with: asfound undo",
        "Say why: --why TEXT",
    ],
)
def test_errors_of_the_command_line_are_told_in_words_of_the_desk(text):
    said = in_desk_words(text)
    assert said
    assert not FOREIGN.search(said)
    assert not re.search(r"\[[a-z]+\]|_", said)


def test_words_that_name_no_command_stay():
    text = "Walk the line again; a depth of 1.2 m - 0.3 m is likely."
    assert in_desk_words(text) == text


@pytest.mark.parametrize(
    ("action", "payload", "words"),
    [
        ("stakeout-chosen", {"name": "back", "table": {"day": "x"}}, "Entered stakeout list back."),
        ("stakeout-chosen", {"name": "back", "table": None}, "Took stakeout list back out."),
        ("dig-drawn", {"kind": "searched", "table": {}}, "Entered searched."),
    ],
)
def test_the_ledger_says_which_of_two_things_was_done(action, payload, words):
    entry = Entry("j", 1, "2026-11-25T16:00:00.000000Z", "Ana", action, json.dumps(payload), "", "")
    assert words_of_entry(entry) == words
