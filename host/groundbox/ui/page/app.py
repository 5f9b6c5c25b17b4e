"""The page's web application: what it answers, and to whom. On a network each viewer enters a passphrase."""

import asyncio
import hmac
import json
import os
import secrets
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from html import escape
from importlib import resources
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

import msgspec
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from groundbox.advice.result import Glance
from groundbox.errors import BadInput, GroundboxError

LETTERS = "abcdefghkmnpqrstuvwxyz23456789"  # without those that look alike
LENGTH = 12  # of 30 letters each: 58 bits
ROLES = ("mark", "look")
COOKIE = "groundbox_page"
HERE = ("127.0.0.1", "::1")


class Step(msgspec.Struct, frozen=True):
    """One step to the first box, and whether it is done."""

    words: str
    done: bool


class Access:
    """Passphrases of one page.

    Args:
        passphrases: role -> passphrase; empty for a page that only this computer reaches.

    Attributes:
        evaluated: guesses that were compared.
    """

    def __init__(
        self, passphrases: Mapping[str, str] | None = None, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.passphrases, self._monotonic_s, self.evaluated = dict(passphrases or {}), monotonic_s, 0
        self._wrong_s = deque([float("-inf")] * WRONG_GUESSES, maxlen=WRONG_GUESSES)

    def refuses(self) -> bool:
        """True after too many wrong guesses, from all connections together: none is compared then."""
        return self._monotonic_s() - self._wrong_s[0] < GUESSES_S

    def role(self, client: str, cookie: str | None) -> str | None:
        """ "mark", "look", or None where no passphrase was entered; this computer itself may mark."""
        if client in HERE:
            return "mark"
        return next((role for role in self.passphrases if _same(self._token(role), cookie)), None)

    def enter(self, passphrase: str) -> str | None:
        """The cookie for a passphrase; None where it is wrong, or is not compared (`refuses`)."""
        if self.refuses():
            return None
        self.evaluated += 1
        found = [role for role, known in self.passphrases.items() if _same(known, passphrase)]
        if not found:
            self._wrong_s.append(self._monotonic_s())
        return self._token(found[0]) if found else None

    def _token(self, role: str) -> str:
        return hmac.digest(self.passphrases[role].encode(), f"page {role}".encode(), "sha256").hex()


def _same(known: str, given: str | None) -> bool:
    return given is not None and hmac.compare_digest(known.encode(), given.encode())


def kept_passphrases(path: Path) -> dict[str, str]:
    """The passphrases in the file at `path`, made at the first time; only this user may read it.

    Kept, so that a page left open works after a restart.
    """
    try:
        if path.exists():
            kept = json.loads(path.read_text(encoding="utf-8"))
            return {role: str(kept[role]) for role in ROLES}
        made = {role: "".join(secrets.choice(LETTERS) for _ in range(LENGTH)) for role in ROLES}
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            json.dump(made, file)
        return made
    except OSError as error:
        raise BadInput(
            path, "", f"cannot be read or written ({error.strerror}); it keeps the page's passphrases"
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise BadInput(path, "", "is not a file of passphrases; delete it, new ones are made") from error


TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
    ".json": "application/manifest+json",
}
LIVE = ("page.js", "draw.js", "figures.js", "hold.js", "lanes.js", "voice.js", "past.js", "plan.js")
FILES = ("enter.html", "page.css", "mark.svg", "manifest.json", "shell.js", "enter.js", *LIVE)
OPEN = ("/enter", "/page.css", "/enter.js", "/mark.svg")  # answered without a passphrase
OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"
MARKERS = ("/mark", "/acknowledge", "/command")  # not for those who may only look
MAX_BYTES = 4096
GUESS_WAIT_S = 1.0
WRONG_GUESSES, GUESSES_S = 10, 10.0  # so many in so long a time; a cookie works all the same
COOKIE_S = 30 * 86400
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data: blob:; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class Host(Protocol):
    """What the page asks of the program that serves it; called from worker threads but for the first three."""

    def newest(self) -> str | None:
        """The newest serve.Published as JSON; None before the first."""

    def age_s(self) -> float:
        """Seconds since that was published."""

    def glance(self) -> Glance:
        """The newest advice at a glance, for a browser without scripts."""

    def steps(self) -> list[Step]:
        """What is done and what is next before the first box is heard; empty later."""

    def listens(self, change: int) -> None:
        """One viewer on this computer with its sound on more (1), or less (-1)."""

    async def wait(self, known: str | None) -> str | None:
        """The newest once it is another than `known`; None when the page is closing."""

    def mark(self, body: dict[str, object]) -> dict[str, object]:
        """Takes a mark; where it is against advice and not confirmed, `ask` is the question instead."""

    def command(self, body: dict[str, object]) -> dict[str, object]:
        """Sends a command to a board, and returns what it answered."""

    def acknowledge(self, body: dict[str, object]) -> None:
        """Takes an acknowledgement."""

    def metrics(self) -> bytes:
        """The metrics in OpenMetrics text."""

    def past(self, asked: dict[str, str]) -> dict[str, object]:
        """History."""

    def plan(self, body: dict[str, object]) -> dict[str, object]:
        """The day's plan."""


def application(host: Host, access: Access, names: list[str]) -> Starlette:
    """The application; `names` are the host names (without port) under which it may be asked."""

    async def guard(request: Request, inner: Callable[[Request], Awaitable[Response]]) -> Response:
        """Checks the role, refuses what comes from other pages, and adds headers."""
        role = _role(request, access)
        if request.method == "POST" and not _own_origin(request):
            response: Response = _refusal(403, "the request comes from another page")
        elif role is None and request.url.path not in OPEN:
            if request.url.path == "/metrics":  # it takes guesses, as /enter does
                await asyncio.sleep(GUESS_WAIT_S)
            ask = request.method == "GET" and request.url.path == "/"
            response = RedirectResponse("/enter", 303) if ask else _refusal(401, "a passphrase is needed")
        elif role == "look" and request.method == "POST" and request.url.path in MARKERS:
            response = _refusal(403, "this viewer may only look; enter with the passphrase that may mark")
        else:
            request.state.role = role
            response = await inner(request)
        response.headers.update(HEADERS)
        return response

    async def state(request: Request) -> Response:
        return Response(_for_role(host, host.newest(), request.state.role), media_type="application/json")

    async def events(request: Request) -> Response:
        role = request.state.role
        speaks_here = request.query_params.get("sound") == "on" and _is_here(request)

        async def stream() -> AsyncIterator[str]:
            host.listens(speaks_here)
            try:
                newest = host.newest()
                yield f"retry: 1000\ndata: {_for_role(host, newest, role)}\n\n"
                while newest := await host.wait(newest):
                    yield f"data: {_for_role(host, newest, role)}\n\n"
            finally:
                host.listens(-speaks_here)

        return StreamingResponse(stream(), media_type="text/event-stream")

    async def metrics(request: Request) -> Response:
        return Response(await run_in_threadpool(host.metrics), media_type=OPENMETRICS)

    async def enter(request: Request) -> Response:
        body = await _body(request)
        if access.refuses():
            return _refusal(429, f"too many wrong passphrases came: wait {GUESSES_S:.0f} s, then enter it again")
        cookie = access.enter(str(body.get("passphrase", "")) if body else "")
        if cookie is None:
            await asyncio.sleep(GUESS_WAIT_S)
            return _refusal(401, "the passphrase is wrong; type it as the computer at the table shows it")
        response = JSONResponse({})
        response.set_cookie(COOKIE, cookie, max_age=COOKIE_S, httponly=True, samesite="strict")
        return response

    def posted(
        take: Callable[[dict[str, object]], dict[str, object] | None],
    ) -> Callable[[Request], Awaitable[Response]]:
        async def answer(request: Request) -> Response:
            body = await _body(request)
            if body is None:
                return _refusal(400, f"this is too long or no object; send a JSON object of at most {MAX_BYTES} bytes")
            try:
                found = await run_in_threadpool(take, body) or {}
                return JSONResponse(found, status_code=409 if "ask" in found else 200)
            except GroundboxError as error:
                return _refusal(400, str(error))

        return answer

    async def past(request: Request) -> Response:
        try:
            return JSONResponse(await run_in_threadpool(host.past, dict(request.query_params)))
        except GroundboxError as error:
            return _refusal(400, str(error))

    async def page(request: Request) -> Response:
        return Response(with_verdict(shell, host.glance()), media_type="text/html")

    shell = _content("index.html").decode()
    routes = [
        Route("/", page),
        Route("/enter", _file("enter.html")),
        Route("/enter", enter, methods=["POST"]),
        Route("/state", state),
        Route("/events", events),
        Route("/past", past),
        Route("/metrics", metrics),
        Route("/mark", posted(host.mark), methods=["POST"]),
        Route("/acknowledge", posted(host.acknowledge), methods=["POST"]),
        Route("/command", posted(host.command), methods=["POST"]),
        Route("/plan", posted(host.plan), methods=["POST"]),
        *(Route(f"/{name}", _file(name)) for name in FILES if not name.endswith(".html")),
    ]
    middleware = [
        Middleware(TrustedHostMiddleware, allowed_hosts=names, www_redirect=False),
        Middleware(BaseHTTPMiddleware, dispatch=guard),
    ]
    return Starlette(routes=routes, middleware=middleware)


def with_verdict(shell: str, glance: Glance) -> str:
    """The page with the verdict in it: a browser without scripts shows it and asks again every 5 s."""
    parts = {"word": glance.word, "figure": glance.figure, "noun": glance.noun, "detail": glance.detail}
    rows = [*parts.items(), *(("action", f"{one.box}: {one.words}.") for one in glance.instructions)]
    shown = "".join(f'<p class="{name}">{escape(words)}</p>' for name, words in rows)
    verdict = f"<noscript>{shown}</noscript>"
    refresh = '<noscript><meta http-equiv="refresh" content="5"></noscript>'
    return shell.replace("<!--verdict-->", verdict).replace("<!--refresh-->", refresh)


def _content(name: str) -> bytes:
    return (resources.files("groundbox.ui.page") / "static" / name).read_bytes()


def _file(name: str) -> Callable[[Request], Awaitable[Response]]:
    content = _content(name)
    kind = TYPES[name[name.rindex(".") :]]

    async def answer(request: Request) -> Response:
        return Response(content, media_type=kind)

    return answer


def _for_role(host: Host, published: str | None, role: str) -> str:
    may, age_s = "true" if role == "mark" else "false", min(host.age_s(), 1e9)
    steps = msgspec.json.encode(host.steps()).decode()
    return f'{{"may_mark":{may},"age_s":{age_s:.1f},"steps":{steps},"published":{published or "null"}}}'


def _is_here(request: Request) -> bool:
    return request.client is not None and request.client.host in HERE


def _role(request: Request, access: Access) -> str | None:
    role = access.role(request.client.host if request.client else "", request.cookies.get(COOKIE))
    if role is None and request.url.path == "/metrics":  # a collector of metrics has no cookies
        kind, _, passphrase = request.headers.get("authorization", "").partition(" ")
        return "look" if kind.lower() == "bearer" and access.enter(passphrase) else None
    return role


def _own_origin(request: Request) -> bool:
    """True when a request comes from this very page."""
    return urlsplit(request.headers.get("origin", "")).netloc == request.headers.get("host")


async def _body(request: Request) -> dict[str, object] | None:
    """The JSON object posted; None for anything else."""
    if request.headers.get("content-type", "").split(";")[0] != "application/json":
        return None
    read = b""
    async for part in request.stream():
        read += part
        if len(read) > MAX_BYTES:
            return None
    try:
        body = json.loads(read)
        json.dumps(body, ensure_ascii=False, allow_nan=False).encode()  # nothing that could not be stored
    except (ValueError, RecursionError):
        return None
    return body if isinstance(body, dict) else None


def _refusal(status: int, why: str) -> JSONResponse:
    return JSONResponse({"error": why}, status_code=status)
