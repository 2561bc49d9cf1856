"""The main job: raw records in, results out."""

from asfound.job.pipeline import process

__all__ = ["process"]
