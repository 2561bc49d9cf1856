"""The command line: parse, call, show."""

from asfound.cli.app import app, main

__all__ = ["app", "main"]
