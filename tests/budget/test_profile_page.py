"""The profile's page and its comments can't drift from the values."""

import tomllib
from pathlib import Path

from asfound.budget import default_text, profile_reference, registered

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "profile.md"


def test_the_page_is_what_the_program_would_write():
    assert PAGE.read_text("utf-8") == profile_reference()


def test_every_value_says_what_it_is():
    for line in default_text().splitlines():
        if "=" in line and not line.startswith("#"):
            value, _, comment = line.partition("#")
            assert len(comment.strip()) > 5, value


def test_every_table_is_a_rules_or_the_errors():
    rules = {card.id for card, _ in registered()}
    tables = set(tomllib.loads(default_text()))
    assert tables - rules == {"errors"}


def test_every_table_stands_on_the_page_with_its_defaults():
    page = profile_reference()
    for table, values in tomllib.loads(default_text()).items():
        part = page.split(f"## [{table}]\n", 1)[1].split("\n## ", 1)[0]
        rows = [line for line in part.splitlines() if line.startswith("| `")]
        assert len(rows) == len(values)
