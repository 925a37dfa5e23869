"""A page in a browser on this machine can neither read nor command the daemon.

First what a browser would send (Fetch Standard, RFC 6454, RFC 6455 section
10.2, Private Network Access draft), then a real page in a real browser.
"""

import http.server
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from acquire.service import Service
from tests.service.bench import FakeEngine
from tests.service.conftest import Shared
from tests.service.test_guard import UPGRADE, ask, token

BODY = b'{"kind":"take"}'
EVIL = {"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site"}
# the names of one program on several systems
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@pytest.fixture
def service(shared: Shared) -> Service:
    return shared.service


@pytest.fixture
def engine(shared: Shared) -> FakeEngine:
    shared.engine.done.clear()
    return shared.engine


@pytest.mark.parametrize(
    ("what", "method", "path", "headers"),
    [
        ("simple POST", "POST", "/v1/actions", EVIL | {"Content-Type": "text/plain"}),
        ("form", "POST", "/v1/actions", EVIL | {"Content-Type": "application/x-www-form-urlencoded"}),
        ("upload form", "POST", "/v1/actions", EVIL | {"Content-Type": "multipart/form-data; boundary=x"}),
        (
            "no-cors GET without Origin",
            "GET",
            "/v1/frame",
            {"Sec-Fetch-Site": "cross-site"},
        ),
        ("another port of this machine", "GET", "/v1/health", {"Sec-Fetch-Site": "same-site"}),
        ("image of what needs no token", "GET", "/v1/health", {"Sec-Fetch-Site": "cross-site"}),
        ("preflight", "OPTIONS", "/v1/actions", EVIL | {"Access-Control-Request-Method": "POST"}),
        (
            "preflight to a private network",
            "OPTIONS",
            "/v1/actions",
            EVIL | {"Access-Control-Request-Method": "POST", "Access-Control-Request-Private-Network": "true"},
        ),
        ("sandboxed frame or file", "POST", "/v1/actions", {"Origin": "null"}),
        ("WebSocket", "GET", "/v1/live", EVIL | UPGRADE),
        ("name that was pointed here", "GET", "/v1/frame", {"Host": "evil.example"}),
        (
            "WebSocket to such a name",
            "GET",
            "/v1/live",
            {"Host": "evil.example"} | EVIL | UPGRADE,
        ),
    ],
)
@pytest.mark.parametrize("knows_the_token", [False, True])
def test_what_a_hostile_page_can_make_a_browser_send_is_refused(
    service: Service,
    engine: FakeEngine,
    knows_the_token: bool,
    what: str,
    method: str,
    path: str,
    headers: dict[str, str],
) -> None:
    known = token(service) if knows_the_token else {}
    status, sentence = ask(service, method, path, headers | known, BODY if method == "POST" else None)
    assert status == 403, what
    assert "other origins" in sentence or "this machine only" in sentence
    assert engine.done == []


PAGE = """<!doctype html><title>evil</title><pre id=out></pre><img src="/until-done"><script>
const base = "%s", host = "%s", out = [];
async function read(name, path, options) {
  try {
    const answer = await fetch(base + path, options);
    const text = answer.type === "opaque" ? "" : await answer.text();
    out.push(name + ": " + (text ? "READ" : "nothing to read"));
  } catch (error) { out.push(name + ": blocked"); }
}
function live() {
  return new Promise((done) => {
    const socket = new WebSocket("ws://" + host + "/v1/live");
    socket.onopen = () => { out.push("live: OPEN"); done(); };
    socket.onerror = () => { out.push("live: blocked"); done(); };
  });
}
(async () => {
  await read("health", "/v1/health", {});
  await read("frame", "/v1/frame", {headers: {Authorization: "Bearer %s"}});
  await read("text", "/v1/actions", {method: "POST", body: '{"kind":"take"}'});
  await read("opaque", "/v1/actions", {method: "POST", mode: "no-cors", body: '{"kind":"take"}'});
  await read("json", "/v1/actions", {method: "POST", headers: {"Content-Type": "application/json"}, body: "{}"});
  await read("template", "/v1/templates?name=a", {method: "DELETE"});
  await live();
  document.getElementById("out").textContent = out.join("\\n") + "\\nend";
  const form = document.createElement("form");
  form.method = "POST"; form.action = base + "/v1/actions"; form.target = "hidden"; form.enctype = "text/plain";
  form.innerHTML = '<input name=\\'{"kind":"take","by":"\\' value=\\'"}\\'>';
  document.body.append(Object.assign(document.createElement("iframe"), {name: "hidden"}), form);
  form.submit();
  await fetch("/done");
})();
</script>"""


@pytest.fixture
def page(service: Service) -> Iterator[str]:
    """The address of the hostile page; it even knows the token."""
    text = PAGE % (service.url, urlsplit(service.url).netloc, service.token)

    finished = threading.Event()

    class Evil(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if self.path == "/done":
                finished.set()
            elif self.path == "/until-done":  # what the browser still waits for, so that it does not stop too early
                finished.wait(60)
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(text.encode())

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Evil)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://localhost:{server.server_address[1]}/"
    finished.set()
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium here: install it to see a real page try")
def test_a_real_page_in_a_real_browser_gets_nowhere(
    service: Service, engine: FakeEngine, page: str, tmp_path: Path
) -> None:
    command = [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    command += [f"--user-data-dir={tmp_path}", "--dump-dom", "--virtual-time-budget=5000", page]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90)
    said = done.stdout.partition('<pre id="out">')[2].partition("</pre>")[0].split("\n")
    assert said == [  # the last line says that it tried everything
        "health: blocked",
        "frame: blocked",
        "text: blocked",
        "opaque: nothing to read",
        "json: blocked",
        "template: blocked",
        "live: blocked",
        "end",
    ]
    assert engine.done == []
