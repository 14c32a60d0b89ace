"""The phone page itself: four fixed files and one stream of server-sent events, read-only, behind one guard.

Every request passes the guard first: GET only, no body, a Host that is ours, the token if one is set.  Paths are keys
of a dictionary, never of the disk.  Whoever is slow gets the newest line when there is room again, never a queue.
Knows nothing of processes and sockets (page_server) and nothing of what the figures mean (page.js).
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from importlib.resources import files
from typing import Any, Final
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from livemon.outputs.feed import TRAIL_EVERY_S, TRAIL_POINTS
from livemon.outputs.page import PageSettings

MAX_STREAMS: Final = 8
MAX_TARGET_CHARS: Final = 300
STREAM_LIFE_S: Final = 3600.0
"""A stream ends after an hour; the browser opens the next one by itself."""
OLD_S: Final = 3.0
"""A line this old is not handed to a new visitor as if it were live."""
QUIET_S: Final = 2.0
WRONG_TOKEN_S: Final = 0.5
COOKIE: Final = "livemon_token"

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
    "Connection": "close",
}
FILES: Final = {
    "/": ("index.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


class Source:
    """The newest line of the feed, the trail behind it, and the visitors who wait for the next."""

    def __init__(self) -> None:
        """Nothing heard yet."""
        self.greeting: dict[str, Any] = {}
        self.trail: deque[list[float]] = deque(maxlen=TRAIL_POINTS)
        self.line = ""
        self.came_s = float("-inf")
        self.streams = 0
        self.told = 0
        self._next = asyncio.Event()

    def greet(self, greeting: dict[str, Any]) -> None:
        """The first line of a new attachment: units, version and the trail so far."""
        self.trail = deque(greeting.pop("trail", [])[-TRAIL_POINTS:], maxlen=TRAIL_POINTS)
        self.greeting = greeting

    def tell(self, line: bytes, now_s: float) -> None:
        """A new line has come; lines that are no JSON object are left out."""
        try:
            said = json.loads(line)
            time_s, estimate = float(said["time_s"]), said.get("estimate_c")
        except (ValueError, KeyError, TypeError, AttributeError):
            return
        if estimate and estimate.get("likely") is not None:
            if self.trail and time_s < self.trail[-1][0]:
                self.trail.clear()
            if not self.trail or time_s - self.trail[-1][0] >= TRAIL_EVERY_S:
                self.trail.append([time_s, estimate["likely"]])
        self.line, self.came_s = json.dumps(said, ensure_ascii=True, separators=(",", ":")), now_s
        self._wake()

    def lost(self) -> None:
        """The monitor is gone: visitors are told at once, the line is forgotten."""
        self.line, self.came_s = "", float("-inf")
        self._wake()

    def _wake(self) -> None:
        self.told += 1
        self._next.set()
        self._next = asyncio.Event()

    async def next(self, told: int, timeout_s: float) -> bool:
        """Wait until there is more than the first `told` words; False when there was not in time."""
        if self.told != told:
            return True
        try:
            await asyncio.wait_for(self._next.wait(), timeout_s)
        except TimeoutError:
            return False
        return True


def _event(name: str, data: str) -> bytes:
    return f"event: {name}\ndata: {data}\n\n".encode()


async def _stream(source: Source) -> AsyncIterator[bytes]:
    """What one visitor gets: greeting and trail, then the newest line each time, `gone` when the monitor is."""
    until_s = time.monotonic() + STREAM_LIFE_S
    told = source.told
    greeted = source.greeting
    yield b"retry: 2000\n\n" + _hello(source)
    if source.line and time.monotonic() - source.came_s <= OLD_S:
        yield _event("line", source.line)
    while time.monotonic() < until_s:
        if not await source.next(told, QUIET_S):
            yield b": quiet\n\n"
            continue
        told = source.told
        if source.greeting is not greeted:  # the monitor came, or came back, after this visitor did
            greeted = source.greeting
            yield _hello(source)
        if source.line:
            yield _event("line", source.line)
        else:
            yield _event("gone", "{}")


def _hello(source: Source) -> bytes:
    return _event("hello", json.dumps({**source.greeting, "trail": list(source.trail)}, ensure_ascii=True))


class Watching(StreamingResponse):
    """One visitor's stream, counted from the moment it is granted until it has ended, however it ends."""

    def __init__(self, source: Source) -> None:
        """Take a place."""
        super().__init__(_stream(source), media_type="text/event-stream")
        self._source = source
        source.streams += 1

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Stream, then give the place back."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._source.streams -= 1


