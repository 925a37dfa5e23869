"""Who may talk to the daemon: this machine, with the token, in small requests.

Plain ASGI, so that HTTP and WebSocket pass the same door. A page in a browser
on the same machine gets nowhere: it has no token, its ``Origin`` is refused,
and a name that points at the loopback address fails on ``Host``.
"""

import hmac
import ipaddress
from urllib.parse import urlsplit

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from acquire.wire import Refusal, to_json

LARGEST_BODY = 256 * 1024
OPEN_PATHS = ("/v1/health",)


def refusal(status: int, sentence: str) -> Response:
    """A refusal as every client gets it."""
    return Response(to_json(Refusal(sentence=sentence)), status, media_type="application/json")


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Guard:
    """ASGI middleware in front of everything."""

    def __init__(self, app: ASGIApp, token: str) -> None:
        self._app = app
        self._token = token.encode()

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
        size = 0
        given_up = False

        async def bounded_receive() -> Message:
            nonlocal size, given_up
            message = await receive()
            size += len(message.get("body", b""))
            if size > LARGEST_BODY and not given_up:
                given_up = True
                await _too_large()(scope, receive, send)
            return {"type": "http.disconnect"} if given_up else message

        async def sole_send(message: Message) -> None:
            if not given_up:
                await send(message)

        await self._app(scope, bounded_receive, sole_send)

    def _judge(self, scope: Scope) -> Response | None:
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        hosts = headers.get(b"host", [])
        host = hosts[0].decode("latin-1") if len(hosts) == 1 else ""
        if not is_loopback(_host_name(host)):
            return refusal(403, f"the daemon answers to this machine only, not to the host {host!r}: use its address")
        for origin in headers.get(b"origin", []):
            if origin.decode("latin-1") != f"http://{host}":
                return refusal(403, "the daemon does not answer to pages of other origins: use a steadydraw client")
        if scope["path"] not in OPEN_PATHS:
            given = headers.get(b"authorization", [b""])[-1].removeprefix(b"Bearer ")
            if not given:
                return refusal(401, "the token is missing: send the one in the daemon's address file")
            if not hmac.compare_digest(given, self._token):
                return refusal(401, "the token is not this daemon's: read its address file again")
        length = headers.get(b"content-length", [b"0"])[0]
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return _too_large()
        return None


def _host_name(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _too_large() -> Response:
    return refusal(413, f"the request is larger than {LARGEST_BODY // 1024} KiB: send less")
