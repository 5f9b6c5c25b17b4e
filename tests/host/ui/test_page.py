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

import msgspec
import pytest
from msgspec import structs
from tests.host.ui.samples import IN_FLIGHT, MAST, READY, STALLED, WALL_S, judged

from groundbox.advice.result import NO_GLANCE, Cue, Glance, SessionAdvice
from groundbox.errors import BadInput, LinkError
from groundbox.link.clock import Moment
from groundbox.model import Acknowledge, Answer, Event, Mark
from groundbox.settings import BatterySettings, BoxSettings, Settings
from groundbox.store import Reader, Store
from groundbox.store.handover import waiting
from groundbox.ui.page.app import Access, application, kept_passphrases
from groundbox.ui.page.past import happened, limits_of
from groundbox.ui.page.serve import Page, PageOutput, Published, qr_lines

DAMAGED = judged(replace(MAST, runtime_low_s=None, trust=None, runtime_unknown_because="no profile"))


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    path = tmp_path / "day.db"
    Store(path).close()
    batteries = {name: BatterySettings(profile=f"{name}.toml") for name in ("M9", "T18")}
    boxes = {name: BoxSettings(cutoff_volts=11.0) for name in ("mast", "table")}
    settings = Settings(database=str(path), batteries=batteries, boxes=boxes)
    with Page(settings, lambda: WALL_S, port=0) as found:
        found.publish(READY)
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


@pytest.mark.parametrize("advice", [READY, IN_FLIGHT, STALLED, DAMAGED])
def test_the_page_gets_the_advice_as_it_is(page: Page, advice: SessionAdvice) -> None:
    page.publish(advice)
    found = json.loads(_ask(page, "/state")[1])
    assert found["may_mark"]
    assert found["age_s"] < 5.0
    assert found["published"]["advice"] == json.loads(msgspec.json.encode(advice))
    assert found["published"]["batteries"] == ["M9", "T18"]


def test_the_age_of_the_newest_advice_is_sent_with_it(page: Page) -> None:
    page.published_s -= 30.0
    assert json.loads(_ask(page, "/state")[1])["age_s"] >= 30.0


def _published(page: Page) -> Published:
    assert page.newest() is not None
    return msgspec.json.decode(page.newest() or "", type=Published)


def test_a_cue_is_spoken_within_ten_real_seconds_whatever_the_simulated_clock_does(page: Page) -> None:
    output, cue = PageOutput(page), Cue(number=1, at_s=WALL_S, box="mast", severity="urgent", spoken="mast: wait")
    for real_s, expected in ((0.0, (1,)), (9.0, (1,)), (11.0, ())):
        later = structs.replace(READY, made_at_s=WALL_S + 60 * real_s, cues=(cue,))
        output.show(later, Moment(wall_s=WALL_S, monotonic_s=real_s, real_s=real_s))
        assert _published(page).speak == expected
    again = structs.replace(READY, cues=(structs.replace(cue, at_s=WALL_S + 700.0),))  # of the next recorder run
    output.show(again, Moment(wall_s=WALL_S, monotonic_s=13.0, real_s=13.0))
    assert _published(page).speak == (1,)


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
        ("/mark", {"kind": "charge"}, {}, 400),
        ("/mark", {"kind": "explode", "box": "mast"}, {}, 400),
        ("/mark", {"kind": "swap", "box": "mast", "name": "nobody"}, {}, 400),
        ("/mark", {"kind": "swap", "box": "mast", "name": ["M9"]}, {}, 400),
        ("/mark", {"kind": "launch", "box": 7}, {}, 400),
        ("/mark", {"kind": ["launch"]}, {}, 400),
        ("/mark", {"kind": "launch", "confirmed": "yes"}, {}, 400),
        ("/mark", {"kind": "launch", "box": "shed"}, {}, 400),
        ("/mark", {"kind": "undo"}, {}, 400),
        ("/acknowledge", {"box": "mast", "warning": ["heat"]}, {}, 400),
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


def _left(tmp_path: Path) -> list[Mark | Acknowledge]:
    return [one.request for one in waiting(tmp_path / "day.db")]


