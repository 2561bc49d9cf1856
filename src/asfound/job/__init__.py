"""The main job: raw records in, results out."""

from asfound.job.deciding import check_decision
from asfound.job.pipeline import process

__all__ = ["check_decision", "process"]
