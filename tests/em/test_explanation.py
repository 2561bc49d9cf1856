"""The explanation and the module headers say what the code does."""

import doctest
import importlib
import importlib.util
import pkgutil
from pathlib import Path

import pytest

import asfound.em

ROOT = Path(__file__).parents[2]
EXPLANATION = ROOT / "docs/explanation"
MODULES = [name for _, name, package in pkgutil.iter_modules(asfound.em.__path__) if not package]


@pytest.mark.parametrize("name", MODULES)
def test_examples_at_the_head_of_modules_run(name):
    module = importlib.import_module(f"asfound.em.{name}")
    assert doctest.testmod(module).failed == 0


def test_numbers_in_the_explanation_are_those_of_the_code():
    page = EXPLANATION / "what-the-receiver-hides.md"
    result = doctest.testfile(str(page), module_relative=False)
    assert result.attempted > 5
    assert result.failed == 0


def test_figures_named_in_the_explanation_are_drawn_the_same_each_time(tmp_path):
    path = EXPLANATION / "make_figures.py"
    spec = importlib.util.spec_from_file_location("make_figures", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    first = module.write_figures(tmp_path / "first")
    second = module.write_figures(tmp_path / "second")
    text = (EXPLANATION / "what-the-receiver-hides.md").read_text(encoding="utf-8")
    for one, other in zip(first, second, strict=True):
        assert f"(figures/{one.name})" in text
        assert (EXPLANATION / "figures" / one.name).exists()
        assert one.read_bytes() == other.read_bytes()


def test_every_public_name_is_there_and_described():
    for name in asfound.em.__all__:
        value = getattr(asfound.em, name)
        if callable(value):
            assert value.__doc__, name
