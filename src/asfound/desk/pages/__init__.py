"""Pages of the desk, made on the server; they work without scripts, save the job page."""

from asfound.desk.pages import accounts, admin, entered, jobs, public, uploads

ROUTERS = (
    public.router,
    accounts.router,
    admin.router,
    uploads.router,
    entered.router,
    jobs.router,
)

__all__ = ["ROUTERS"]
