"""The documented HTTP API: the same actions as the pages', as JSON."""

from asfound.desk.api import accounts, jobs, reading, uploads, work

ROUTERS = (jobs.router, uploads.router, work.router, reading.router, accounts.router)

__all__ = ["ROUTERS"]
