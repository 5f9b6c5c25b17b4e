"""Who may do what on the page, and what it refuses; over real HTTP on this computer."""

import json
import stat
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from groundbox.ui.answer import answer
from tests.host.ui.test_lines import READING, VIEW, WALL_S

from groundbox.errors import BadInput, LinkError
from groundbox.model import Answer
from groundbox.settings import Settings
from groundbox.store.handover import waiting
from groundbox.ui.page.access import Access, kept_passphrases
from groundbox.ui.page.app import application
from groundbox.ui.page.serve import Page, qr_lines
from groundbox.ui.page.state import box_state

STATE = {"wall_s": WALL_S, "boxes": [box_state(VIEW, answer(VIEW))]}


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    with Page(Settings(database=str(tmp_path / "day.db")), lambda: WALL_S, port=0) as found:
        found.publish(STATE, {"mast"}, {})
        yield found


def _ask(page: Page, path: str, body: object = None, **headers: str) -> tuple[int, bytes]:
    url = page.url.rstrip("/") + path
    data = None if body is None else json.dumps(body).encode()
    sent = {"Origin": page.url.rstrip("/"), "Content-Type": "application/json"} if data else {}
    request = urllib.request.Request(url, data, {**sent, **headers})
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read()


def test_everything_comes_from_here_and_nothing_is_kept(page: Page) -> None:
    with urllib.request.urlopen(page.url, timeout=10) as answer:
        text = answer.read().decode()
        assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store"
    assert "http:" not in text
    assert "https:" not in text
    assert json.loads(_ask(page, "/state")[1]) == json.loads(json.dumps({"may_mark": True, "state": STATE}))


def test_a_mark_is_left_for_the_store(page: Page, tmp_path: Path) -> None:
    assert _ask(page, "/mark", {"kind": "charge", "box": "mast"})[0] == 200
    assert _ask(page, "/acknowledge", {"box": "mast", "warning": "fan_stalled"})[0] == 200
    left = [one.request for one in waiting(tmp_path / "day.db")]
    assert {type(one).__name__ for one in left} == {"Mark", "Acknowledge"}
    assert {one.wall_s for one in left} == {WALL_S}


@pytest.mark.parametrize(
    ("path", "body", "headers", "status"),
    [
        ("/mark", {"kind": "charge", "box": "mast"}, {"Origin": "http://elsewhere.example"}, 403),
        ("/mark", {"kind": "charge", "box": "mast"}, {"Origin": ""}, 403),
        ("/mark", {"kind": "charge", "box": "mast"}, {"Content-Type": "text/plain"}, 400),
        ("/mark", {"kind": "charge", "box": "shed"}, {}, 400),
        ("/mark", {"kind": "explode", "box": "mast"}, {}, 400),
        ("/mark", {"kind": "swap", "box": "mast", "name": "nobody"}, {}, 400),
        ("/mark", {"kind": "charge", "box": "mast", "more": "x" * 9000}, {}, 400),
        ("/mark", ["charge"], {}, 400),
        ("/state", None, {"Host": "elsewhere.example"}, 400),
        ("/past?since_s=nan", None, {}, 400),
        ("/../page.js", None, {}, 404),
    ],
)
def test_what_is_not_ours_is_refused_and_leaves_nothing(
    page: Page, tmp_path: Path, path: str, body: object, headers: dict[str, str], status: int
) -> None:
    code, words = _ask(page, path, body, **headers)
    assert code == status
    assert b"Traceback" not in words
    assert waiting(tmp_path / "day.db") == []


class Board:
    """Answers commands as told."""

    def __init__(self, result: str = "ok") -> None:
        self.result, self.sent = result, []

    def send(self, box: str, name: str, **fields: object) -> list[Future[Answer]]:
        self.sent.append((box, name, fields))
        deaf: Future[Answer] = Future()
        deaf.set_exception(LinkError("no board of that name on a serial port"))
        told: Future[Answer] = Future()
        answered = Answer(box=box, boot=1, sequence=1, command=1, result=self.result, setting="output2", value="off")
        told.set_result(replace(answered, reason="output2_is_not_fitted" if self.result != "ok" else None))
        return [deaf, told] if self.result != "deaf" else [deaf]


def test_a_sheddable_output_is_switched_and_a_buzzer_quieted(page: Page) -> None:
    board = Board()
    page.send = board.send
    page.publish(STATE, {"mast"}, {}, {"mast": [2]})
    off = {"command": "switch", "box": "mast", "output": 2, "want": "off"}
    assert _ask(page, "/command", off) == (200, b'{"told":"mast: output2 off"}')
    assert _ask(page, "/command", {"command": "silence", "box": "mast"})[0] == 200
    assert board.sent == [("mast", "switch", {"output": 2, "want": "off"}), ("mast", "silence", {})]
    for wrong in ({"output": 1}, {"want": "dim"}, {"box": "shed"}, {"command": "maintenance"}, {"output": [2]}):
        assert _ask(page, "/command", off | wrong)[0] == 400
    assert len(board.sent) == 2


def test_what_a_board_refuses_or_does_not_answer_is_told(page: Page) -> None:
    page.publish(STATE, {"mast"}, {}, {"mast": [2]})
    off = {"command": "switch", "box": "mast", "output": 2, "want": "off"}
    assert b"nothing here speaks to boards" in _ask(page, "/command", off)[1]
    page.send = Board("refused").send
    assert b"output2 is not fitted" in _ask(page, "/command", off)[1]
    page.send = Board("deaf").send
    assert b"no board of that name" in _ask(page, "/command", off)[1]


