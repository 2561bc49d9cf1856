"""An invented job with a known truth: for demonstration, and to hold asfound to its word."""

from asfound.demo.blunders import CAUSES
from asfound.demo.job import DemoJob, DemoUpload, generate, simulate, write_demo
from asfound.demo.return_visit import RETURN_VISIT
from asfound.demo.street import Street, TrueLine
from asfound.demo.truth import Truth

__all__ = [
    "CAUSES",
    "RETURN_VISIT",
    "DemoJob",
    "DemoUpload",
    "Street",
    "TrueLine",
    "Truth",
    "generate",
    "simulate",
    "write_demo",
]
