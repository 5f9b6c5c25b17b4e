"""The host of a scenario, in the same thread: hears the board over a link that may spoil bytes, and confirms records.

| thing | becomes |
|---|---|
| `host` | listening, silent (hears, never speaks), stalled (holds the port open and reads nothing) |
| `link_lost`, `link_flipped` | share of the board's bytes that are lost, or have one bit turned over; 0 to 0.5 |
| `mark` | launch, landing, charge, swap: a person's mark at the host |
| `switch1`, `switch2` | on, off: a person's command for the board's output |
"""

from random import Random

from groundbox.conversion import from_wire
from groundbox.errors import BadInput
from groundbox.model import Event, Health, Reading
from groundbox.rig.console import BufferConsole
from groundbox.rig.happenings import Value
from groundbox.wire import line, messages

WORDS: dict[str, tuple[str, ...]] = {
    "host": ("listening", "silent", "stalled"),
    "mark": messages.MARKS,
    "switch1": messages.SWITCH,
    "switch2": messages.SWITCH,
}
SHARES = ("link_lost", "link_flipped")
_MOST_SHARE = 0.5
# Each word from the host has the board listen closely for a fifth of a second, which costs twenty slices of the run.
_SPEAK_EVERY_S = 5


def refuse(thing: str, value: Value) -> str:
    """Why `thing` cannot become `value`; "" when it can."""
    if thing in WORDS:
        return "" if value in WORDS[thing] else f"is {value!r}; wants one of {', '.join(WORDS[thing])}"
    good = not isinstance(value, str) and 0 <= value <= _MOST_SHARE
    return "" if good else f"is {value!r}; wants a number from 0 to {_MOST_SHARE:g}"


class Listener(BufferConsole):
    """One box's host.

    Attributes:
        items: what came since `take` was called last: Reading, Event, Health.
        spoilt: lines that did not survive the link.
    """

    def __init__(self, box: str, seed: int) -> None:
        super().__init__()
        self.spoilt = 0
        self._items: list[Reading | Event | Health] = []
        self._box, self._random = box, Random(f"{seed}/link")
        self._word = "listening"
        self._share = dict.fromkeys(SHARES, 0.0)
        self._rest = b""
        self._command = self._quiet_s = 0
        self._have: dict[int, set[int]] = {}
        self._top: dict[int, int] = {}
        self._told = (0, 0)

    def happen(self, thing: str, value: Value) -> None:
        """See the table above."""
        reason = refuse(thing, value)
        if reason:
            raise BadInput("happenings", thing, reason)
        if thing == "host":
            self._word = str(value)
        elif thing in SHARES:
            self._share[thing] = float(value)
        elif thing == "mark":
            self._speak("mark", [str(value)])
        else:
            self._speak("switch", [int(thing[-1]), str(value)])

    def take(self) -> list[Reading | Event | Health]:
        """What came since, asked for once a second; every few says what is stored without a gap, and asks for more."""
        items, self._items = self._items, []
        if self._word == "listening" and self._top:
            self._confirm(max(self._top))
        return items

    def _confirm(self, boot: int) -> None:
        self._quiet_s += 1
        if self._quiet_s < _SPEAK_EVERY_S:
            return
        self._quiet_s = 0
        top, have = self._top[boot], self._have[boot]
        if (boot, top) != self._told:
            self._told = (boot, top)
            self._speak("stored", [boot, top])
        if len(have) > top:
            self._speak("resend", [top + 1, min(n for n in have if n > top) - 1])

    def missing(self) -> int:
        """Records that the board numbered and this host never got."""
        return sum(max(have) - len(have) for have in self._have.values())

    def full(self) -> bool:
        return self._word == "stalled"

    def from_board(self, data: bytes) -> None:
        self.heard += data
        *lines, self._rest = (self._rest + self._spoil(data)).split(b"\n")
        for text in lines:
            self._hear(text)

    def _spoil(self, data: bytes) -> bytes:
        lost, flipped = self._share["link_lost"], self._share["link_flipped"]
        if not lost and not flipped:
            return data
        random, kept = self._random, bytearray()
        for byte in data:
            if random.random() >= lost:
                kept.append(byte ^ (1 << random.randrange(8)) if random.random() < flipped else byte)
        return bytes(kept)

    def _hear(self, text: bytes) -> None:
        try:
            name, values = line.decode(text)
        except ValueError:
            self.spoilt += bool(text)
            return
        kind = {"reading": Reading, "event": Event, "health": Health}.get(name)
        if kind is None:
            return
        item = from_wire(kind, values)
        if not isinstance(item, Health) and not self._is_new(item.boot, item.sequence):
            return
        self._items.append(item)

    def _is_new(self, boot: int, sequence: int) -> bool:
        have = self._have.setdefault(boot, set())
        if sequence in have:
            return False
        have.add(sequence)
        top = self._top.get(boot, 0)
        while top + 1 in have:
            top += 1
        self._top[boot] = top
        return True

    def _speak(self, name: str, values: list[int | str | None]) -> None:
        self._command += 1
        self.say(line.encode(name, [self._box, self._command, *values]))
