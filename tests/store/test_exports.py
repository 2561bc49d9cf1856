"""Every name that the store offers is there, and costs nothing until it is used."""

import doctest
import subprocess
import sys

import pytest

import asfound.store
from asfound.store import canonical, merkle


@pytest.mark.parametrize("name", asfound.store.__all__)
def test_every_offered_name_is_there(name):
    assert getattr(asfound.store, name) is not None


def test_a_name_that_is_not_offered_is_an_error():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        asfound.store.nonsense  # noqa: B018


@pytest.mark.parametrize("module", [asfound.store, canonical, merkle])
def test_the_examples_hold(module):
    result = doctest.testmod(module)
    assert result.attempted
    assert result.failed == 0


def test_the_package_loads_no_database_library_by_itself():
    code = "import sys, asfound.store; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
