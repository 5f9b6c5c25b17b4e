"""Hostile requests to the page, and viewers who never read: it answers the others, and stores nothing false."""

import http.client
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from msgspec import structs
from tests.benchmarks import faults
from tests.field.hostile import reading
from tests.host.ui.samples import READY

from groundbox.conversion import from_wire
from groundbox.link.clock import Moment
from groundbox.model import Acknowledge, Reading
from groundbox.settings import Settings
from groundbox.store import Store
from groundbox.store.handover import waiting
from groundbox.ui.page import connections
from groundbox.ui.page.app import Access
from groundbox.ui.page.serve import Page, PageOutput

WALL_S = 1_800_000_000.0
ADVICE = structs.replace(READY, sentence="x" * 20_000)
POSTS = ("/mark", "/acknowledge", "/plan", "/enter")
BODIES = {
    "1 MB": b"x" * 1_000_000,
    "1 MB of JSON": b'{"box": "' + b"y" * 1_000_000 + b'"}',
    "nothing": b"",
    "not JSON": b"{",
    "not UTF-8": b'{"box": "\xff"}',
    "deep nesting": b"[" * 4000,
    "deep objects": b'{"a":' * 600 + b"1" + b"}" * 600,
    "a list": b"[]",
    "NaN": b'{"box": NaN, "kind": NaN, "warning": NaN, "passphrase": NaN}',
    "infinity": b'{"box": 1e999, "kind": -1e999}',
    "a huge number": b'{"box": ' + b"9" * 4000 + b"}",
    "wrong types": b'{"box": ["mast"], "kind": {"a": 1}, "name": [1], "warning": {}, "passphrase": []}',
    "true for text": b'{"box": true, "kind": true, "warning": true}',
    "NUL": b'{"box": "mast\\u0000", "kind": "launch\\u0000", "passphrase": "\\u0000"}',
    "half a surrogate": b'{"box": "\\ud800", "kind": "\\ud800", "warning": "\\ud800", "passphrase": "\\ud800"}',
    "a path": b'{"box": "../../etc/passwd", "kind": "swap", "name": "../x"}',
    "an unknown battery": b'{"box": "mast", "kind": "swap", "name": "; drop table readings"}',
    "a long name": b'{"box": "mast", "kind": "swap", "name": "' + b"n" * 3000 + b'"}',
}
QUERIES = (
    "box=mast&since_s=nan&until_s=nan",
    "box=mast&since_s=-1e999&until_s=1e999",
    "box=mast&since_s=1e300&until_s=1e308",
    "box=mast&since_s=x&until_s=0",
    "box=mast&since_s=5&until_s=1",
    "box=%00&since_s=0&until_s=1",
    "box=%ff%fe",
    "box=" + "m" * 5000,
    "since_s=0",
    "box=mast&box=table",
    "a=b",
)
RAW = (
    b"GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n",
    b"GET / HTTP/1.1\r\n\r\n",
    b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"y" * 200_000 + b"\r\n\r\n",
    b"GET /../../etc/passwd HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /%2e%2e/%2e%2e/etc/passwd HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"GET /page.js%00.html HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"BREW / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    b"\0\0\0\0\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    b"POST /mark HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -5\r\n\r\n",
    b"POST /mark HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999999999999999\r\n\r\nx",
    b"POST /mark HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
)


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    rows = [
        from_wire(Reading, reading("mast", 1, n), wall_s=WALL_S - 300 + n, wall_source="arrival") for n in range(99)
    ]
    with Store(tmp_path / "day.db") as store:
        store.add(rows)
        store.commit()
    with Page(Settings(database=str(tmp_path / "day.db")), lambda: WALL_S, port=0) as found:
        found.publish(ADVICE)
        yield found


def _port(page: Page) -> int:
    return int(page.url.rstrip("/").rsplit(":", 1)[1])


