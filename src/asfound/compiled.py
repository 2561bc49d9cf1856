"""Loops over arrays, compiled: for work that takes each element by what its neighbours gave.

A kernel is an ordinary Python function over arrays and numbers that Numba compiles to machine
code once, before its first call, and keeps on disk. Kernels live in modules named `*_kernels`
that import nothing of asfound but this module, so that what is kept on disk can't be older than
what it was made from. They take arrays of the kinds below and nothing else, check nothing, and
are called by functions that did.

    python -m asfound.compiled

compiles all of them; after an install that takes a minute or two, later a moment. A kernel that
is never called costs nothing: Numba itself is loaded with the first call. With
`NUMBA_DISABLE_JIT=1` in the environment all kernels run as plain Python, which is slow and raises
on an index past an array's end.
"""

from __future__ import annotations

import functools
import importlib
import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np

LOG = logging.getLogger(__name__)

_Function = TypeVar("_Function", bound=Callable[..., Any])


@dataclass(frozen=True)
class Kind:
    """A kind of argument: a number (no axes) or a contiguous array, read only or written too."""

    type: str
    axes: int = 0
    written: bool = False


FLOAT, INTEGER, FLAG = Kind("float64"), Kind("int64"), Kind("boolean")
FLOATS, FLOATS_OUT = Kind("float64", 1), Kind("float64", 1, written=True)
GRID, GRID_OUT = Kind("float64", 2), Kind("float64", 2, written=True)
CUBE, CUBE_OUT = Kind("float64", 3), Kind("float64", 3, written=True)
INTEGERS, INTEGERS_OUT = Kind("int64", 1), Kind("int64", 1, written=True)
CODES, CODES_OUT = Kind("int32", 1), Kind("int32", 1, written=True)
SHORTS, SHORTS_OUT = Kind("int16", 1), Kind("int16", 1, written=True)
BYTES, BYTES_OUT = Kind("int8", 1), Kind("int8", 1, written=True)
FLAGS, FLAGS_OUT = Kind("boolean", 1), Kind("boolean", 1, written=True)


def kernel(*kinds: Kind) -> Callable[[_Function], _Function]:
    """Compile a function for arguments of these kinds, in order; other kinds raise TypeError."""

    def waiting(function: _Function) -> _Function:
        return cast(_Function, functools.wraps(function)(_Kernel(function, kinds)))

    return waiting


def part(function: _Function) -> _Function:
    """A function that kernels of its own module call, compiled into them."""
    _PARTS.setdefault(function.__module__, []).append(function)
    return function


_PARTS: dict[str, list[Callable[..., Any]]] = {}
_LOCK = threading.RLock()


class _Kernel:
    """A kernel that is made ready when it is first called."""

    def __init__(self, function: Callable[..., Any], kinds: tuple[Kind, ...]) -> None:
        self._function, self._kinds = function, kinds
        self._made: Callable[..., Any] | None = None

    def __call__(self, *arguments: Any) -> Any:
        made = self._made or self.make()
        try:
            return made(*arguments)
        except TypeError:
            # a view with strides, such as a column of a table, is copied if it is only read
            straight = tuple(map(_straight, arguments, self._kinds))
            if all(one is other for one, other in zip(straight, arguments, strict=True)):
                raise
            return made(*straight)

    def make(self) -> Callable[..., Any]:
        """Compile it, or load what was compiled before."""
        with _LOCK:
            if self._made is None:
                self._made = self._compile()
        return self._made

    def _compile(self) -> Callable[..., Any]:
        from numba import njit

        known = self._function.__globals__
        for function in _PARTS.pop(self._function.__module__, []):
            known[function.__name__] = njit(nogil=True, error_model="numpy")(function)
        for name in self._function.__code__.co_names:
            if isinstance(other := known.get(name), _Kernel):
                known[name] = other.make()
        kinds = tuple(_numba(kind) for kind in self._kinds)
        made = njit(kinds, cache=True, nogil=True, error_model="numpy")(self._function)
        if made is not self._function and made.stats.cache_misses:
            _say_once()
        return cast(Callable[..., Any], made)


def _straight(argument: Any, kind: Kind) -> Any:
    if isinstance(argument, np.ndarray) and not kind.written and not argument.flags.c_contiguous:
        return np.ascontiguousarray(argument)
    return argument


def _numba(kind: Kind) -> Any:
    from numba import types

    number = getattr(types, kind.type)
    return types.Array(number, kind.axes, "C", readonly=not kind.written) if kind.axes else number


@functools.cache
def _say_once() -> None:
    LOG.warning("Compiling the numerical loops for this machine: once, a minute or two.")


def modules() -> Iterator[str]:
    """Names of all modules of kernels."""
    root = Path(__file__).parent
    for path in sorted(root.rglob("*_kernels.py")):
        yield ".".join(("asfound", *path.relative_to(root).with_suffix("").parts))


def make_all() -> int:
    """Make all kernels ready; returns how many there are."""
    found = [
        value
        for name in modules()
        for value in vars(importlib.import_module(name)).values()
        if isinstance(value, _Kernel)
    ]
    for value in found:
        value.make()
    return len(found)


if __name__ == "__main__":
    from asfound.compiled import make_all as of_the_package

    of_the_package()