@pytest.mark.parametrize("advice", [STALLED, DAMAGED, IN_FLIGHT])
def test_a_launch_against_advice_is_asked_about_once_and_recorded_as_confirmed(
    page: Page, tmp_path: Path, advice: SessionAdvice
) -> None:
    page.publish(advice)
    status, words = _ask(page, "/mark", {"kind": "launch"})
    assert status == 409
    assert "launch" in json.loads(words)["ask"]
    assert not _left(tmp_path)
    assert _ask(page, "/mark", {"kind": "launch", "confirmed": True})[0] == 200
    assert _left(tmp_path) == [Mark(box="*", kind="launch", wall_s=WALL_S, confirmed=True)]


def test_a_launch_as_advised_is_recorded_without_a_question(page: Page, tmp_path: Path) -> None:
    assert _ask(page, "/mark", {"kind": "launch", "box": "*", "confirmed": True})[0] == 200
    assert _left(tmp_path) == [Mark(box="*", kind="launch", wall_s=WALL_S, confirmed=False)]
    page.published_s -= 60.0
    assert b"No recorder gives advice" in _ask(page, "/mark", {"kind": "launch"})[1]


def test_a_battery_that_is_in_another_box_is_asked_about(page: Page, tmp_path: Path) -> None:
    with Store(tmp_path / "day.db") as store:
        store.add_mark(Mark(box="table", kind="swap", name="M9", wall_s=WALL_S - 60))
        store.commit()
    swap = {"kind": "swap", "box": "mast", "name": "M9"}
    assert _ask(page, "/mark", swap) == (409, b'{"ask":"Battery M9 is in box table. Is it in mast now?"}')
    assert _ask(page, "/mark", swap | {"confirmed": True})[0] == 200
    assert _ask(page, "/mark", swap | {"name": "T18"})[0] == 200
    left = {(one.name, one.confirmed) for one in _left(tmp_path) if isinstance(one, Mark)}
    assert left == {("M9", True), ("T18", False)}


def test_undo_takes_the_last_mark_in_force_back(page: Page, tmp_path: Path) -> None:
    marks = [
        Mark(box="*", kind="launch", wall_s=WALL_S - 90),
        Mark(box="mast", kind="charge", wall_s=WALL_S - 60),
        Mark(box="mast", kind="undo", name="charge", wall_s=WALL_S - 30),
    ]
    with Store(tmp_path / "day.db") as store:
        for mark in marks:
            store.add_mark(mark)
        store.commit()
    assert _ask(page, "/mark", {"kind": "undo"}) == (200, b'{"done":"Mark launch of 13:58 is undone."}')
    assert _left(tmp_path) == [Mark(box="*", kind="undo", name="launch", wall_s=WALL_S)]


def test_shared_boxes_are_launched_by_name_or_group(
    page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(page), "shared", True)
    page.settings = structs.replace(page.settings, groups={"pilot1": ["mast", "table"]})
    assert b"names its box or a group" in _ask(page, "/mark", {"kind": "launch"})[1]
    assert _ask(page, "/mark", {"kind": "launch", "box": "pilot1"})[0] == 200
    assert {one.box for one in _left(tmp_path)} == {"mast", "table"}


def test_an_undone_launch_is_no_flight_in_the_history_either(tmp_path: Path) -> None:
    def by(kind: str, sequence: int, after_s: float, value: float | None) -> Event:
        at_s = WALL_S + after_s
        return Event(box="mast", boot=1, sequence=sequence, uptime_ms=sequence, kind=kind, value=value, wall_s=at_s)

    with Store(tmp_path / "day.db") as store:
        store.add([by("launch", 1, 1.0, 1), by("landing", 2, 21.0, 1), by("launch", 3, 600.0, 0)])
        for mark in (
            Mark(box="*", kind="launch", wall_s=WALL_S),
            Mark(box="*", kind="undo", name="launch", wall_s=WALL_S + 20),
        ):
            store.add_mark(mark)
        store.commit()
    with Reader(tmp_path / "day.db") as reader:
        found = happened(reader, "mast", WALL_S - 1, WALL_S + 1000)
    assert [(one["what"], one["wall_s"]) for one in found] == [("launch", WALL_S + 600.0)]


def test_the_limits_of_the_history_are_those_of_the_advice() -> None:
    assert limits_of("mast", READY) == {
        "volts": [("end voltage now", 10.5)],
        "celsius": [("notice", 45.0), ("urgent", 55.0), ("stop", 60.0)],
    }
    assert limits_of("shed", READY) == limits_of("mast", None) == {"volts": [], "celsius": []}