def _ask(page: Page, method: str, path: str, body: bytes | None = None, timeout_s: float = 20) -> int:
    connection = http.client.HTTPConnection("127.0.0.1", _port(page), timeout=timeout_s)
    headers = {"Origin": page.url.rstrip("/"), "Content-Type": "application/json"}
    try:
        connection.request(method, path, body, headers if body is not None else {})
        answer = connection.getresponse()
        assert b"Traceback" not in answer.read()
        return answer.status
    except (ConnectionError, http.client.HTTPException):
        return 0  # cut off: a long body is not read to its end
    finally:
        connection.close()


@pytest.mark.parametrize("path", POSTS)
def test_no_body_does_damage(page: Page, tmp_path: Path, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("groundbox.ui.page.app.GUESS_WAIT_S", 0.0)
    for name, body in BODIES.items():
        status = _ask(page, "POST", path, body)
        assert status < 500, (name, status)
        assert path in ("/plan", "/acknowledge") or not 200 <= status < 300, (name, status)
    left = waiting(tmp_path / "day.db")  # all warnings of a box that is there may be acknowledged
    assert all(isinstance(one.request, Acknowledge) and one.request.box == "mast" for one in left)
    assert path == "/acknowledge" or not left
    assert _ask(page, "GET", "/state") == 200


def test_no_query_does_damage(page: Page) -> None:
    for query in QUERIES:
        assert _ask(page, "GET", f"/past?{query}") < 500, query
    for raw in RAW:
        with socket.create_connection(("127.0.0.1", _port(page)), timeout=20) as line:
            line.sendall(raw)
            line.shutdown(socket.SHUT_WR)
            try:
                head = line.recv(100)
            except ConnectionError:
                continue
            status = head.split(b" ")[1] if head else b"cut"
            assert status[:1] in (b"3", b"4", b"c"), (raw[:60], head)
    assert _ask(page, "GET", "/state") == 200


def _stalled(page: Page, viewers: int, states: int) -> tuple[int, float]:
    """How many a healthy viewer got, and the longest wait for one, beside viewers that never read."""
    stalled = []
    for _ in range(viewers):
        line = socket.create_connection(("127.0.0.1", _port(page)), timeout=20)
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        line.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        stalled.append(line)
    slow = socket.create_connection(("127.0.0.1", _port(page)), timeout=20)
    slow.sendall(b"GET / HTTP/1.1\r\nHost: 127")  # and never the rest
    waits: list[float] = []
    published_s = [0.0]

    def look(healthy: http.client.HTTPResponse) -> None:
        while len(waits) < states:
            if b'"headline":"number' in healthy.readline():
                waits.append(time.monotonic() - published_s[0])

    connection = http.client.HTTPConnection("127.0.0.1", _port(page), timeout=20)
    connection.request("GET", "/events")
    thread = threading.Thread(target=look, args=(connection.getresponse(),), daemon=True)
    thread.start()
    for number in range(states):
        published_s[0] = time.monotonic()
        page.publish(structs.replace(ADVICE, headline=f"number {number}"))
        end_s = time.monotonic() + 20
        while len(waits) <= number and time.monotonic() < end_s:
            time.sleep(0.005)
    for line in (*stalled, slow):
        line.close()
    connection.close()
    return len(waits), max(waits)


def test_fifty_viewers_who_never_read_disturb_no_other(page: Page) -> None:
    assert _stalled(page, 50, 20)[0] == 20


@pytest.mark.endurance
def test_fifty_viewers_who_never_read_in_full(page: Page) -> None:
    got, wait_s = _stalled(page, 50, 600)
    row = ("50 page viewers who never read, and one who does", 600, got, 600 - got, 0, f"longest wait {wait_s:.2f} s")
    faults.keep(faults.HOSTILE, [row])
    assert got == 600


def _idle(page: Page, count: int, text: bytes = b"") -> list[socket.socket]:
    lines = [socket.create_connection(("127.0.0.1", _port(page)), timeout=20) for _ in range(count)]
    for line in lines:
        with suppress(ConnectionError):
            line.sendall(text)
    return lines


def _open(lines: list[socket.socket]) -> int:
    """How many of these connections the page keeps open."""
    found = 0
    for line in lines:
        line.setblocking(False)
        try:
            found += line.recv(4096) != b""
        except BlockingIOError:
            found += 1
        except ConnectionError:
            pass
    return found


def test_idle_connections_keep_nobody_out(page: Page) -> None:
    """400 from one address: few stay open, a person's request is answered, and a viewer who reads is not cut off."""
    viewer = http.client.HTTPConnection("127.0.0.1", _port(page), timeout=20)
    viewer.request("GET", "/events")
    stream = viewer.getresponse()
    lines = _idle(page, 400)
    began_s = time.monotonic()
    assert _ask(page, "GET", "/state") == 200
    assert time.monotonic() - began_s < 2
    assert _open(lines) <= connections.EACH
    page.publish(structs.replace(ADVICE, headline="still here"))
    while b"still here" not in stream.readline():
        pass
    viewer.close()
    for line in lines:
        line.close()


def test_a_request_that_never_ends_is_given_up(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "REQUEST_S", 0.5)
    head = b"POST /mark HTTP/1.1\r\nHost: 127.0.0.1\r\n"
    origin = f"Origin: {page.url.rstrip('/')}\r\nContent-Type: application/json\r\n".encode()
    lines = _idle(page, 3) + _idle(page, 3, head) + _idle(page, 3, head + origin + b"Content-Length: 9\r\n\r\n{")
    whole = b"GET /state HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    once = _idle(page, 1, whole)
    time.sleep(0.3)
    once[0].recv(100_000)
    once[0].sendall(head)  # a second request on the same connection
    end_s = time.monotonic() + 5
    while _open([*lines, *once]) and time.monotonic() < end_s:
        once[0].setblocking(True)
        with suppress(ConnectionError):
            once[0].sendall(b"X-A: b\r\n")
        time.sleep(0.1)
    assert _open([*lines, *once]) == 0
    for line in (*lines, *once):
        line.close()


def test_guesses_are_counted_for_all_connections_together() -> None:
    now_s = [0.0]
    access = Access({"mark": "heather", "look": "sedge"}, lambda: now_s[0])
    for second in range(600):  # 50 guesses a second for ten minutes
        now_s[0] = float(second)
        for _ in range(50):
            assert access.enter("wrong") is None
    assert access.evaluated <= 610
    assert access.refuses()
    assert access.enter("heather") is None, "not tried now"
    assert access.role("192.168.1.7", access._token("look")) == "look", "who has entered stays"
    now_s[0] += 11
    assert not access.refuses()
    assert access.enter("heather") is not None


def test_a_fault_of_the_page_is_reported_once(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(asked: dict[str, str]) -> dict[str, object]:
        raise RuntimeError("a fault planted here")

    monkeypatch.setattr(page, "past", broken)
    for _ in range(20):
        assert _ask(page, "GET", "/past?box=mast") == 500
    said: list[str] = []
    output = PageOutput(page, lambda wall_s, text: said.append(text))
    output.show(ADVICE, Moment(wall_s=WALL_S, monotonic_s=0.0, real_s=0.0))
    assert len(said) == 1
    assert "a fault planted here" in said[0]


def test_metrics_ask_for_the_passphrase_on_a_network(tmp_path: Path) -> None:
    from groundbox.ui.page.app import Access, _role

    class Request:
        def __init__(self, path: str, authorization: str) -> None:
            self.url = type("Url", (), {"path": path})
            self.client = type("Client", (), {"host": "192.168.1.7"})
            self.cookies: dict[str, str] = {}
            self.headers = {"authorization": authorization}

    access = Access({"mark": "heather", "look": "sedge"})
    asked = [
        ("/metrics", "Bearer sedge", "look"),
        ("/metrics", "bearer heather", "look"),
        ("/metrics", "Bearer wrong", None),
        ("/metrics", "Basic sedge", None),
        ("/metrics", "", None),
        ("/state", "Bearer sedge", None),
    ]
    for path, authorization, role in asked:
        assert _role(Request(path, authorization), access) == role, (path, authorization)  # type: ignore[arg-type]


def test_metrics_are_served(page: Page) -> None:
    assert _ask(page, "GET", "/metrics") == 200
    assert _ask(page, "POST", "/metrics", b"{}") == 405
