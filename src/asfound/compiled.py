"""Loops over arrays, compiled: for work that takes each element by what its neighbours gave.

A kernel is an ordinary Python function over arrays and numbers that Numba compiles to machine
code once, ahead of its first use, and keeps on disk. Kernels live in modules named `*_kernels`
that import nothing of asfound but this module, so that what is kept on disk can't be older than
what it was made from. They take arrays of the kinds below and nothing else, check nothing, and
are called by functions that did.

    python -m asfound.compiled

compiles all of them; after an install that takes a minute or two, later a moment. With
`NUMBA_DISABLE_JIT=1` in the environment all kernels run as plain Python, which is slow and raises
on an index past an array's end.
"""

from __future__ import annotations

import functools
import importlib
import logging
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar, cast

from numba import njit, types

LOG = logging.getLogger(__name__)
SLOW = 0.5
"""Making a kernel ready takes milliseconds from disk and more than this when compiled [s]."""

_Function = TypeVar("_Function", bound=Callable[..., Any])


def _read(kind: Any, axes: int = 1) -> Any:
    return types.Array(kind, axes, "C", readonly=True)


def _written(kind: Any, axes: int = 1) -> Any:
    return types.Array(kind, axes, "C")


FLOAT, INTEGER, FLAG = types.float64, types.int64, types.boolean
FLOATS, FLOATS_OUT = _read(types.float64), _written(types.float64)
GRID, GRID_OUT = _read(types.float64, 2), _written(types.float64, 2)
CUBE, CUBE_OUT = _read(types.float64, 3), _written(types.float64, 3)
INTEGERS, INTEGERS_OUT = _read(types.int64), _written(types.int64)
CODES, CODES_OUT = _read(types.int32), _written(types.int32)
SHORTS, SHORTS_OUT = _read(types.int16), _written(types.int16)
BYTES, BYTES_OUT = _read(types.int8), _written(types.int8)
FLAGS, FLAGS_OUT = _read(types.boolean), _written(types.boolean)
"""Kinds of argument: contiguous arrays that a kernel reads, and such that it writes (`_OUT`)."""


def kernel(*kinds: Any) -> Callable[[_Function], _Function]:
    """Compile a function for arguments of these kinds, in order; other kinds raise TypeError."""

    def compiled(function: _Function) -> _Function:
        started = time.monotonic()
        made = njit(kinds, cache=True, nogil=True, error_model="numpy")(function)
        if time.monotonic() - started > SLOW:
            _say_once()
        return cast(_Function, made)

    return compiled


def part(function: _Function) -> _Function:
    """A function that kernels of its own module call, compiled into them."""
    return cast(_Function, njit(nogil=True, error_model="numpy")(function))


@functools.cache
def _say_once() -> None:
    LOG.warning("Compiling the numerical loops for this machine: once, a minute or two.")


def modules() -> Iterator[str]:
    """Names of all modules of kernels."""
    root = Path(__file__).parent
    for path in sorted(root.rglob("*_kernels.py")):
        yield ".".join(("asfound", *path.relative_to(root).with_suffix("").parts))


if __name__ == "__main__":
    for name in modules():
        importlib.import_module(name)
