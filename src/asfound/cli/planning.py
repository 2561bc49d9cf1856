"""Commands for planning a locate: what a receiver will show, and how far a signal will carry."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from asfound.cli import show
from asfound.cli.options import JsonOption
from asfound.errors import InputError

if TYPE_CHECKING:
    from asfound.em import CrossSection, Display


class MetalName(StrEnum):
    """Metals that pipes and cables are made of."""

    STEEL = "steel"
    DUCTILE_IRON = "ductile-iron"
    COPPER = "copper"
    ALUMINIUM = "aluminium"
    LEAD = "lead"


def preview(
    line: Annotated[
        str, typer.Option(help="The line as OFFSET,DEPTH,CURRENT in m, m, mA: 0,1.2,100.")
    ],
    neighbour: Annotated[
        list[str] | None,
        typer.Option(
            help="Another conductor the same way, a return current negative; repeat for more.",
            show_default=False,
        ),
    ] = None,
    maps: Annotated[
        bool,
        typer.Option(help="Print the depth error against a neighbour's offset and current too."),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Show what a receiver with one-conductor logic will read over an assumed layout."""
    import numpy as np

    from asfound.em import CrossSection, predict_readings

    conductors = np.array([_conductor(text) for text in [line, *(neighbour or [])]])
    section = CrossSection(conductors[:, 0], conductors[:, 1], conductors[:, 2] / 1000.0)
    place = conductors[0, 0] + np.linspace(-2.0, 2.0, 17)
    readings = predict_readings(section, place)
    display = readings.display
    depth_map = _depth_map(float(conductors[0, 1])) if maps else None
    if json:
        show.print_json(
            {
                "peak_m": float(display.peak),
                "null_m": float(display.null),
                "depth_m": float(display.depth),
                "current_a": float(display.current),
                "true_offset_m": float(conductors[0, 0]),
                "true_depth_m": float(conductors[0, 1]),
                "position_m": place.tolist(),
                "coil_height_m": readings.coil_height.tolist(),
                "horizontal_t": np.abs(readings.horizontal).tolist(),
                "vertical_t": np.abs(readings.vertical).tolist(),
                "depth_error_map": depth_map,
            }
        )
        return
    _print_preview(section, display, place, np.abs(readings.horizontal), np.abs(readings.vertical))
    if depth_map:
        _print_map(depth_map)


def _conductor(text: str) -> tuple[float, float, float]:
    try:
        offset, depth, current = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f"'{text}' is not a conductor.",
            where="--line, --neighbour",
            remedy="Write OFFSET,DEPTH,CURRENT in metres, metres, milliamperes: 0.8,1.0,-35.",
        ) from None
    return offset, depth, current


def _depth_map(depth: float) -> dict[str, Any]:
    import numpy as np

    from asfound.em import distortion_maps

    offset = np.array([0.3, 0.5, 0.8, 1.2, 1.6, 2.0, 3.0])
    ratio = np.array([0.8, 0.5, 0.35, 0.2, 0.1, -0.1, -0.2, -0.35, -0.5, -0.8])
    found = distortion_maps(depth, offset, ratio)
    return {
        "offset_m": offset.tolist(),
        "current_ratio": ratio.tolist(),
        "depth_error_m": found.depth_error.tolist(),
        "peak_shift_m": found.peak_shift.tolist(),
        "wrong_line": found.wrong_line.tolist(),
    }


def _print_preview(
    section: CrossSection, display: Display, place: Any, horizontal: Any, vertical: Any
) -> None:
    console = show.console_for()
    true_place, true_depth = float(section.position[0]), float(section.depth[0])
    shift = float(display.peak) - true_place
    error = float(display.depth) - true_depth
    console.print(
        f"Peak {display.peak:.3f} m, null {display.null:.3f} m, depth {display.depth:.3f} m, "
        f"current {1000 * float(display.current):.1f} mA."
    )
    console.print(
        f"The line lies at {true_place:.3f} m, {true_depth:.3f} m deep: the peak is "
        f"{abs(shift):.3f} m off, the depth reads {abs(error):.3f} m too "
        f"{'deep' if error > 0 else 'shallow'}.",
        soft_wrap=True,
    )
    table = show.table_of(">place m", ">peak coil nT", ">null coil nT", ">peak coil raised nT")
    for k in range(len(place)):
        table.add_row(
            f"{place[k]:.2f}",
            f"{1e9 * horizontal[0, k]:.2f}",
            f"{1e9 * vertical[0, k]:.2f}",
            f"{1e9 * horizontal[1, k]:.2f}",
        )
    console.print(table)
    show.print_cautions(console)


