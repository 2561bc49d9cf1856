"""Planned digs against lines: how close, how sure, what is required, where to expose."""
