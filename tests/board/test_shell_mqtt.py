"""The MQTT link, board side, against brokers good and bad, in virtual time: control never notices."""

import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.benchmarks.faults import keep
from tests.board.fake_broker import FakeBroker, packet, text

from groundbox.link.secret_files import network_file
from groundbox.rig.bench import Bench
from groundbox.wire import auth, json_form, line
from groundbox.wire.messages import BY_NAME, fields_of

KEY = bytes(range(32))
NewBench = Callable[..., Bench]
Message = tuple[str, list[int | str | None]]


@pytest.fixture
def broker() -> Iterator[FakeBroker]:
    broker = FakeBroker()
    yield broker
    broker.close()


@pytest.fixture
def board(bench: NewBench, broker: FakeBroker, tmp_path: Path) -> Callable[..., Bench]:
    """A board whose radio is allowed; the same folder is the same flash."""

    def new(port: int = broker.port, **settings: int) -> Bench:
        made = bench(board_settings={"radio_allowed": 1, **settings})
        values = {"broker": "127.0.0.1", "port": str(port), "key": KEY.hex()}
        (tmp_path / "flash" / "network").write_bytes(network_file("test", values))
        return made

    return new


def _run(board: Bench, broker: FakeBroker, seconds: float) -> list[Message]:
    """Board and broker in turn; what the board said on its serial line."""
    said: list[Message] = []
    for _ in range(round(seconds * 20)):
        said += board.run_for(0.05)
        broker.turn()
    return said


def _published(broker: FakeBroker, wanted: str = "") -> list[Message]:
    """What came under the box's topics since, by message name; checked as the host does."""
    found: list[Message] = []
    while broker.heard:
        topic, payload, _ = broker.heard.popleft()
        name = topic.split("/")[2]
        if name in BY_NAME:
            found.append((name, json_form.decode(name, payload)))
    return [one for one in found if not wanted or one[0] == wanted]


def _health(messages: list[Message]) -> dict[str, int | str | None]:
    names = [field[0] for field in fields_of("health")]
    return dict(zip(names, [values for name, values in messages if name == "health"][-1], strict=True))


def _control_is_well(board: Bench, messages: list[Message]) -> None:
    health = _health(messages)
    assert (health["late_steps"], health["link_restarts"]) == (0, 0)
    assert health["worst_step_us"] < 20_000
    assert board.world.starts == 1


def test_it_says_who_it_is_and_leaves_its_newest_reading(board: Callable[..., Bench], broker: FakeBroker) -> None:
    one = board()
    _run(one, broker, 5.5)
    retained = {topic for topic, _, kept in broker.heard if kept}
    assert {f"groundbox/mast/{name}" for name in ("presence", "hello", "reading")} == retained
    assert json.loads(broker.heard[0][1]) == {"box": "mast", "present": True}
    names = [name for name, _ in _published(broker)]
    assert names.count("hello") == 1
    assert names.count("reading") >= 4


def test_without_leave_the_radio_is_silent(bench: NewBench, broker: FakeBroker, tmp_path: Path) -> None:
    one = bench()
    (tmp_path / "flash" / "network").write_bytes(
        network_file("test", {"broker": "127.0.0.1", "port": str(broker.port)})
    )
    _run(one, broker, 10)
    assert broker.connections == 0


def test_commands_are_taken_with_the_key_and_once(board: Callable[..., Bench], broker: FakeBroker) -> None:
    one = board()
    _run(one, broker, 3)
    good = auth.seal(KEY, "mast", 9, line.encode("mark", ["mast", 1, "charge"]))
    for payload in (
        good,
        good,
        auth.seal(KEY[::-1], "mast", 10, line.encode("mark", ["mast", 2, "swap"])),
        b"",
        b"x" * 900,
    ):
        broker.publish("groundbox/mast/command", payload)
        _run(one, broker, 0.5)
    broker.publish("groundbox/table/command", auth.seal(KEY, "table", 11, line.encode("mark", ["table", 3, "swap"])))
    _run(one, broker, 1)
    kinds = [values[4] for values in (v for n, v in _published(broker) if n == "event")]
    assert kinds == ["started", "charge"]


