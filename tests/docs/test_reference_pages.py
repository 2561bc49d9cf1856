"""Generated pages say what the program says, and nothing is left out of the reference."""

import importlib.util
import tomllib
from pathlib import Path

import pytest

from asfound.budget import default_text, registered

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def pages():
    found = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module.pages()


def test_generated_pages_are_what_the_program_would_write(pages):
    for name, text in pages.items():
        written = (DOCS / "reference" / name).read_text("utf-8")
        assert written == text, f"docs/reference/{name} is out of date: run make docs"


def test_every_rule_stands_in_the_reference_with_its_remedy():
    page = (DOCS / "reference" / "rules.md").read_text("utf-8")
    for card, _ in registered():
        assert f"## {card.id}\n" in page
        assert card.remedy in page
        assert card.threshold in page


def test_every_value_of_the_profile_stands_in_the_reference():
    page = (DOCS / "reference" / "profile.md").read_text("utf-8")
    for table, values in tomllib.loads(default_text()).items():
        part = page.split(f"[{table}]", 1)
        assert len(part) == 2, f"no table [{table}]"
        for key in values:
            assert f"`{key}`" in part[1].split("## ", 1)[0], f"[{table}] {key} is missing"
