"""The web application: page, state, event stream, two actions. Serves one campaign folder."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any, Final

import jinja2
import uvicorn
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from harness import inside
from harness.engine.requests import CONTROL_BYTES, CONTROL_NAME
from harness.errors import StoreError
from harness.report.charts import style
from harness.watch.access import COOKIE_NAME, Access
from harness.watch.rate import RunningRate
from harness.watch.state import Watcher, read_now, utc_now

PERIOD_S: Final = 1.0
_KEEP_ALIVE_S: Final = 15.0
_BODY_S: Final = 5.0
#: No report is larger; it is read whole.
_REPORT_BYTES: Final = 512 << 20
_ACTIONS: Final = ("pause-after-attempt", "stop", "none")
_PAGE_RULES: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS: Final = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}
_STATIC: Final = {"watch.js": "text/javascript", "watch.css": "text/css"}


def make_app(folder: Path, access: Access, *, period_s: float = PERIOD_S) -> Starlette:
    """The application for one campaign folder.

    Args:
        folder: The campaign folder; read only, but for ``control.json``.
        access: Who may see and act.
        period_s: Time between two looks at the folder while someone watches.
    """
    watcher = Watcher(folder)
    rate = RunningRate()
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("harness.watch", "static"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )

    def state() -> dict[str, Any]:
        now_s = time.monotonic()
        live = read_now(folder, utc_now(), rate, now_s)
        return {"grid": watcher.grid(now_s, live), "live": live}

    async def page(request: Request) -> Response:
        try:
            grid = state()["grid"]
        except StoreError as error:
            return PlainTextResponse(str(error), status_code=404)
        if grid["complete"] and grid["report"] and not grid["running"]:
            return RedirectResponse("report", status_code=303)
        return await live_page(request)

    async def live_page(request: Request) -> Response:
        html = environment.get_template("watch.html.j2").render(folder=folder.name)
        return Response(html, media_type="text/html", headers={"Content-Security-Policy": _PAGE_RULES})

    async def report(request: Request) -> Response:
        path = folder / "report" / "index.html"
        try:
            return Response(inside.read_bytes(folder, path, _REPORT_BYTES), media_type="text/html")
        except FileNotFoundError:
            return PlainTextResponse("No report yet; it is written when the run ends.", status_code=404)
        except OSError as error:
            return PlainTextResponse(f"The report can't be shown: {error}", status_code=404)

    async def static(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _STATIC:
            return PlainTextResponse("not found", status_code=404)
        text = environment.get_template(name).render(
            light=Markup(style.css_variables(dark=False)),
            dark=Markup(style.css_variables(dark=True)),
            fonts=Markup(style.FONT_STACK),
        )
        return Response(text, media_type=_STATIC[name])

    async def now(request: Request) -> Response:
        try:
            return JSONResponse(state())
        except StoreError as error:
            return JSONResponse({"error": str(error)}, status_code=404)

    async def events(request: Request) -> Response:
        stream = event_stream(state, period_s)
        return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})

    async def act(request: Request) -> Response:
        if not access.may_act(request.headers):
            return JSONResponse({"error": "actions are taken from this page only"}, status_code=403)
        try:
            wish = json.loads(await _small_body(request)).get("request")
        except TimeoutError:
            return JSONResponse({"error": "the request took too long"}, status_code=408)
        except _TooLarge:
            return JSONResponse({"error": "the request is too large"}, status_code=413)
        except (ValueError, AttributeError, RecursionError):
            wish = None
        if wish not in _ACTIONS:
            return JSONResponse({"error": f"the request is one of {', '.join(_ACTIONS)}"}, status_code=400)
        try:
            if not state()["grid"]["running"]:
                return JSONResponse({"error": "nothing runs in this folder"}, status_code=409)
            if wish == "none":
                inside.remove(folder, folder / CONTROL_NAME)
            else:
                content = json.dumps({"request": wish}) + "\n"
                inside.write_whole(folder, folder / CONTROL_NAME, content.encode())
        except (OSError, StoreError) as error:
            return JSONResponse({"error": f"could not be passed on: {error}"}, status_code=500)
        return JSONResponse({"request": wish})

    return Starlette(
        routes=[
            Route("/", page),
            Route("/live", live_page),
            Route("/report", report),
            Route("/state", now),
            Route("/events", events),
            Route("/request", act, methods=["POST"]),
            Route("/static/{name}", static),
        ],
        middleware=[Middleware(_Gate, access=access)],
    )


class _TooLarge(Exception):
    """More than a request may hold."""


async def _small_body(request: Request) -> bytes:
    """What a request says. Raises _TooLarge, or TimeoutError if it does not come within some seconds."""
    body = b""
    async with asyncio.timeout(_BODY_S):
        async for piece in request.stream():
            body += piece
            if len(body) > CONTROL_BYTES:
                raise _TooLarge
    return body


class Unhurried(uvicorn.Server):
    """Looks twice a second whether it is to end, not ten times: most of what an idle server costs."""

    async def main_loop(self) -> None:
        while not await self.on_tick(0):
            await asyncio.sleep(0.5)


async def event_stream(state: Callable[[], dict[str, Any]], period_s: float) -> AsyncIterator[str]:
    """Server-sent events, each sent when its part changed: ``grid``, ``live``, and ``history``.

    A client that comes back gets all of them at once, so nothing depends on what it saw before.
    """
    yield "retry: 2000\n\n"
    sent: dict[str, Any] = {}
    quiet_s = 0.0
    while True:  # the response ends it when the visitor leaves
        try:
            found = state()
        except StoreError as error:
            yield _event("trouble", {"error": str(error)})
            found = None
        quiet_s += period_s
        if found is not None:
            for name, mark, value in _parts(found["grid"], found["live"]):
                if name not in sent or sent[name] != mark:
                    sent[name], quiet_s = mark, 0.0
                    yield _event(name, value)
        if quiet_s >= _KEEP_ALIVE_S:
            quiet_s = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(period_s)


def _parts(grid: dict[str, Any], live: dict[str, Any] | None) -> Iterator[tuple[str, Any, Any]]:
    """Event name, what tells whether it changed, and its value."""
    yield "grid", grid, grid
    history = [] if live is None else live.get("history", [])
    yield "history", history[-1:], history
    now = None if live is None else {k: v for k, v in live.items() if k != "history"}
    yield "live", now and (now["written_utc"], now["request"]), now


def _event(name: str, value: Any) -> str:
    return f"event: {name}\ndata: {json.dumps(value, allow_nan=False)}\n\n"


class _Gate:
    """Lets nobody in who may not see; takes a token from the address into a cookie."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        request = Request(scope)
        given = request.query_params.get("token")
        answer: ASGIApp = self._app
        if not self._access.may_see(request.headers, request.cookies, given):
            said = "This page needs its token: open the whole address that `levelrig watch` printed."
            answer = PlainTextResponse(said, status_code=403)
        elif given is not None and request.method == "GET":
            # One slash only: two in front of a name lead to another site.
            here = "/" + scope["path"].lstrip("/\\")
            answer = response = RedirectResponse(here, status_code=303)
            if self._access.token is not None:
                response.set_cookie(COOKIE_NAME, self._access.token, httponly=True, samesite="strict")

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(_HEADERS)
            await send(message)

        await answer(scope, receive, send_guarded)
