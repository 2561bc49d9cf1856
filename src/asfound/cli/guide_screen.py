"""What `asfound guide` shows: big words, two distance tapes, a plan that rescales, the doubts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from asfound.cli.big_words import big
from asfound.stakeout import Guidance
from asfound.units import LengthUnit, lengths_in

_LADDER = (1.0, 2.0, 5.0)
_TAPE = 25  # marks to either side of a tape's zero
_LEAST_HEIGHT = 5


@dataclass(frozen=True)
class ScreenFacts:
    """What stays the same while guiding.

    Parameters
    ----------
    target, frame : str
        In words.
    unit : LengthUnit
    tolerance : float
        [m].
    depth : float
        Ground to centre at the target [m]; NaN if not known.
    """

    target: str
    frame: str
    unit: LengthUnit
    tolerance: float
    depth: float


def screen_lines(
    guidance: Guidance,
    facts: ScreenFacts,
    news: str = "",
    *,
    width: int = 80,
    height: int = 24,
    unicode: bool = True,
) -> list[str]:
    """The whole screen as lines of plain text.

    Parameters
    ----------
    guidance : Guidance
    facts : ScreenFacts
    news : str
        About the link.
    width, height : int
        Of the terminal.
    unicode : bool
        Whether it can show more than ASCII; else the large words are plain ones.
    """
    lines = [f"To {facts.target}", f"in {facts.frame}"]
    lines += _headline(guidance, facts, big if unicode else _plain)
    below = _doubts(guidance, facts, news)
    if guidance.status == "live":
        ahead, back = ("ahead", "back") if guidance.by == "course" else ("north", "south")
        right, left = ("right", "left") if guidance.by == "course" else ("east", "west")
        unit = facts.unit
        span = _span(max(abs(guidance.ahead), abs(guidance.right)) / unit.metres)
        lines.append(_tape(guidance.ahead / unit.metres, span, back, ahead))
        lines.append(_tape(guidance.right / unit.metres, span, left, right))
        room = height - len(lines) - len(below)
        if room >= _LEAST_HEIGHT:
            lines += _plan(guidance, facts, width, min(room, 17))
    shown = [line[:width] for line in (*lines, *below)]
    return shown if unicode else [line.encode("ascii", "replace").decode() for line in shown]


def _headline(
    guidance: Guidance, facts: ScreenFacts, large: Callable[[str], list[str]]
) -> list[str]:
    unit = facts.unit
    if guidance.status == "no position":
        return large("no position")
    if guidance.status == "stale":
        return large("stale")
    if guidance.here:
        return large("here")
    if guidance.on_spot:
        return [*large("on spot"), "On the spot as recorded; see below how well the line is known."]
    course = guidance.by == "course"
    ahead, right = guidance.ahead / unit.metres, guidance.right / unit.metres
    words = [
        (abs(ahead), _way(ahead, *(("ahead", "back") if course else ("north", "south")))),
        (abs(right), _way(right, *(("right", "left") if course else ("east", "west")))),
    ]
    words.sort(key=lambda item: -item[0])
    first, second = (f"{word} {_short(size)}" for size, word in words)
    bearing = math.degrees(guidance.bearing) % 360.0
    return [
        *large(f"{first} {unit.symbol}"),
        f"and {second} {unit.symbol}; {_short(guidance.distance / unit.metres)} {unit.symbol} in "
        f"all, bearing {bearing:.0f}°",
    ]


def _plain(words: str) -> list[str]:
    return ["", f"  >>> {words.upper()} <<<", ""]


def _way(value: float, plus: str, minus: str) -> str:
    return plus if value >= 0.0 else minus


def _short(size: float) -> str:
    return f"{size:.2f}" if size < 100.0 else f"{size:.0f}"


def _span(size: float) -> float:
    """The next round length: 0.1, 0.2, 0.5, 1, 2, 5 ..."""
    step = 0.1
    while True:
        for factor in _LADDER:
            if size <= 0.9 * step * factor:
                return step * factor
        step *= 10.0


def _tape(value: float, span: float, minus: str, plus: str) -> str:
    """A tape with its zero in the middle; where the target lies a ``V`` stands on it."""
    marks = []
    for k in range(-_TAPE, _TAPE + 1):
        marks.append("0" if k == 0 else "|" if k % 5 == 0 else "'")
    marks[_TAPE + round(max(-1.0, min(1.0, value / span)) * _TAPE)] = "V"
    side = f"{span:g}"
    shown = round(value, 2) + 0.0  # never -0.00
    return f"{minus:>5} {side:>4} {''.join(marks)} {side:<4} {plus:<5} {shown:+.2f}"


def _plan(guidance: Guidance, facts: ScreenFacts, width: int, height: int) -> list[str]:
    """Oneself ``^`` in the middle, the target ``X``, its 95 % circle dotted; to scale."""
    rows = height - 2 - (height + 1) % 2  # an odd number, so that one of them is the middle
    columns = min(width - 24, 4 * rows + 1)
    half_rows, half_columns = rows // 2, columns // 2
    unit = facts.unit.metres
    reach = max(abs(guidance.ahead), abs(guidance.right) * 0.5, facts.tolerance) / unit
    span = _span(reach)
    per_row = span / half_rows
    per_column = per_row / 2.0  # a character is about twice as high as wide
    grid = [[" "] * columns for _ in range(rows)]

    def put(right: float, ahead: float, mark: str) -> None:
        row, column = half_rows - round(ahead / per_row), half_columns + round(right / per_column)
        if 0 <= row < rows and 0 <= column < columns:
            grid[row][column] = mark

    radius = guidance.both_95 / unit
    east, north = guidance.right / unit, guidance.ahead / unit
    if math.isfinite(radius) and radius > per_row:
        for k in range(72):
            angle = math.radians(5.0 * k)
            put(east + radius * math.sin(angle), north + radius * math.cos(angle), ".")
    put(0.0, 0.0, "^")
    put(east, north, "X")
    edge = "+" + "-" * columns + "+"
    plan = ["|" + "".join(row) + "|" for row in grid]
    plan[0] += "  course up" if guidance.by == "course" else "  north up"
    plan[1] += f"  {span:g} {facts.unit.symbol} up to the edge"
    if math.isfinite(radius) and radius > per_row:
        plan[2] += "  dotted: 95 %"
    return [edge, *plan, edge]


def _doubts(guidance: Guidance, facts: ScreenFacts, news: str) -> list[str]:
    unit = facts.unit

    def length(metres: float) -> str:
        return f"{metres / unit.metres:.2f} {unit.symbol}" if math.isfinite(metres) else "not known"

    lines = []
    if guidance.status == "live":
        lines.append(f"Fix {guidance.fix.replace('rtk', 'RTK')}, {guidance.age:.1f} s old.")
        lines.append(
            f"95 %: you {length(guidance.here_95)}, the target {length(guidance.target_95)}, "
            f"both {length(guidance.both_95)}."
        )
        level = []
        if math.isfinite(guidance.up):
            way = "above" if guidance.up >= 0.0 else "below"
            level.append(f"ground there {length(abs(guidance.up))} {way} the tip")
        if math.isfinite(facts.depth):
            level.append(f"recorded depth to centre {length(facts.depth)}")
        if level:
            words = ", ".join(level)
            lines.append(f"{words[0].upper()}{words[1:]}.")
    for words in guidance.refusals:
        lines.append(f'Not "here": {lengths_in(words, unit)}.')
    if guidance.status == "live" and not guidance.refusals:
        lines.append(f"Within {length(facts.tolerance)} with 95 %.")
    if news:
        lines.append(f"Link: {news}.")
    lines.append("An estimate of where a line lay; expose by hand before any machine digs.")
    return lines
