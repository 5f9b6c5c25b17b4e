"""The board's parts where tasks, links and commands meet them, and its reports about itself."""

import io
import sys

from groundbox.wire import messages
from micropython import const
from drivers.pins import PINS

VERSION = "0.1.0"  # of the firmware, for `hello`
_CONSOLE_TEXTS = const(4)
_REGISTRY = messages.checksum()
_SETTINGS_CHANGED = messages.EVENTS.index("settings_changed")


class Desk:
    """The parts of a running board.

    Attributes:
        slot: main.Slot that runs.
        leaving: True once a maintenance restart is wanted.
        link_restarts, bad_lines: counts since the start.
        console: texts that wait to be shown as console text.
        free_heap_bytes: free memory after the last collection; None before.
    """

    def __init__(self, settings, saved, hardware, control, outbox, steps, cause):
        self.settings = settings
        self.saved = saved
        self.hardware = hardware
        self.control = control
        self.outbox = outbox
        self.steps = steps
        self.reset_cause = messages.RESET_CAUSES[cause]
        self.slot = None
        self.leaving = False
        self.link_restarts = 0
        self.bad_lines = 0
        self.console = []
        self.saved_turn_back = None  # startup.saved_state.SavedTurnBack
        self.free_heap_bytes = None
        self.archive = None  # uplinks.archive.Archive, where summaries are kept

    def change(self, changes):
        """Puts changed settings in force and saves them; the reason against it, or ""."""
        reason = self.settings.change(changes)
        if not reason:
            self.hardware.fit(self.settings.values)
            self.control.apply(self.settings.values)
            self.control.event(_SETTINGS_CHANGED, messages.UNKNOWN)
        return reason

    def leave(self):
        """Plans the next start for maintenance and asks for the restart; why not, or ""."""
        if self.control.place:
            return "in flight: mark the landing first"
        if not self.saved.plan_maintenance():
            return "flash does not take it"
        self.leaving = True
        return ""

    def keep(self):
        """Has the firmware that is on trial run from now on; why not, or ""."""
        return "" if not self.slot.trial or self.slot.keep() else "flash does not take it"

    def remember(self):
        """Keeps outputs, place and turn-back budget for the next start, where they changed."""
        control = self.control
        if control.place and self.slot.trial:
            self.keep()  # a launch accepts it, and no trial may end in flight
        saved = self.saved
        saved.follow(control.output1.state, control.output2.state, control.place, control.landed, control.uptime_s)
        self.saved_turn_back.follow(control.turn_back)

    def say(self, text):
        """Has `text` shown as console text; of too many the oldest is dropped."""
        del self.console[: 1 - _CONSOLE_TEXTS]
        self.console.append(text)

    def report(self, error):
        """Has an exception shown as console text."""
        text = io.StringIO()
        sys.print_exception(error, text)
        self.say(text.getvalue())

    def head(self):
        """Values of the fields every message of the board begins with: box, boot, newest record."""
        return [self.settings.box, self.saved.boot, self.outbox.sequence]

    def hello(self):
        """Values of `hello`."""
        about = [VERSION, _REGISTRY, self.settings.checksum(), PINS["board"], self.reset_cause]
        return self.head() + about + [self.hardware.sample_hz, self._oldest(), self.steps.uptime_ms()]

    def _oldest(self):
        """Number of the oldest record that is held and that no host has stored."""
        return max(self.outbox.oldest, self.outbox.stored_to + 1)

    def health(self):
        """Values of `health`."""
        steps = self.steps
        lost = self.archive.lost if self.archive else None
        counts = [self.outbox.dropped, self.bad_lines, self.link_restarts, lost]
        return self.head() + [self.free_heap_bytes, steps.worst_us, steps.late] + counts
