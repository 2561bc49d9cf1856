"""Draw the figures of "What the receiver hides" from the code they explain.

    python docs/explanation/make_figures.py [folder]

Same code, same bytes: nothing random is drawn without a seed, and the files carry no date.
Lines are told apart by dash and weight, not by colour: colour belongs to the utility.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib as mpl

mpl.use("svg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes

from asfound.em import (
    OWN_SIGNAL,
    STEEL,
    BuriedLine,
    CrossSection,
    distortion_maps,
    distortion_sd,
    draw_neighbours,
    floor_current,
    line_constants,
    receiver_display,
    section_field,
    shown_errors,
    signal_reach,
)
from asfound.model import Method

FOLDER = Path(__file__).parent / "figures"
STYLE = {
    "svg.fonttype": "none",
    "svg.hashsalt": "asfound",
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9,
    "axes.titlelocation": "left",
    "lines.color": "black",
    "legend.frameon": False,
}


def two_streets() -> plt.Figure:
    """The worked example: curves above, layout and what is shown of it below."""
    figure, axes = plt.subplots(
        2, 2, figsize=(7.2, 4.6), sharex=True, height_ratios=[3, 2], layout="constrained"
    )
    x = np.linspace(-2.5, 2.5, 401)
    for column, ratio in enumerate((-0.35, 0.35)):
        section = CrossSection(
            np.array([0.0, 0.8]), np.array([1.2, 1.0]), np.array([0.1, 0.1 * ratio])
        )
        shown = receiver_display(section)
        horizontal, vertical = section_field(section, x, 0.05)
        top, low = axes[0, column], axes[1, column]
        top.plot(x, 1e9 * np.abs(horizontal), "k-", lw=1.6, label="horizontal coil (peak)")
        top.plot(x, 1e9 * np.abs(vertical), "k--", lw=1.0, label="vertical coil (null)")
        top.axvline(float(shown.peak), color="0.3", lw=0.7)
        top.axvline(float(shown.null), color="0.3", lw=0.7, ls=(0, (5, 3)))
        top.set_title(f"Neighbour with {1e3 * 0.1 * ratio:+.0f} mA")
        top.set_ylim(0, 24)
        low.axhline(0, color="0.6", lw=0.8)
        low.plot([0], [-1.2], "ko", ms=8)
        low.plot([0.8], [-1.0], "o", color="0.6", ms=5)
        low.plot(float(shown.peak), -float(shown.depth), "x", color="k", ms=9, mew=1.6)
        low.annotate("target", (0, -1.2), (-0.15, -1.28), ha="right", va="top")
        low.annotate("neighbour", (0.8, -1.0), (0.95, -1.06), va="top")
        low.text(
            -2.4,
            -0.35,
            f"shown: {float(shown.peak):+.2f} m, {float(shown.depth):.2f} m deep\n"
            f"peak to null: {1e3 * abs(float(shown.separation)):.0f} mm",
            va="center",
        )
        low.set_ylim(-1.75, 0.1)
        low.set_xlabel("across the line [m]")
    axes[0, 0].set_ylabel("reading [nT]")
    axes[1, 0].set_ylabel("height [m]")
    axes[0, 0].legend(loc="upper right", fontsize=8)
    return figure


def maps() -> plt.Figure:
    """Depth error, and the separation that would warn of it."""
    offset, ratio = np.linspace(0.3, 3.0, 109), np.linspace(-0.6, 0.6, 97)
    field = distortion_maps(1.2, offset, ratio)
    figure, axes = plt.subplots(1, 2, figsize=(7.2, 3.3), sharey=True, layout="constrained")
    for axis, value, levels, title in (
        (axes[0], field.depth_error, [-0.3, -0.2, -0.1, -0.05, 0.05, 0.1, 0.2, 0.3],
         "Depth shown minus true [m]"),
        (axes[1], np.abs(field.separation), [0.02, 0.05, 0.1, 0.2], "Peak to null [m]"),
    ):  # fmt: skip
        drawn = axis.contour(offset, ratio, value, levels, colors="k", linewidths=0.9)
        axis.clabel(drawn, fmt="%g", fontsize=7)
        axis.set_title(title)
        axis.set_xlabel("neighbour's offset [m]")
    unseen = (np.abs(field.separation) < 0.05) & (field.depth_error > 0.1)
    for axis in axes:
        axis.contourf(offset, ratio, unseen, [0.5, 1.5], colors=["0.8"])
    axes[0].set_ylabel("neighbour's current / target's")
    axes[1].text(
        1.05,
        0.48,
        "over 0.1 m too deep,\nunder 0.05 m apart",
        fontsize=8,
        bbox={"fc": "white", "ec": "none", "pad": 1},
    )
    return figure


def allowance() -> plt.Figure:
    """Simulated errors against the separation, and the allowance taken from them."""
    draws = draw_neighbours(OWN_SIGNAL, 60_000, np.random.default_rng(4))
    errors = shown_errors(draws)
    near = (errors.depth > 1.0) & (errors.depth < 1.4) & (draws.ratio != 0.0)
    separation = np.linspace(0, 0.6, 121)
    sd = distortion_sd(separation, 1.2, Method.DIRECT)
    figure, axes = plt.subplots(1, 2, figsize=(7.2, 3.0), layout="constrained")
    for axis, error, band, title in (
        (axes[0], errors.horizontal_error, sd.horizontal, "Sideways error [m]"),
        (axes[1], errors.depth_error, sd.depth, "Depth error [m]"),
    ):
        axis.plot(errors.separation[near][:500], error[near][:500], ".", color="0.6", ms=2)
        for sign in (-1.96, 1.96):
            axis.plot(separation, sign * band, "k-", lw=1.1)
        axis.set_title(title)
        axis.set_xlabel("peak to null [m]")
        axis.set_xlim(0, 0.6)
        axis.set_ylim(-1.0, 1.0)
    return figure


def reach() -> plt.Figure:
    """Reach against frequency on three pipes."""
    frequency = np.geomspace(100.0, 2e5, 120)
    figure, axis = plt.subplots(figsize=(4.8, 3.2), layout="constrained")
    size = {"radius": 0.084, "wall": 0.006, "metal": STEEL}
    pipes = (
        ("well coated", "-", BuriedLine(**size, coating_thickness=0.003, coating_leakage=1e-4)),
        ("worn coating", "--", BuriedLine(**size, coating_thickness=0.003, coating_leakage=3e-3)),
        ("bare", ":", BuriedLine(**size)),
    )
    for name, dash, pipe in pipes:
        far = signal_reach(line_constants(pipe, frequency), 0.1, floor_current(1.2, frequency))
        axis.loglog(frequency, far, f"k{dash}", lw=1.4, label=name)
    axis.set_xlabel("frequency [Hz]")
    axis.set_ylabel("reach of 100 mA at 1.2 m depth [m]")
    axis.legend(fontsize=8)
    axis.set_ylim(50, 20_000)
    _plain(axis)
    return figure


def _plain(axis: Axes) -> None:
    axis.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axis.yaxis.set_major_formatter(lambda value, _: f"{value:g}")


FIGURES = {
    "two-streets.svg": two_streets,
    "neighbour-maps.svg": maps,
    "neighbour-allowance.svg": allowance,
    "signal-reach.svg": reach,
}


def write_figures(folder: Path) -> list[Path]:
    """All figures as SVG files."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    with mpl.rc_context(STYLE):
        for name, draw in FIGURES.items():
            figure = draw()
            figure.savefig(folder / name, metadata={"Date": None, "Creator": None})
            plt.close(figure)
            written.append(folder / name)
    return written


if __name__ == "__main__":
    write_figures(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