def test_a_broker_that_is_away_for_long_costs_nothing(
    board: Callable[..., Bench], broker: FakeBroker, tmp_path: Path
) -> None:
    _away(board, broker, tmp_path, minutes=20)


@pytest.mark.endurance
def test_a_broker_that_is_away_for_six_hours_costs_nothing(
    board: Callable[..., Bench], broker: FakeBroker, tmp_path: Path
) -> None:
    got, lost = _away(board, broker, tmp_path, minutes=360)
    besides = "what memory could not hold came as ten-second summaries"
    keep("Board", [("broker unreachable for 6 h of virtual time", got + lost, got, lost, 0, besides)])


def _away(board: Callable[..., Bench], broker: FakeBroker, folder: Path, minutes: int) -> tuple[int, int]:
    """(records that came, themselves or in a summary; records that did not)."""
    one = board()
    desk = next((folder / "flash").rglob("desk.py"))
    desk.write_text(desk.read_text().replace("gc.mem_free()", "(gc.collect(), gc.mem_free())[1]"))
    _run(one, broker, 3)
    port, heard = broker.port, _published(broker)
    broker.close()
    said: list[Message] = []
    free = []
    for _ in range(minutes):
        said = one.run_for(60)
        free.append(_health(said)["free_heap_bytes"])
    _control_is_well(one, said)
    assert min(free[5:]) > min(free[:5]) - 2_000, "memory stays flat"
    back = FakeBroker(port)
    try:
        _run(one, back, 125)
        got = {values[2] for name, values in heard + _published(back) if name in ("reading", "event")}
        newest = max(got)
        assert set(range(max(1, newest - 500), newest + 1)) <= got, "what memory held came"
        assert back.connections == 1
        boot = heard[0][1][1]
        return _fill(one, back, boot, got, newest)
    finally:
        back.close()


def _fill(board: Bench, broker: FakeBroker, boot: object, got: set[object], newest: int) -> tuple[int, int]:
    """A host that says what it has, as ours does: beyond what memory lost. Summaries must stand in for that."""
    counter, summed = 0, set()

    def tell(name: str, *values: int | str | None) -> None:
        nonlocal counter
        counter += 1
        broker.publish(
            "groundbox/mast/command", auth.seal(KEY, "mast", counter, line.encode(name, ["mast", counter, *values]))
        )

    tell("stored", boot, newest)
    quiet = 0
    while quiet < 30:
        _run(board, broker, 1)
        tell("ask_clock")
        new = _published(broker, "summary")
        quiet = 0 if new else quiet + 1
        for _, values in new:
            names = [field[0] for field in fields_of("summary")]
            one = dict(zip(names, values, strict=True))
            summed |= set(range(one["sequence"] - one["readings"] + 1, one["sequence"] + 1))
            tell("summary_stored", one["number"])
    lost = set(range(1, newest + 1)) - got - summed
    assert len(lost) <= 15, "events before the first reading, and the seconds of a link going down"
    return newest - len(lost), len(lost)


def test_half_open_connections_are_given_up(board: Callable[..., Bench], broker: FakeBroker) -> None:
    one = board()
    _run(one, broker, 3)
    broker.mute = True
    said = _run(one, broker, 70)
    assert broker.connections >= 2
    broker.mute = False
    got = {values[2] for name, values in _published(broker) if name == "reading"}
    said += _run(one, broker, 70)
    got |= {values[2] for name, values in _published(broker) if name == "reading"}
    assert set(range(2, max(got))) <= got
    _control_is_well(one, said)


def test_a_broker_that_refuses_is_asked_seldom(board: Callable[..., Bench], broker: FakeBroker) -> None:
    one = board()
    broker.code = 5
    said = _run(one, broker, 180)
    assert 3 <= broker.connections <= 10, "waits grow"
    assert one.console.heard.count(b"the broker refuses, code 5") == 1
    _control_is_well(one, said)


