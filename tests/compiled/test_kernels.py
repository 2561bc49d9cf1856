"""What holds for every module of compiled loops."""

import ast
from pathlib import Path

import numpy as np
import pytest

import asfound
from asfound.alignment._log_runs_kernels import step_limits
from asfound.compiled import modules

SOURCE = Path(asfound.__file__).parent
KERNELS = sorted(SOURCE.rglob("*_kernels.py"))


def imported(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module


def test_kernels_see_nothing_that_could_change_behind_what_is_kept_on_disk():
    allowed = {"__future__", "math", "typing", "numpy", "numpy.typing", "asfound.compiled", "numba"}
    strangers = {
        (path.name, name) for path in KERNELS for name in imported(path) if name not in allowed
    }
    assert not strangers


def test_loops_are_compiled_only_in_modules_that_set_up_compiles():
    decorators = {"asfound.compiled", "numba"}
    others = {
        path.relative_to(SOURCE).as_posix()
        for path in SOURCE.rglob("*.py")
        if path not in KERNELS and decorators & set(imported(path))
    }
    assert others == {"compiled.py"}
    assert len(list(modules())) == len(KERNELS)


def limits(x, limit):
    y, chain = np.zeros(len(x)), np.zeros(len(x), np.int32)
    step_limits(x, y, chain, np.arange(len(x)), limit)
    return limit


def test_a_view_with_strides_is_read_like_a_copy_of_it():
    table = np.arange(60.0).reshape(20, 3) * 3.0
    assert limits(table[:, 1], np.empty(1)) == limits(table[:, 1].copy(), np.empty(1)) == [27.0]


def test_arrays_of_another_kind_are_refused():
    with pytest.raises(TypeError):
        limits(np.arange(20), np.empty(1))
    with pytest.raises(TypeError):
        limits(np.arange(20.0), np.empty(4)[::2])
