"""Marks of people and boards: what they change in flights and boxes, and the place that every board is to know.

The base of the recorder; it has no loop and no links of its own.
"""

from concurrent.futures import Future

from groundbox.advice.marks import FOR_AIRCRAFT
from groundbox.link.clock import Moment
from groundbox.model import BY_COMMAND, Acknowledge, Answer, Event, Hello, Mark, Reading
from groundbox.monitor.board_settings import BoardSettings
from groundbox.monitor.flight import Flight
from groundbox.monitor.follower import Follower
from groundbox.monitor.from_store import battery_in, flight_now, tracker_for
from groundbox.monitor.learn import Lessons
from groundbox.monitor.shown import Output
from groundbox.settings import Settings
from groundbox.store import Store

MISSING_S = 120.0  # a board's missing records are waited for so long
SETTLE_S = 10.0  # a board may report another place for so long
EVENT_WORDS = {
    "output2_shed": "its board shed output 2, battery low or case hot",
    "control_failed": "its control failed; fans full, a restart when it lasts",
    "starved": "its board lost power twice within a minute of its start; output 2 is shed",
    "output1_off": "its output 1 was switched off",
    "output2_off": "its output 2 was switched off",
    "output1_on": "its output 1 was switched on",
    "output2_on": "its output 2 was switched on",
    "settings_fallback": "stored settings are damaged or contradict; type `groundbox board settings`",
    "link_restarted": "its link hung and was restarted",
}