def _garbage(dice: random.Random) -> bytes:
    kind = dice.randrange(6)
    if kind == 0:
        return dice.randbytes(dice.randrange(1, 3000))
    if kind == 1:
        return b"\x20\x02\x00\x00\x90\x03\x00\x01\x01" + dice.randbytes(dice.randrange(1, 200))
    if kind == 2:
        return b"\x20\x02\x00\x00\x90\x03\x00\x01\x01" + packet(0x32, dice.randbytes(dice.randrange(8)))
    if kind == 3:
        return b"\x30\xff\xff\xff\x7f" + dice.randbytes(5000)
    if kind == 4:
        return b"\x20\x02\x00\x00\x90\x03\x00\x01\x01" + packet(
            0x32, text(b"groundbox/mast/command") + b"\0\1" + dice.randbytes(2000)
        )
    whole = bytearray(b"\x20\x02\x00\x00\x90\x03\x00\x01\x01\xd0\x00")
    whole[dice.randrange(len(whole))] ^= 1 << dice.randrange(8)
    return bytes(whole)


def test_malformed_bytes_break_nothing(board: Callable[..., Bench], broker: FakeBroker, tmp_path: Path) -> None:
    one = board()
    uplink = next((tmp_path / "flash").rglob("mqtt_uplink.py"))
    uplink.write_text(uplink.read_text().replace("_LONGEST_WAIT_S = const(60)", "_LONGEST_WAIT_S = const(1)"))
    dice = random.Random(3)
    said: list[Message] = []
    for _ in range(40):
        broker.said = _garbage(dice)
        broker.drop()
        said += _run(one, broker, 4)
    assert broker.connections >= 30
    broker.said = None
    broker.drop()
    said += _run(one, broker, 30)
    assert _published(broker, "reading"), "the link still works"
    _control_is_well(one, said)
    assert sum(name == "reading" for name, _ in said) >= 188


def test_resets_at_random_moments_lose_no_stored_record_and_invent_none(
    board: Callable[..., Bench], broker: FakeBroker
) -> None:
    _resets(board, broker, 6)


@pytest.mark.endurance
def test_a_hundred_resets_lose_no_stored_record_and_invent_none(
    board: Callable[..., Bench], broker: FakeBroker
) -> None:
    heard, records = _resets(board, broker, 100)
    keep("Board", [("board reset 100 times at random moments", heard, records, 0, 0, "each start whole from record 1")])


def _resets(board: Callable[..., Bench], broker: FakeBroker, count: int) -> tuple[int, int]:
    """(records heard, different ones).

    The test is the host: what it says is stored it has; all the board says of one record must be the same.
    """
    heard = 0
    dice = random.Random(count)
    kept: dict[tuple[object, ...], list[object]] = {}
    boots: list[int] = []
    counter = 0
    for _ in range(count):
        one = board()
        for _ in range(dice.randrange(4, 25)):
            _run(one, broker, 0.95 + dice.random() / 10)
            newest: dict[int, int] = {}
            for name, values in _published(broker):
                if name == "hello" and values[1] not in boots:
                    boots.append(values[1])
                if name in ("reading", "event", "summary"):
                    heard += 1
                    before = kept.setdefault((name, values[1], values[2]), values)
                    assert before == values, "one number, two records"
                    if name == "summary":
                        counter += 1
                        words = line.encode("summary_stored", ["mast", counter, values[4]])
                        broker.publish("groundbox/mast/command", auth.seal(KEY, "mast", counter, words))
                    else:
                        newest[values[1]] = values[2]
            for boot, sequence in newest.items():
                counter += 1
                words = line.encode("stored", ["mast", counter, boot, sequence])
                broker.publish("groundbox/mast/command", auth.seal(KEY, "mast", counter, words))
        one.world.power_cut()
        broker.drop()
    assert len(boots) == count
    assert boots == sorted(set(boots))
    for boot in boots:
        records = sorted(key[2] for key in kept if key[0] != "summary" and key[1] == boot)
        assert records == list(range(1, len(records) + 1)), "in order, without a gap"
    return heard, len(kept)