def _print_map(found: dict[str, Any]) -> None:
    console = show.console_for()
    headings = [f">{offset:g} m" for offset in found["offset_m"]]
    table = show.table_of(
        ">current ratio",
        *headings,
        title="Depth error, metres, by a neighbour's offset and current; *: its own peak is taken",
    )
    for ratio, errors, wrong in zip(
        found["current_ratio"], found["depth_error_m"], found["wrong_line"], strict=True
    ):
        cells = [
            ("*" if other else "") + (f"{error:+.2f}" if error == error else "none")
            for error, other in zip(errors, wrong, strict=True)
        ]
        table.add_row(f"{ratio:+.2f}", *cells)
    console.print(table)


def reach(
    depth: Annotated[float, typer.Option(help="Depth of the line [m].")],
    wanted: Annotated[float, typer.Option(help="Distance to be located [m].")],
    metal: Annotated[MetalName, typer.Option(help="What carries the current.")] = MetalName.STEEL,
    diameter: Annotated[float, typer.Option(help="Outside diameter of the metal [m].")] = 0.1143,
    wall: Annotated[
        float, typer.Option(help="Thickness of the metal [m]; half the diameter if solid.")
    ] = 0.006,
    coating: Annotated[float, typer.Option(help="Thickness of the coating [m]; 0: bare.")] = 0.003,
    leakage: Annotated[
        float, typer.Option(help="Conductance of the coating, faults included [S/m2].")
    ] = 1e-4,
    soil: Annotated[float, typer.Option(help="Resistivity of the ground [ohm m].")] = 100.0,
    frequency: Annotated[
        list[float] | None,
        typer.Option(help="Frequency [Hz]; repeat for more.", show_default=False),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Show how far a directly connected signal carries at each frequency, and which to take."""
    import numpy as np

    from asfound import em

    metals = {
        MetalName.STEEL: em.STEEL,
        MetalName.DUCTILE_IRON: em.DUCTILE_IRON,
        MetalName.COPPER: em.COPPER,
        MetalName.ALUMINIUM: em.ALUMINIUM,
        MetalName.LEAD: em.LEAD,
    }
    buried = em.BuriedLine(
        radius=diameter / 2,
        wall=wall,
        metal=metals[metal],
        coating_thickness=coating,
        coating_leakage=leakage,
        soil_resistivity=soil,
    )
    used = np.array(sorted(frequency or [512.0, 2048.0, 8192.0, 32768.0, 65536.0]))
    constants = em.line_constants(buried, used)
    fed = em.fed_current(constants, em.Transmitter())
    advice = em.frequency_advice(constants, fed, depth, wanted)
    if json:
        show.print_json(
            {
                "frequency_hz": used.tolist(),
                "fed_current_a": fed.tolist(),
                "attenuation_length_m": advice.attenuation_length.tolist(),
                "wavelength_m": advice.wavelength.tolist(),
                "least_current_a": advice.floor_current.tolist(),
                "reach_m": advice.reach.tolist(),
                "chosen_hz": float(used[advice.chosen]),
                "advice": advice.sentence,
            }
        )
        return
    console = show.console_for()
    table = show.table_of(
        ">frequency Hz", ">fed mA", ">falls to 37 % in m", ">wavelength m", ">reach m"
    )
    for k in range(len(used)):
        far = advice.reach[k]
        table.add_row(
            f"{used[k]:g}",
            f"{1000 * fed[k]:.0f}",
            f"{advice.attenuation_length[k]:.0f}",
            f"{advice.wavelength[k]:.0f}",
            f"{far:.0f}" if np.isfinite(far) else "to the end",
        )
    console.print(table)
    console.print(advice.sentence, soft_wrap=True)
    console.print(
        "[dim]Model of one uniform line in uniform ground; neighbours, joints and branches take "
        "their share.[/dim]",
        soft_wrap=True,
    )