def test_a_box_is_told_with_its_own_limits_and_what_may_be_switched() -> None:
    reading = replace(READING, outputs={1: "on", 2: "shed"})
    limits = {"case_stop_centi_c": 5800, "output1_kind": 1, "output2_kind": 2}
    told = box_state(replace(VIEW, reading=reading, limits=limits), answer(VIEW))
    assert told["case_levels_c"] == (45.0, 55.0, 58.0)
    assert told["outputs"] == [{"output": 2, "on": False, "state": "shed", "loads": []}]
    untold = box_state(replace(VIEW, reading=reading), answer(VIEW))
    assert (untold["limits_told"], untold["outputs"]) == (False, [])


def test_every_viewer_gets_every_state_and_a_stalled_one_disturbs_none(page: Page) -> None:
    streams = [urllib.request.urlopen(page.url + "events", timeout=10) for _ in range(3)]  # the first is never read
    deadline = time.monotonic() + 10
    for number in range(1, 4):
        page.publish({**STATE, "number": number}, {"mast"}, {})
        for stream in streams[1:]:
            while f'"number":{number}' not in stream.readline().decode():
                assert time.monotonic() < deadline
    for stream in streams:
        stream.close()


def test_a_number_json_cannot_tell_stops_nothing(page: Page) -> None:
    page.publish({"boxes": [{"runtime_s": (1.0, float("inf"), float("nan"))}]}, {"mast"}, {})
    assert json.loads(_ask(page, "/state")[1])["state"] == {"boxes": [{"runtime_s": [1.0, None, None]}]}


def test_a_taken_port_is_named(page: Page) -> None:
    with pytest.raises(BadInput, match="--page-port"):
        Page(Settings(database="x.db"), time.time, port=urlsplit(page.url).port or 0)


def test_strangers_need_a_passphrase_and_lookers_may_not_mark() -> None:
    access = Access({"mark": "heather", "look": "sedge"})
    assert access.role("127.0.0.1", None) == "mark"
    assert access.role("192.168.1.7", None) is None
    assert access.enter("bracken") is None
    for role, word in access.passphrases.items():
        assert access.role("192.168.1.7", access.enter(word)) == role
    assert Access({"mark": "other", "look": "else"}).role("192.168.1.7", access.enter("sedge")) is None


def _served(role_cookie: str | None, method: str, path: str) -> int:
    """The status that a viewer from the network gets, straight from the application."""
    import asyncio

    access = Access({"mark": "heather", "look": "sedge"})
    cookie = access.enter(role_cookie) if role_cookie else None

    class Nobody:
        def newest(self) -> str:
            return "{}"

        def mark(self, body: dict[str, object]) -> None:
            return None

        acknowledge = past = plan = command = mark

        async def wait(self, seen: str | None) -> None:
            return None

    headers = [(b"host", b"box.local"), (b"origin", b"http://box.local"), (b"content-type", b"application/json")]
    if cookie:
        headers.append((b"cookie", f"groundbox_page={cookie}".encode()))
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "headers": headers,
        "client": ("192.168.1.7", 5),
        "server": ("box.local", 80),
        "scheme": "http",
        "http_version": "1.1",
        "root_path": "",
    }
    sent: list[dict[str, object]] = []
    waits = [{"type": "http.request", "body": b"{}", "more_body": False}]

    async def receive() -> dict[str, object]:
        if waits:
            return waits.pop()
        await asyncio.sleep(60)
        return {"type": "http.disconnect"}

    async def send(message: dict[str, object]) -> None:
        sent.append(message)

    asyncio.run(application(Nobody(), access, ["box.local"])(scope, receive, send))  # type: ignore[arg-type]
    return int(str(sent[0]["status"]))


@pytest.mark.parametrize(
    ("word", "method", "path", "status"),
    [
        (None, "GET", "/", 303),
        (None, "GET", "/enter", 200),
        (None, "GET", "/state", 401),
        (None, "GET", "/events", 401),
        (None, "POST", "/mark", 401),
        ("sedge", "GET", "/state", 200),
        ("sedge", "POST", "/mark", 403),
        ("sedge", "POST", "/acknowledge", 403),
        ("sedge", "POST", "/command", 403),
        (None, "POST", "/command", 401),
        ("heather", "POST", "/mark", 200),
    ],
)
def test_roles_on_the_network(word: str | None, method: str, path: str, status: int) -> None:
    assert _served(word, method, path) == status


def test_passphrases_are_kept_for_this_user_only(tmp_path: Path) -> None:
    path = tmp_path / "day.db.page"
    made = kept_passphrases(path)
    assert made == kept_passphrases(path)
    assert len(set(made.values())) == 2
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.write_text("{}")
    with pytest.raises(BadInput, match="delete it"):
        kept_passphrases(path)


def test_the_qr_code_is_square_in_a_terminal() -> None:
    rows = qr_lines("http://192.168.1.7:28470/enter#abcdefghkmnp")
    assert len({len(row) for row in rows}) == 1
    assert abs(len(rows) * 2 - len(rows[0])) <= 1