class MarkHandling:
    """Takes marks and events.

    Args:
        settings, store: as made by the command.
        output: what a person sees and hears.
        lessons: fits a battery with the discharge that a swap ends.

    Attributes:
        flight: where the aircraft is.
        followers: every box, by name.
    """

    flight: Flight
    _board_settings: BoardSettings

    def __init__(self, settings: Settings, store: Store, output: Output, lessons: Lessons) -> None:
        self.settings, self.store, self.output, self.lessons = settings, store, output, lessons
        self.followers: dict[str, Follower] = {}
        self._differs_s: dict[str, float] = {}  # box: since when (real time) its board reports another place
        self._uptimes: dict[str, tuple[int, int, float]] = {}  # box: boot, newest uptime in ms, when it arrived

    def command(self, box: str, name: str, **fields: int | str | None) -> list[Future[Answer]]:
        """Sends a command to `box`; returns an answer to come for each link that is tried."""
        raise NotImplementedError

    def _acknowledge(self, request: Acknowledge, stored: bool, stops_too: bool = True) -> None:
        raise NotImplementedError

    # --- events of boards ---

    def _note_uptime(self, item: Reading | Hello, now: Moment) -> None:
        known = self._uptimes.get(item.box)
        if known is None or (item.boot, item.uptime_ms) > known[:2]:
            self._uptimes[item.box] = (item.boot, item.uptime_ms, now.monotonic_s)

    def _happened_s(self, event: Event, now: Moment) -> float:
        """When an event happened, by the steady clock: from its board's own uptime, not from the wall clock."""
        boot, uptime_ms, arrived_s = self._uptimes.get(event.box, (event.boot, event.uptime_ms, now.monotonic_s))
        if boot == event.boot:
            return min(arrived_s - (uptime_ms - event.uptime_ms) / 1000, now.monotonic_s)
        return now.monotonic_s - max(now.wall_s - (event.wall_s or now.wall_s), 0.0)

    def _on_event(self, event: Event, now: Moment) -> None:
        by_command = event.value == BY_COMMAND
        if event.kind in FOR_AIRCRAFT:
            happened_s = self._happened_s(event, now)
            at_wall_s = now.wall_s - (now.monotonic_s - happened_s)
            if self._flight_of(event.box).note(event.kind, happened_s):
                where = "by command at" if by_command else "at the button of"
                self.output.say(at_wall_s, f"{event.kind} marked {where} {event.box}")
                self._spread(event.kind, event.box, heard=True)
                if event.kind == "launch":
                    self._end_charges(event.box)
                if by_command:  # of another program: a flight read from the store counts marks and buttons only
                    self.store.add_mark(Mark(box=event.box, kind=event.kind, wall_s=at_wall_s))
        elif event.kind == "silenced":
            flight = self._flight_of(event.box)
            first_press = flight.in_flight and not flight.returning  # it means the way home: a stop continues to sound
            request = Acknowledge(box=event.box, warning=None, wall_s=now.wall_s)
            self._acknowledge(request, stored=False, stops_too=not first_press)
        elif event.kind == "settings_changed":
            self._board_settings.ask_again(event.box)
        elif event.kind in EVENT_WORDS:
            self.output.say(now.wall_s, f"{event.box}: {EVENT_WORDS[event.kind]}")

    # --- marks of people ---

    def _on_mark(self, mark: Mark, now: Moment) -> None:
        if mark.kind == "undo":
            self._undo(mark, now)
            return
        follower = self.followers.get(mark.box)
        if follower:
            follower.take_mark(mark, now.monotonic_s, now.wall_s)
            if mark.kind == "swap":
                self.lessons.discharge(follower, follower.tracker.discharge.finish() if follower.tracker else None)
                self._fit(follower, mark.name, mark.wall_s)
        new = True
        if mark.kind in FOR_AIRCRAFT:
            new = self._flight_of(mark.box).note(mark.kind, now.monotonic_s)
            if new:
                self._spread(mark.kind, mark.box, heard=False)
            if mark.kind == "launch":
                self._end_charges(mark.box)
        words = f"{mark.kind} marked{f', {mark.name}' if mark.name else ''}{', confirmed' if mark.confirmed else ''}"
        self.output.say(now.wall_s, f"{_of(mark)}{words}{'' if new else ', it was known already'}")

    def _undo(self, mark: Mark, now: Moment) -> None:
        """A person took the last mark back: the state before it is in force again."""
        follower = self.followers.get(mark.box)
        if mark.name is None or mark.name in FOR_AIRCRAFT:
            self._undo_flight(mark.box, now)
        if follower:
            follower.take_mark(mark, now.monotonic_s, now.wall_s)
            if mark.name == "swap":
                inside = battery_in(self.store, self.settings, mark.box)
                self._fit(follower, inside.name if inside else None, now.wall_s)
        self.output.say(now.wall_s, f"{_of(mark)}the last mark is undone{f': {mark.name}' if mark.name else ''}")

    def _undo_flight(self, box: str, now: Moment) -> None:
        """Reads the flight from the store again; boards get a command only when its place changed."""
        before = self._flight_of(box)
        flight = self._read_flight(box, now)
        if (flight.in_flight, flight.returning) == (before.in_flight, before.returning):
            flight.grounded_s = before.grounded_s
            return
        if not flight.in_flight:
            flight.grounded_s = now.monotonic_s
        self._spread("launch" if flight.in_flight else "landing", box, heard=False)
        if flight.returning:
            self._spread("returning", box, heard=False)

    def _end_charges(self, box: str) -> None:
        """The launch at `box` ends the charge marked at every box of the aircraft."""
        for other, follower in self.followers.items():
            if self._flight_of(other) is self._flight_of(box):
                follower.launched()

    def _fit(self, follower: Follower, battery: str | None, wall_s: float) -> None:
        """Battery `battery` is in the box now; None: one without a name."""
        made = tracker_for(self.settings, follower.name, battery)
        follower.set_tracker(*((None, made) if isinstance(made, str) else (made, "")))
        if isinstance(made, str):
            self.output.say(wall_s, f"{follower.name}: runtime unknown, {made}")

    # --- the place of the aircraft ---

    def _agree_on_place(self, now: Moment) -> None:
        """Sends the place of the aircraft to each board that reports another one for long.

        A board that reports a flight only after the host's landing was launched at its button: that launch counts.
        While records since that landing are missing, one may be such a launch: they are waited for, then it counts.
        """
        for box, follower in self.followers.items():
            flight = self._flight_of(box)
            wanted, kind = ("flight", "launch") if flight.in_flight else ("ground", "landing")
            if follower.place in (None, wanted):
                self._differs_s.pop(box, None)
            elif (differs_s := now.real_s - self._differs_s.setdefault(box, now.real_s)) >= SETTLE_S:
                since_s, grounded_s = follower.flight_since_s, flight.grounded_s
                landed = grounded_s is not None and since_s is not None and since_s <= grounded_s
                if landed and not follower.heard_all_since(grounded_s or 0.0):
                    if differs_s < MISSING_S:
                        continue
                    landed = False
                del self._differs_s[box]
                if flight.in_flight or landed:
                    self._send_mark(box, kind)
                    continue
                if grounded_s is None:  # the clock may have been set while no recorder ran; now the board is heard
                    flight = self._read_flight(box, now)
                if flight.note("launch", now.monotonic_s):
                    self.store.add_mark(Mark(box=box, kind="launch", wall_s=now.wall_s))
                    self._end_charges(box)
                    self.output.say(now.wall_s, f"{box} reports a flight: counted as launched now")

    def _send_mark(self, box: str, kind: str) -> None:
        self.command(box, "mark", kind=kind)

    def _flight_of(self, box: str) -> Flight:
        """The flight that concerns `box`; "*" is every box."""
        return self.flight

    def _read_flight(self, box: str, now: Moment) -> Flight:
        """The flight that concerns `box`, by the store from now on."""
        self.flight = flight_now(self.store, self.settings, now.monotonic_s, now.wall_s)
        return self.flight

    def _spread(self, kind: str, box: str, heard: bool) -> None:
        """Sends a mark at `box` (or "*") to every board, except the one it was `heard` from."""
        for other, follower in self.followers.items():
            if not (heard and other == box) and follower.place is not None:
                self._send_mark(other, kind)


def _of(mark: Mark) -> str:
    return "" if mark.box == "*" else f"{mark.box}: "
