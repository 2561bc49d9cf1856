"""Deliverables: the report and the files that carry a job's results to CAD, GIS and people."""

from asfound.deliver.outputs import ALL, write_outputs
from asfound.deliver.reference import outputs_reference
from asfound.deliver.report.frame_figure import frames_plot, frames_svg
from asfound.deliver.report.sweeps import fitted_readings
from asfound.deliver.shapes import envelope_95
from asfound.deliver.sweep_files import sweep_pdf, sweep_svg, sweep_words

__all__ = [
    "ALL",
    "envelope_95",
    "fitted_readings",
    "frames_plot",
    "frames_svg",
    "outputs_reference",
    "sweep_pdf",
    "sweep_svg",
    "sweep_words",
    "write_outputs",
]
