"""Deliverables: the report and the files that carry a job's results to CAD, GIS and people."""

from asfound.deliver.outputs import ALL, write_outputs

__all__ = ["ALL", "write_outputs"]
