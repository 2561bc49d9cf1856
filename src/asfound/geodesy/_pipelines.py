"""PROJ pipelines as text: joined, shortened, searched for what depends on time."""

from __future__ import annotations

import re

# A Helmert step with one of these different from zero moves points as years go by.
_RATES = ("dx", "dy", "dz", "drx", "dry", "drz", "ds")
_TIME_DEPENDENT_METHODS = ("deformation", "defmodel")


def steps_of(definition: str) -> list[str]:
    """Steps of a pipeline without leading '+' signs; a lone operation is one step."""
    text = re.sub(r"(^|\s)\+", r"\1", definition).strip()
    if not text.startswith("proj=pipeline"):
        return [text] if text not in ("proj=noop", "") else []
    steps = [step.strip() for step in re.split(r"(?:^|\s)step(?=\s)", text)[1:]]
    return [step for step in steps if step != "proj=noop"]


def join(definitions: list[str]) -> str:
    """One pipeline that runs several one after the other, neighbours that cancel left out."""
    steps: list[str] = []
    for definition in definitions:
        for step in steps_of(definition):
            if steps and _undo_each_other(steps[-1], step):
                steps.pop()
            else:
                steps.append(step)
    if not steps:
        return "+proj=noop"
    return "+proj=pipeline " + " ".join(f"+step {_with_signs(step)}" for step in steps)


def needs_time(definition: str) -> bool:
    """Whether the result depends on the epoch of the coordinates."""
    for step in steps_of(definition):
        values = dict(re.findall(r"(?:^|\s)(\w+)=(\S+)", step))
        if values.get("proj") in _TIME_DEPENDENT_METHODS:
            return True
        if values.get("proj") == "helmert" and any(float(values.get(r, 0.0)) for r in _RATES):
            return True
    return False


def with_grid_paths(definition: str, paths: dict[str, str]) -> str:
    """The definition with grid file names replaced by full paths."""

    def replace(match: re.Match[str]) -> str:
        return f'{match[1]}"{paths[match[2]]}"' if match[2] in paths else match[0]

    return re.sub(r"((?:grids|model|file|xy_grids|z_grids)=)(\S+)", replace, definition)


def _with_signs(step: str) -> str:
    parts = re.findall(r'[^\s"]*"[^"]*"|\S+', step)
    return " ".join(f"+{part}" for part in parts)


def _undo_each_other(first: str, second: str) -> bool:
    a, b = first.split(), second.split()
    if ("inv" in a) != ("inv" in b) and [p for p in a if p != "inv"] == [
        p for p in b if p != "inv"
    ]:
        return "proj=cart" in a or "proj=axisswap" in a
    if first == second == "proj=axisswap order=2,1":
        return True
    if a[0] == b[0] == "proj=unitconvert":
        one, other = _conversions(a[1:]), _conversions(b[1:])
        return one == {axes: (end, start) for axes, (start, end) in other.items()}
    return False


def _conversions(parts: list[str]) -> dict[str, tuple[str, str]]:
    """Units in and out by axes (``'xy'``, ``'z'``), without those that stay the same."""
    values = dict(part.split("=", 1) for part in parts)
    pairs = {
        axes: (values.get(f"{axes}_in", ""), values.get(f"{axes}_out", ""))
        for axes in ("xy", "z", "t")
    }
    return {axes: units for axes, units in pairs.items() if units[0] != units[1]}


def height_unit(metres: float) -> list[str]:
    """A step that takes heights in a unit of so many metres to metres; none for metres."""
    return [] if metres == 1.0 else [f"+proj=affine +s33={metres!r}"]
