"""Who may talk to the daemon: this machine, with the token, in small requests, not too many of them.

Plain ASGI, so that HTTP and WebSocket pass the same door. A page in a browser
on the same machine gets nowhere: it has no token, its ``Origin`` is refused
(and what the browser says of a request without one, ``Sec-Fetch-Site``), and
a name that points at the loopback address fails on ``Host``.
"""

import asyncio
import hmac
import math
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from acquire.loopback import is_loopback
from acquire.service.limits import BODY_S, LARGEST_BODY, LARGEST_HEADERS, Rates
from acquire.wire import Refusal, to_json

OPEN_PATHS = ("/v1/health",)


def refusal(status: int, sentence: str) -> Response:
    """A refusal as every client gets it."""
    headers = {401: {"WWW-Authenticate": "Bearer"}, 503: {"Retry-After": "1"}}.get(status)
    return Response(to_json(Refusal(sentence=sentence)), status, headers, media_type="application/json")


class Guard:
    """ASGI middleware in front of everything. ``names``: what this machine may be called besides loopback."""

    def __init__(self, app: ASGIApp, token: str, names: Collection[str] = ()) -> None:
        self._app = app
        self._token = token.encode()
        self._names = {name.lower() for name in names}
        self._rates = Rates()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refused = self._judge(scope)
        if refused is not None:
            await refused(scope, receive, send)
            return
        if scope["type"] == "websocket":
            await self._app(scope, receive, send)
            return
        await self._bounded(scope, receive, send)

    async def _bounded(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a request whose body is neither too large nor too slow."""
        size = 0
        given_up = more = False
        due_s = asyncio.get_running_loop().time() + BODY_S

        async def bounded_receive() -> Message:
            nonlocal size, given_up, more
            try:
                async with asyncio.timeout_at(due_s if more else None):
                    message = await receive()
            except TimeoutError:
                given_up = True
                sentence = f"the request did not arrive within {BODY_S:.0f} s: send it again"
                await refusal(408, sentence)(scope, receive, send)
                return {"type": "http.disconnect"}
            size += len(message.get("body", b""))
            more = message.get("more_body", False)
            if size > LARGEST_BODY and not given_up:
                given_up = True
                await _too_large()(scope, receive, send)
            return {"type": "http.disconnect"} if given_up else message

        async def sole_send(message: Message) -> None:
            if not given_up:
                await send(message)

        more = True
        await self._app(scope, bounded_receive, sole_send)

    def _judge(self, scope: Scope) -> Response | None:
        headers: dict[bytes, list[bytes]] = {}
        size = len(scope["raw_path"]) + len(scope["query_string"])
        for name, value in scope["headers"]:
            size += len(name) + len(value)
            headers.setdefault(name.lower(), []).append(value)
        if size > LARGEST_HEADERS:
            return refusal(431, f"the headers are larger than {LARGEST_HEADERS // 1024} KiB: send less")
        return (
            self._judge_sender(headers)
            or self._judge_token(scope, headers)
            or self._judge_rate(scope, headers)
            or _judge_length(headers)
        )

    def _judge_sender(self, headers: dict[bytes, list[bytes]]) -> Response | None:
        hosts = headers.get(b"host", [])
        host = hosts[0].decode("latin-1") if len(hosts) == 1 else ""
        name = _host_name(host)
        if not is_loopback(name) and name not in self._names:
            return refusal(403, f"the daemon answers to this machine only, not to the host {host!r}: use its address")
        foreign = any(origin.decode("latin-1") != f"http://{host}" for origin in headers.get(b"origin", []))
        fetched = any(site not in (b"same-origin", b"none") for site in headers.get(b"sec-fetch-site", []))
        if foreign or fetched:
            return refusal(403, "the daemon does not answer to pages of other origins: use a steadydraw client")
        return None

    def _judge_token(self, scope: Scope, headers: dict[bytes, list[bytes]]) -> Response | None:
        if scope["path"] in OPEN_PATHS:
            return None
        scheme, _, given = headers.get(b"authorization", [b""])[-1].partition(b" ")
        if scheme.lower() != b"bearer" or not given:
            return refusal(401, "the token is missing: send the one in the daemon's address file")
        if not hmac.compare_digest(given, self._token):
            return refusal(401, "the token is not this daemon's: read its address file again")
        return None

    def _judge_rate(self, scope: Scope, headers: dict[bytes, list[bytes]]) -> Response | None:
        screen = headers.get(b"x-screen", [b""])[-1].decode("latin-1")
        peer = scope["client"][0] if scope["client"] else ""
        wait_s = self._rates.wait_s(f"{peer} {screen}", asyncio.get_running_loop().time())
        if wait_s == 0.0:
            return None
        answer = refusal(429, "there are too many requests: ask less often, and follow /v1/live for what changes")
        answer.headers["Retry-After"] = str(math.ceil(wait_s))
        return answer


def _judge_length(headers: dict[bytes, list[bytes]]) -> Response | None:
    length = headers.get(b"content-length", [b"0"])[0]
    return _too_large() if not length.isdigit() or int(length) > LARGEST_BODY else None


def _host_name(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _too_large() -> Response:
    return refusal(413, f"the request is larger than {LARGEST_BODY // 1024} KiB: send less")
