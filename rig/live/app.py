"""What is answered to a browser: one page, what goes on, the history, and reports."""

from __future__ import annotations

from collections.abc import AsyncIterator
from importlib.resources import files
from typing import Any, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from analysis.figures.style import LIGHT, text_on
from drivers.clock import SystemClock
from rig.live.gate import REPORT_POLICY, Gate
from rig.live.hub import BEAT_EVERY_S, Hub, beat, message
from rig.live.shelf import REPORTS, Shelf
from rig.live.story import Story
from rig.live.tail import NotThere

#: More listeners than a lab has screens; each costs a connection.
MOST_LISTENERS: Final = 100
_TYPES: Final = {"css": "text/css", "js": "text/javascript", "html": "text/html"}
_FRESH: Final = {"cache-control": "no-store"}


class Room:
    """All that is being followed, and how many listen.

    Parameters
    ----------
    shelf : Shelf
    clock : SystemClock
    """

    def __init__(self, shelf: Shelf, clock: SystemClock) -> None:
        self.shelf = shelf
        self.clock = clock
        self.listeners = 0
        self._hubs: dict[str, Hub] = {}
        self._current = ""
        self._current_until_s = -1.0

    def hub(self, name: str) -> Hub:
        """Return the hub of a run; those to which nobody listens are dropped.

        Raises
        ------
        NotThere
            There is no such run.
        """
        folder = self.shelf.run(name)
        self._hubs = {key: hub for key, hub in self._hubs.items() if not hub.is_idle}
        return self._hubs.setdefault(name, Hub(Story(folder), self.clock))

    def current(self) -> str:
        """Return the run to be shown first, looked for no more often than a beat."""
        now_s = self.clock.elapsed_s()
        if now_s >= self._current_until_s:
            self._current_until_s = now_s + BEAT_EVERY_S
            self._current = self.shelf.current(self.clock.utc().timestamp())
        return self._current

    async def follow(self, name: str) -> AsyncIterator[bytes]:
        """Tell of one run, or of the current one and of whichever comes after it."""
        self.listeners += 1
        try:
            yield beat(self.clock)
            while True:
                shown = name or self.current()
                if not shown:
                    yield message("none", {})
                    await self.clock.rest(BEAT_EVERY_S)
                    continue
                told = self.hub(shown).listen()
                try:
                    async for text in told:
                        yield text
                        if not name and self.current() != shown:
                            break
                finally:
                    await told.aclose()  # type: ignore[attr-defined]
        finally:
            self.listeners -= 1


def make_app(shelf: Shelf, clock: SystemClock, *, token: str = "") -> Gate:
    """Return the application.

    Parameters
    ----------
    shelf : Shelf
        What may be shown.
    clock : SystemClock
    token : str
        What has to be shown by whoever asks; empty where only this computer can reach us.
    """
    room = Room(shelf, clock)
    page = files("rig.live").joinpath("page")
    parts = {
        name: (page.joinpath(name).read_bytes(), _TYPES[name.rsplit(".", 1)[1]])
        for name in ("page.html", "page.css", "page.js", "charts.js", "map.js")
    }
    palette = [[_hex(LIGHT(at)), text_on(LIGHT(at)[:3])] for at in range(LIGHT.N)]

    async def show(request: Request) -> Response:
        if name := request.path_params.get("run"):
            shelf.run(name)
        return _part(*parts["page.html"])

    async def part(request: Request) -> Response:
        found = parts.get(request.path_params["name"])
        if found is None:
            raise NotThere("no such part of the page")
        return _part(*found)

    async def about(_: Request) -> Response:
        return JSONResponse(
            {"title": shelf.title, "is_lab": shelf.is_lab, "palette": palette}, headers=_FRESH
        )

    async def runs(request: Request) -> Response:
        lines, has_older = shelf.page(request.query_params.get("before", ""))
        return JSONResponse({"runs": lines, "has_older": has_older}, headers=_FRESH)

    async def report(request: Request) -> Response:
        headers = _FRESH | {"content-security-policy": REPORT_POLICY}
        return Response(
            shelf.report(request.path_params["run"], request.url.path.rsplit("/", 1)[1]),
            media_type="text/html",
            headers=headers,
        )

    async def stream(request: Request) -> Response:
        name = request.path_params.get("run", "")
        if name:
            shelf.run(name)
        if room.listeners >= MOST_LISTENERS:
            raise HTTPException(503, "Too many are watching already. Close a page, then try again.")
        headers = _FRESH | {"x-accel-buffering": "no"}
        return StreamingResponse(room.follow(name), media_type="text/event-stream", headers=headers)

    routes = [
        Route("/", show),
        Route("/about.json", about),
        Route("/runs.json", runs),
        Route("/stream", stream),
        Route("/page/{name}", part),
        Route("/run/{run}", show),
        Route("/run/{run}/stream", stream),
        *(Route(f"/run/{{run}}/{page}", report) for page in REPORTS),
    ]
    app = Starlette(
        routes=routes,
        exception_handlers={NotThere: _not_there, HTTPException: _refused},
    )
    return Gate(app, token)


def _part(content: bytes, kind: str) -> Response:
    return Response(content, media_type=kind, headers={"cache-control": "no-cache"})


async def _not_there(_: Request, error: Any) -> Response:
    return PlainTextResponse(f"Not found: {error}.\n", 404)


async def _refused(_: Request, error: Any) -> Response:
    return PlainTextResponse(f"{error.detail}\n", error.status_code)


def _hex(colour: tuple[float, float, float, float]) -> str:
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour[:3])
