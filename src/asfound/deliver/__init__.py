"""Deliverables: the report and the files that carry a job's results to CAD, GIS and people."""

from asfound.deliver.outputs import ALL, write_outputs
from asfound.deliver.reference import outputs_reference

__all__ = ["ALL", "outputs_reference", "write_outputs"]
