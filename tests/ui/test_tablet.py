"""The tablet's server, over real HTTP and WebSocket connections, with a real dashboard behind it."""

import asyncio
import shlex
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest
from aiohttp import ClientSession, CookieJar, WSServerHandshakeError, web

from acquire.tablet import COOKIE, MOST_SCREENS, TabletServer, dashboard_command, no_daemon

PLAYED = shlex.join([sys.executable, "-m", "tests.ui.play", "idle"])
TELLS = shlex.join([sys.executable, "-c", "import sys; print('__GANGLION__', flush=True); sys.stdin.buffer.read(5)"])


@dataclass
class Tablet:
    """A running server and a browser that keeps cookies."""

    server: TabletServer
    url: str
    browser: ClientSession

    async def enter(self) -> None:
        async with self.browser.get(f"{self.url}/?token={self.server.token}") as answer:
            assert answer.status == 200

    async def status(self, path: str, **headers: str) -> int:
        async with self.browser.get(f"{self.url}{path}", headers=headers, allow_redirects=False) as answer:
            return answer.status

    def socket_url(self, **query: object) -> str:
        return f"{self.url}/ws?{urlencode(query or {'width': 90, 'height': 24})}"


@asynccontextmanager
async def tablet(
    command: str = TELLS, names: tuple[str, ...] = (), missing: Callable[[], str] = lambda: ""
) -> AsyncIterator[Tablet]:
    server = TabletServer(command, "127.0.0.1", 0, names, missing)
    runner = web.AppRunner(await server._make_app(), access_log=None, shutdown_timeout=0.1)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    port = runner.addresses[0][1]
    try:
        async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as browser:
            yield Tablet(server, f"http://127.0.0.1:{port}", browser)
    finally:
        # every page's program has ended before the server does
        async with asyncio.timeout(20):
            while server._screens or any(its.name.startswith("asyncio-waitpid") for its in threading.enumerate()):
                await asyncio.sleep(0.01)
        await runner.cleanup()


async def test_the_dashboard_is_drawn_in_the_page_and_hears_its_keys() -> None:
    async with tablet(PLAYED) as its:
        await its.enter()
        async with its.browser.ws_connect(its.socket_url(), headers={"Origin": its.url}) as page:

            async def until(words: str) -> None:
                seen = ""
                async with asyncio.timeout(30):
                    while words not in seen:
                        message = await page.receive()
                        assert isinstance(message.data, bytes)
                        seen += message.data.decode("utf-8", "replace")

            await until("VALVE LIFT")
            await page.send_json(["stdin", "?"])
            await until("Keys and signs")
            await page.send_json(["stdin", "\x1b"])
            await until("VALVE LIFT")
            # a finger on the upper of the two rows of keys, as the page tells of it
            await page.send_json(["stdin", "\x1b[<0;3;23M\x1b[<0;3;23m"])
            await until("Head identifier")
            await page.send_json(["stdin", "\x11"])
            async with asyncio.timeout(20):
                while not page.closed:
                    await page.receive()


async def test_the_link_lets_in_once_and_the_cookie_from_then_on() -> None:
    async with tablet() as its:
        assert await its.status("/") == 401
        async with its.browser.get(f"{its.url}/?token={its.server.token}") as answer:
            assert answer.url.query_string == ""
            page = await answer.text()
            assert f'data-session-websocket-url="ws://{answer.url.authority}/ws"' in page
            assert "https://" not in page
            assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]
            cookie = next(it for it in its.browser.cookie_jar if it.key == COOKIE)
            assert cookie["httponly"]
            assert cookie["samesite"] == "Lax"
            assert its.server.token not in cookie.value
        assert await its.status("/") == 200
        assert await its.status("/static/js/textual.js") == 200
        assert await its.status("/?fontsize=24") == 200


@pytest.mark.parametrize(
    "path", ["/", "/?token=", "/?token=guess", "/static/js/textual.js", "/ws", "/static/", "/none"]
)
async def test_without_the_token_nothing_is_served(path: str) -> None:
    async with tablet() as its:
        assert await its.status(path, Origin=its.url) == 401
        async with its.browser.get(f"{its.url}{path}", headers={"Cookie": f"{COOKIE}=guess"}) as answer:
            assert answer.status in (401, 403)
            assert "steadydraw" not in (await answer.text()).replace("steadydraw tablet", "")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8028", "10.9.8.7", "[::2]", "::::"])
async def test_a_foreign_name_that_points_here_gets_nothing(host: str) -> None:
    async with tablet() as its:
        await its.enter()
        assert await its.status("/", Host=host) == 403
        assert await its.status(f"/?token={its.server.token}", Host=host) == 403


async def test_a_name_that_was_given_is_answered() -> None:
    async with tablet(names=("bench.lan",)) as its:
        assert await its.status(f"/?token={its.server.token}", Host="bench.lan") == 302
        assert await its.status("/", Host="localhost") == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", None])
async def test_a_page_of_another_origin_opens_no_dashboard_even_with_the_cookie(origin: str | None) -> None:
    async with tablet() as its:
        await its.enter()
        headers = {} if origin is None else {"Origin": origin}
        with pytest.raises(WSServerHandshakeError) as refused:
            await its.browser.ws_connect(its.socket_url(), headers=headers)
        assert refused.value.status == 403
        assert its.server._screens == 0


async def test_what_a_browser_says_of_the_asking_page_counts() -> None:
    async with tablet() as its:
        await its.enter()
        assert await its.status("/static/js/textual.js", **{"Sec-Fetch-Site": "cross-site"}) == 403
        assert await its.status("/static/js/textual.js", **{"Sec-Fetch-Site": "same-origin"}) == 200
        # a link in a message may lead to the page itself
        assert await its.status("/", **{"Sec-Fetch-Site": "cross-site"}) == 200


async def test_the_number_and_the_size_of_screens_are_bounded() -> None:
    async with tablet() as its:
        await its.enter()
        for width in ("0", "401", "-1", "99999999", "x"):
            assert await its.status(f"/ws?width={width}", Origin=its.url) == 400
        open_pages = [
            await its.browser.ws_connect(its.socket_url(), headers={"Origin": its.url}) for _ in range(MOST_SCREENS)
        ]
        assert await its.status("/ws", Origin=its.url) == 503
        for page in open_pages:
            await page.close()


def test_a_page_s_dashboard_is_a_screen_of_its_own_name() -> None:
    said = shlex.split(dashboard_command("north bench", "tablet"))
    assert said[1:] == ["-m", "acquire", "dashboard", "--screen", "tablet", "--bench", "north bench"]


async def test_a_page_without_a_daemon_says_so_and_asks_again_until_there_is_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEADYDRAW_HOME", str(tmp_path))
    said = [no_daemon(None)]
    assert said == ["no daemon is running: start it first"]
    async with tablet(missing=lambda: said[-1]) as its:
        async with its.browser.get(f"{its.url}/?token={its.server.token}") as answer:
            page = await answer.text()
            assert answer.status == 503
        assert "The bench cannot be shown: no daemon is running: start it first." in page
        assert 'http-equiv="refresh"' in page
        assert "textual" not in page  # no program is started
        said.append("")
        await its.enter()
