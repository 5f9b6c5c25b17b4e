"""A board's last state, the number of its starts, and its budget until turn-back."""

import os

from groundbox.wire.messages import OUTPUT_STATES, PLACES
from startup.safe_file import SafeFile

_AGAIN_ROUNDS = 20  # of `follow`, each 500 ms, before a write that failed is tried again
_BUDGET_ROUNDS = 600  # five minutes
NORMAL = 0
MAINTENANCE = 1  # the next start waits for files instead of working
AFTER_MAINTENANCE = 2

_ON = OUTPUT_STATES.index("on")
_OFF = OUTPUT_STATES.index("off")
_SHED = OUTPUT_STATES.index("shed")
_SHORT_S = 60
_STARVED = 3  # starts in sequence of which none lasted, the last two from power loss
_TOP = ((1 << 29) - 1, len(OUTPUT_STATES) - 1, len(OUTPUT_STATES) - 1, len(PLACES) - 1, 1, AFTER_MAINTENANCE, _STARVED)


class SavedState:
    """The state that outlives a reset. Written at a start and when it changes, so a few times in a session.

    Attributes:
        boot: number of this start. Never one that was used before, whatever happened to the file: the host would take
            new records for stored ones.
        output1, output2: indexes in messages.OUTPUT_STATES.
        place: index in messages.PLACES.
        landed: 1 between a marked landing and the next launch.
        planned: what the next start is for: NORMAL, MAINTENANCE, AFTER_MAINTENANCE.
        short_starts: this start and those before it that lost power before 60 s; 0 once this one lasted 60 s.
        starved: True when two starts in sequence followed a power loss before 60 s: output 2 is shed.
    """

    def __init__(self, path="state"):
        self._slots = SafeFile(path)
        values = _whole_numbers(self._slots.load())
        if values is None or not _is_state(values):
            values = (_unused_boot(), _ON, _ON, 0, 0, NORMAL, 0)
        self.boot, self.output1, self.output2, self.place, self.landed, self.planned, self.short_starts = values
        self.starved = False
        self._unsaved = False
        self._wait = 0

    def begin(self, powered):
        """Counts this start; `powered`: it follows a power loss.

        A damaged slot may have held the number after ours, so that one is passed over.
        """
        self.boot += 2 if self._slots.damaged else 1
        self.short_starts = min(self.short_starts + 1, _STARVED) if powered else 1
        self.starved = self.short_starts == _STARVED
        if self.starved and self.output2 not in (0, _OFF):
            self.output2 = _SHED
        if not self.save():
            self.boot = _unused_boot()
            self._unsaved = True
            self._wait = _AGAIN_ROUNDS

    def plan_maintenance(self):
        """Makes the next start wait for files; False when flash does not take it."""
        self.planned = MAINTENANCE
        return self.save()

    def save(self):
        """True when the state is on flash."""
        fields = (self.boot, self.output1, self.output2, self.place, self.landed, self.planned, self.short_starts)
        return self._slots.save(b"%d %d %d %d %d %d %d" % fields)

    def follow(self, output1, output2, place, landed, uptime_s):
        """Saves when one of these differs from what is kept; a write that flash did not take is repeated."""
        now = (output1, output2, place, landed)
        if self.short_starts and uptime_s >= _SHORT_S:
            self.short_starts = 0
            self._unsaved = True
            self._wait = 0
        if now != (self.output1, self.output2, self.place, self.landed):
            self.output1, self.output2, self.place, self.landed = now
            self._unsaved = True
            self._wait = 0
        if not self._unsaved:
            return
        if self._wait:
            self._wait -= 1
            return
        self._unsaved = not self.save()
        self._wait = _AGAIN_ROUNDS


class SavedTurnBack:
    """What core.turn_back.TurnBack keeps over a restart: at most five minutes old, written at most every five minutes.

    A budget that ends earlier, or is withdrawn, is written at once.
    """

    def __init__(self, path="turn_back"):
        self._slots = SafeFile(path)
        self._kept = None
        self._wait = 0

    def restore(self, turn_back, continues):
        """Gives `turn_back` what was kept; `continues`: no power was lost. After a damaged copy all is unknown."""
        values = _whole_numbers(self._slots.load())
        self._kept = turn_back.saved()
        if values is not None and len(values) == len(self._kept) and not self._slots.damaged:
            turn_back.restore(values, continues)
            self.save(turn_back)

    def follow(self, turn_back):
        """Saves what changed when it is due; called each 500 ms."""
        self._wait = max(0, self._wait - 1)
        if turn_back.urgent or not self._wait:
            self.save(turn_back)

    def save(self, turn_back):
        """Saves what changed; what flash did not take is tried again."""
        values = turn_back.saved()
        if values != self._kept:
            if not self._slots.save(b" ".join([b"%d" % value for value in values])):
                self._wait = _AGAIN_ROUNDS
                return
            self._kept = values
            self._wait = _BUDGET_ROUNDS
        turn_back.urgent = 0


def _whole_numbers(content):
    parts = content.split(b" ") if content else ()
    try:
        return tuple(int(part) for part in parts)
    except ValueError:
        return None


def _is_state(values):
    return len(values) == len(_TOP) and all(0 <= value <= _TOP[i] for i, value in enumerate(values))


def _unused_boot():
    """A number in steps of 4096 up to 2**28: a board without its count must not start again at 1."""
    word = os.urandom(2)
    return (word[0] << 8 | word[1]) << 12
