"""A small server that gives one processed job to the job page, for tests and measurements.

It answers what the page asks of the desk (page, view, details of shots, events) and keeps what
the page sends, so that the page is seen without accounts or a database.
"""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import jinja2
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

import asfound.desk.view as view_module

DESK = Path(view_module.__file__).parent
POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; connect-src 'self' blob:; "
    "object-src 'none'; base-uri 'none'; frame-ancestors 'none'"
)


@dataclass
class PageServer:
    """Where the page is served, what it sent, and what to tell it."""

    view: Path
    shot: Callable[[str], dict[str, Any] | None]
    title: str
    role: str = "administrator"
    answers: dict[str, tuple[int, dict[str, Any]]] = field(default_factory=dict)
    sent: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)
    tasks: list[dict[str, Any]] = field(default_factory=list)
    address: str = ""

    def app(self) -> Starlette:
        templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(DESK / "templates"), autoescape=True
        )

        async def page(request: Request) -> Response:
            body = templates.get_template("job.html").render(
                job={"id": "demo", "title": self.title},
                user={
                    "name": "Reviewer",
                    "metric": False,
                    "role": request.query_params.get("role", self.role),
                },
                view_url="/jobs/demo/view/",
                roles={"administrator": False},
                here="jobs",
                csrf="token",
                static=lambda name: f"/static/{name}",
            )
            return HTMLResponse(body, headers={"Content-Security-Policy": POLICY})

        async def shot(request: Request) -> Response:
            found = self.shot(request.path_params["shot"])
            if found is None:
                return JSONResponse({"title": "No such shot.", "remedy": "Choose another."}, 404)
            return JSONResponse(found)

        async def other(request: Request) -> Response:
            path = request.path_params["path"]
            kind = request.headers.get("content-type", "")
            if kind.startswith("multipart"):
                body: dict[str, Any] = {}
                async with request.form() as form:
                    for name, value in form.items():
                        text = isinstance(value, str)
                        body[name] = value if text else (await value.read()).decode("latin-1")
            else:
                data = await request.body()
                body = json.loads(data) if data else {}
            body["_csrf"] = request.headers.get("x-csrf-token", "")
            body["_key"] = request.headers.get("idempotency-key", "")
            self.sent.append((request.method, path, body))
            status, answer = self.answers.get(path, (200, {}))
            return JSONResponse(answer, status)

        async def events(request: Request) -> Response:
            async def news() -> AsyncIterator[bytes]:
                told = 0
                for _ in range(600):
                    while told < len(self.tasks):
                        data = json.dumps(self.tasks[told])
                        yield f"event: task\ndata: {data}\n\n".encode()
                        told += 1
                    await asyncio.sleep(0.05)
                    if await request.is_disconnected():
                        return

            return StreamingResponse(news(), media_type="text/event-stream")

        return Starlette(
            routes=[
                Route("/jobs/demo", page),
                Route("/jobs/demo/events", events),
                Mount("/jobs/demo/view", StaticFiles(directory=self.view)),
                Mount("/static", StaticFiles(directory=DESK / "static")),
                Route("/api/v1/jobs/demo/shots/{shot}", shot),
                Route("/api/v1/me", lambda request: JSONResponse({}), methods=["PATCH"]),
                Route(
                    "/api/v1/jobs/demo/{path:path}", other, methods=["GET", "POST", "PUT", "DELETE"]
                ),
            ]
        )

    def start(self) -> Callable[[], None]:
        """Serve on a free port in a thread; returns what stops it."""
        listener = socket.socket()
        listener.bind(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{listener.getsockname()[1]}"
        config = uvicorn.Config(
            self.app(), log_level="error", lifespan="off", timeout_graceful_shutdown=1
        )
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)

        def stop() -> None:
            server.should_exit = True
            thread.join(5)
            listener.close()

        return stop
