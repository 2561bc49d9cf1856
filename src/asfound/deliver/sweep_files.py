"""One sweep's picture as a file of its own: SVG or PDF."""

from __future__ import annotations

from datetime import UTC, datetime

from asfound.deliver.delivery import prepare
from asfound.deliver.report.sweeps import sweep_facts, sweep_figure
from asfound.model import Results
from asfound.units import length_unit, lengths_in

_WIDTH = 174.0


def sweep_svg(results: Results, number: int) -> bytes:
    """The drawing of sweep `number` of `Results.sweeps`."""
    located = results.sweeps[number]
    sweep = results.intake.sweeps[located.sweep]
    unit = length_unit(results.settings.length_unit)
    return sweep_figure(sweep, located, unit, _WIDTH).encode()


def sweep_pdf(results: Results, number: int) -> bytes:
    """The same drawing as a one-page PDF of its own size, for a work order or a mail."""
    import typst

    source = (
        f"#set page(width: {_WIDTH + 6:g}mm, height: auto, margin: 3mm)\n"
        f'#image(bytes(sys.inputs.figure), format: "svg", width: {_WIDTH:g}mm)'
    )
    pdf = typst.compile(
        source.encode(),
        format="pdf",
        ignore_system_fonts=True,
        sys_inputs={"figure": sweep_svg(results, number).decode()},
        timestamp=datetime.fromtimestamp(0, UTC),
    )
    return bytes(pdf)


def sweep_words(results: Results, number: int) -> tuple[list[str], list[str]]:
    """Facts of a sweep, and what its readings can and can't tell, in sentences."""
    located = results.sweeps[number]
    unit = length_unit(results.settings.length_unit)
    said = [located.reason] if located.reason else located.words
    words = [lengths_in(sentence, unit) for sentence in said]
    return sweep_facts(prepare(results), number), words