class Guard:
    """Refuses what is not a plain look at the page; adds the security headers to every answer."""

    def __init__(self, app: App, settings: PageSettings) -> None:
        """Stand before `app`."""
        self._app = app
        self._settings = settings
        self._names = {"localhost", *settings.names.lower().split()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or refuse one request."""

        async def safe(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                ours = {key.lower().encode(): value.encode() for key, value in HEADERS.items()}
                others = [(k, v) for k, v in message.get("headers", []) if k.lower() not in ours]
                message["headers"] = [*others, *ours.items()]
            await send(message)

        if scope["type"] != "http":
            return
        answer = await self._refusal(Request(scope))
        await (answer or self._app)(scope, receive, safe)

    async def _refusal(self, request: Request) -> Response | None:
        headers = request.headers
        if request.method != "GET":
            return PlainTextResponse("only GET\n", 405, headers={"Allow": "GET"})
        if headers.get("content-length", "0") != "0" or "transfer-encoding" in headers:
            return PlainTextResponse("no body\n", 413)
        if len(request.scope.get("raw_path", b"")) + len(request.scope["query_string"]) > MAX_TARGET_CHARS:
            return PlainTextResponse("too long\n", 414)
        if not self._host_is_ours(request):
            return PlainTextResponse("not called by this name: add it to page.names\n", 421)
        if headers.get("sec-fetch-site", "none") == "cross-site":
            return PlainTextResponse("not from another site\n", 403)
        return await self._token(request) if self._settings.token else None

    def _host_is_ours(self, request: Request) -> bool:
        """The address the visitor came to, or a listed name: another site's name that points here is refused."""
        hosts = request.headers.getlist("host")
        if len(hosts) != 1:
            return False
        host, colon, port = hosts[0].lower().rpartition(":")
        if not colon or host.endswith(":"):
            host, port = hosts[0].lower(), "80"
        if port != str(self._settings.port):
            return False
        if host in self._names:
            return True
        try:
            called = ipaddress.ip_address(host.strip("[]"))
            return called == ipaddress.ip_address(str((request.scope.get("server") or ("",))[0]))
        except ValueError:
            return False

    async def _token(self, request: Request) -> Response | None:
        """Let in whoever brings the token in the cookie; the address with `?token=` sets the cookie once."""
        wanted = self._settings.token.encode()
        asked = parse_qs(request.url.query).get("token", [""])[0]
        if asked and hmac.compare_digest(asked.encode(), wanted):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(COOKIE, self._settings.token, httponly=True, samesite="strict", max_age=30 * 86400)
            return answer
        if hmac.compare_digest(request.cookies.get(COOKIE, "").encode(), wanted):
            return None
        await asyncio.sleep(WRONG_TOKEN_S)
        return PlainTextResponse("open the address with its token once: /?token=...\n", 403)


def make_app(settings: PageSettings, source: Source) -> App:
    """The ASGI application."""
    folder = files("livemon.outputs") / "page_files"

    def file_route(path: str, name: str, kind: str) -> Route:
        body = (folder / name).read_bytes()

        async def answer(_request: Request) -> Response:
            return Response(body, headers={"Content-Type": kind})

        return Route(path, answer)

    async def events(_request: Request) -> Response:
        if source.streams >= MAX_STREAMS:
            return PlainTextResponse("too many are watching\n", 503, headers={"Retry-After": "10"})
        return Watching(source)

    routes = [file_route(path, *what) for path, what in FILES.items()]
    return Guard(Starlette(routes=[*routes, Route("/events", events)]), settings)
