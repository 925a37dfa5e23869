"""The dashboard in a tablet's browser: each page gets a dashboard of its own, a client of the daemon as any other.

Behind a token, on this machine only unless told otherwise. The link holds the
token; the first request trades it for a cookie, so that it stays neither in
the address bar nor in the history. What is sent is not encrypted: for the
shop's own network, not for a public one.
"""

import asyncio
import hmac
import html
import ipaddress
import secrets
import shlex
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import aiohttp_jinja2
import jinja2
import segno
from aiohttp import web
from aiohttp.typedefs import Handler
from textual_serve.server import Server

from acquire.client import Client, ClientError
from acquire.loopback import is_loopback
from acquire.records import Refused

COOKIE = "steadydraw_tablet"
MOST_SCREENS = 4
LARGEST_SCREEN = 400
_AGAIN_S = 3
_PAGE = Path(__file__).parent / "tablet_page"


def no_daemon(bench: str | None) -> str:
    """Why no dashboard could be shown now; empty where the daemon answers."""
    try:
        Client.find(bench)
    except ClientError as error:
        return str(error)
    return ""


class TabletServer(Server):
    """The pages of ``command``, a Textual program, for who comes with the token.

    ``missing`` says why the program could not run now: the page says it and asks again, where it would stay black.
    """

    def __init__(
        self,
        command: str,
        host: str,
        port: int,
        names: tuple[str, ...] = (),
        missing: Callable[[], str] = lambda: "",
    ) -> None:
        super().__init__(command, host, port, title="steadydraw", templates_path=_PAGE)
        self.token = secrets.token_urlsafe(32)
        self._pass = secrets.token_urlsafe(32)
        self._names = {name.lower() for name in (*names, "localhost", socket.gethostname())}
        self._screens = 0
        self._missing = missing

    async def _make_app(self) -> web.Application:
        app = web.Application(middlewares=[self._guard])
        aiohttp_jinja2.setup(app, loader=jinja2.FileSystemLoader(self.templates_path))
        app.add_routes(
            [
                web.get("/", self.handle_index, name="index"),
                web.get("/ws", self.handle_websocket, name="websocket"),
                web.static("/static", self.statics_path, name="static"),
            ]
        )
        return app

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Nothing is served, and no program started, before this has let a request pass."""
        if not self._is_here(request):
            return _no(403, f"This machine is not called {request.host!r} here: use the link as it was printed.")
        if not _is_own_page(request):
            return _no(403, "Pages of other origins get nothing here: use the link as it was printed.")
        given = request.query.get("token", "")
        if request.path == "/" and given:
            if not _same(given, self.token):
                return _no(401, "The link's token is not this server's: use the link that it printed last.")
            answer = web.Response(status=302, headers={"Location": "/"})
            answer.set_cookie(COOKIE, self._pass, httponly=True, samesite="Lax", path="/")
            return _closed_up(answer)
        if not _same(request.cookies.get(COOKIE, ""), self._pass):
            return _no(401, "The token is missing: open the link that 'steadydraw tablet' printed.")
        return _closed_up(await handler(request))

    def _is_here(self, request: web.Request) -> bool:
        """Whether ``Host`` means this machine: a foreign name that was pointed at it does not."""
        try:
            name = urlsplit(f"//{request.host}").hostname or ""
        except ValueError:
            return False
        if name.lower() in self._names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        own = request.transport.get_extra_info("sockname") if request.transport is not None else None
        return address.is_loopback or (own is not None and str(address) == own[0])

    async def handle_index(self, request: web.Request) -> web.Response:
        """The page, with addresses on the host that it was asked for at."""
        missing = await asyncio.to_thread(self._missing)
        if missing:
            return _wait_for(missing)
        size = request.query.get("fontsize", "")
        its = {
            "font_size": min(max(int(size), 8), 64) if size.isdecimal() and len(size) < 4 else 16,
            "app_websocket_url": f"ws://{request.host}/ws",
            "config": {"static": {"url": "/static/"}},
            "application": {"name": self.title},
        }
        return aiohttp_jinja2.render_template("app_index.html", request, its)

    async def handle_websocket(self, request: web.Request) -> Any:
        """One dashboard for as long as its page is open; a few at a time."""
        for name in ("width", "height"):
            text = request.query.get(name, "80")
            if not text.isdecimal() or len(text) > 4 or not 0 < int(text) <= LARGEST_SCREEN:
                return _no(400, f"A screen's {name} is a number up to {LARGEST_SCREEN}.")
        if self._screens >= MOST_SCREENS:
            return _no(503, f"There are {MOST_SCREENS} screens open already: close one of them.")
        self._screens += 1
        try:
            return await super().handle_websocket(request)
        finally:
            self._screens -= 1


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), wanted.encode())


def _is_own_page(request: web.Request) -> bool:
    """Whether a browser says that the request comes from our own page; the page itself may be linked from anywhere."""
    origins = request.headers.getall("Origin", [])
    if any(origin != f"http://{request.host}" for origin in origins) or (request.path == "/ws" and not origins):
        return False
    sites = request.headers.getall("Sec-Fetch-Site", [])
    return request.path == "/" or all(site in ("same-origin", "none") for site in sites)


def _no(status: int, sentence: str) -> web.Response:
    return web.Response(status=status, text=f"{sentence}\n")


def _wait_for(missing: str) -> web.Response:
    """A page that says what is missing, and asks again by itself."""
    page = (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>steadydraw</title>'
        f'<meta name="viewport" content="width=device-width"><meta http-equiv="refresh" content="{_AGAIN_S}">'
        "<style>body { background: #000000; color: #f0f0f0; font: 24px sans-serif; margin: 20vh 2em; }</style></head>"
        f"<body><p>The bench cannot be shown: {html.escape(missing)}.</p>"
        f"<p>This page looks again every {_AGAIN_S} s.</p></body></html>"
    )
    return web.Response(status=503, text=page, content_type="text/html")


def _closed_up(answer: web.StreamResponse) -> web.StreamResponse:
    """No other page frames this one or learns its address; nothing is loaded from elsewhere."""
    if not answer.prepared:
        answer.headers["Content-Security-Policy"] = (
            "default-src 'self'; connect-src 'self' ws:; style-src 'self' 'unsafe-inline'; frame-ancestors 'none'"
        )
        answer.headers["Referrer-Policy"] = "no-referrer"
        answer.headers["X-Content-Type-Options"] = "nosniff"
        answer.headers["Cache-Control"] = "no-store"
    return answer


def dashboard_command(bench: str | None, screen: str) -> str:
    """How a page's dashboard is started."""
    command = [sys.executable, "-m", "acquire", "dashboard", "--screen", screen]
    command += ["--bench", bench] if bench is not None else []
    return subprocess.list2cmdline(command) if sys.platform == "win32" else shlex.join(command)


def run_tablet(
    bench: str | None, host: str, port: int, names: tuple[str, ...], screen: str, say: Callable[[str], None]
) -> int:
    """Serve until it is stopped. Raises ``Refused`` when the address cannot be used."""
    server = TabletServer(dashboard_command(bench, screen), host, port, names, lambda: no_daemon(bench))
    try:
        own = socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except (OSError, OverflowError) as error:
        raise Refused(
            f"port {port} of {host} cannot be used ({error}): choose another with --port or --host"
        ) from error
    with own:
        shown = names[0] if names else socket.gethostname() if host in ("0.0.0.0", "::") else host
        where = f"[{shown}]" if ":" in shown else shown
        link = f"http://{where}:{own.getsockname()[1]}/?token={server.token}"
        say(f"Open on the tablet, or let its camera read the code:\n{link}\n")
        segno.make(link).terminal(compact=True, border=2)
        if not is_loopback(host):
            say("Not encrypted: only in a network of your own. Whoever has the link can work the bench.")
        say("Ctrl+C ends it; the daemon goes on.")
        web.run_app(server._make_app(), sock=own, print=None, access_log=None, shutdown_timeout=2.0)
    return 0