class Board:
    """Answers commands as set."""

    def __init__(self, result: str = "ok") -> None:
        self.result, self.sent = result, []

    def send(self, box: str, name: str, **fields: object) -> list[Future[Answer]]:
        self.sent.append((box, name, fields))
        silent: Future[Answer] = Future()
        silent.set_exception(LinkError("no board of that name on a serial port"))
        found: Future[Answer] = Future()
        answered = Answer(box=box, boot=1, sequence=1, command=1, result=self.result, setting="output2", value="off")
        found.set_result(replace(answered, reason="output2_is_not_fitted" if self.result != "ok" else None))
        return [silent, found] if self.result != "silent" else [silent]


def test_a_sheddable_output_is_switched_and_a_buzzer_silenced(page: Page) -> None:
    board = Board()
    page.send = board.send
    off = {"command": "switch", "box": "mast", "output": 2, "want": "off"}
    assert _ask(page, "/command", off) == (200, b'{"done":"mast: output2 off"}')
    assert _ask(page, "/command", {"command": "silence", "box": "mast"})[0] == 200
    assert board.sent == [("mast", "switch", {"output": 2, "want": "off"}), ("mast", "silence", {})]
    for wrong in (
        {"output": 1},
        {"want": "dim"},
        {"box": "shed"},
        {"command": "maintenance"},
        {"output": [2]},
        {"output": True},
    ):
        assert _ask(page, "/command", off | wrong)[0] == 400
    assert len(board.sent) == 2


def test_a_refusal_or_a_missing_answer_is_reported(page: Page) -> None:
    off = {"command": "switch", "box": "mast", "output": 2, "want": "off"}
    assert b"this program has no link to boards" in _ask(page, "/command", off)[1]
    page.send = Board("refused").send
    assert b"output2 is not fitted" in _ask(page, "/command", off)[1]
    page.send = Board("silent").send
    assert b"no board of that name" in _ask(page, "/command", off)[1]


def test_every_viewer_gets_every_advice_and_a_stalled_one_disturbs_none(page: Page) -> None:
    streams = [urllib.request.urlopen(page.url + "events", timeout=10) for _ in range(3)]  # the first is never read
    deadline = time.monotonic() + 10
    for number in range(1, 4):
        page.publish(structs.replace(READY, spoken=f"number {number}"))
        for stream in streams[1:]:
            while f"number {number}" not in stream.readline().decode():
                assert time.monotonic() < deadline
    for stream in streams:
        stream.close()


def test_a_number_that_json_has_no_form_for_stops_nothing(page: Page) -> None:
    boxes = (structs.replace(READY.boxes[0], runtime_low_s=float("inf"), soc=float("nan")),)
    page.publish(structs.replace(READY, boxes=boxes))
    box = json.loads(_ask(page, "/state")[1])["published"]["advice"]["boxes"][0]
    assert (box["runtime_low_s"], box["soc"]) == (None, None)


def test_a_busy_port_is_named(page: Page) -> None:
    with pytest.raises(BadInput, match="--page-port"):
        Page(Settings(database="x.db"), time.time, port=urlsplit(page.url).port or 0)


def test_a_network_viewer_needs_a_passphrase_and_one_of_them_may_not_mark() -> None:
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

        def age_s(self) -> float:
            return 0.0

        async def wait(self, known: str | None) -> None:
            return None

        def steps(self) -> list[object]:
            return []

        def glance(self) -> Glance:
            return NO_GLANCE

        def listens(self, change: int) -> None:
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


def test_before_the_first_box_the_page_shows_the_steps(page: Page) -> None:
    page.publish(structs.replace(READY, boxes=()))
    steps = json.loads(_ask(page, "/state")[1])["steps"]
    assert [one["words"].split()[0] for one in steps] == ["Plug", "Wait", "Write"]
    assert steps[2]["done"]
    page.publish(READY)
    assert json.loads(_ask(page, "/state")[1])["steps"] == []


def test_the_terminal_is_silent_while_a_page_on_this_computer_has_its_sound_on(page: Page) -> None:
    assert not page.has_sound()
    with urllib.request.urlopen(f"{page.url}events?sound=on", timeout=10) as stream:
        stream.readline()
        assert page.has_sound()
    until_s = time.monotonic() + 10.0
    while page.has_sound() and time.monotonic() < until_s:
        page.publish(structs.replace(READY, made_at_s=WALL_S + time.monotonic()))
        time.sleep(0.1)
    assert not page.has_sound()
