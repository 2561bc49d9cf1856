"""What holds for every module of compiled loops."""

import ast
from pathlib import Path

import asfound
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
