"""The demo's session as a simulation: boxes, clock, day file, and what people do. All numbers are invented."""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from threading import Lock

from groundbox.advice.words import age, clock
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.demo_boxes import MAST, TABLE

FIRST_LAUNCH_S = 300.0
FLIGHTS, FLIGHT_S, GAP_S = 4, 35 * 60.0, 40 * 60.0
TIME_HOME_S = 8 * 60.0
LAST_LANDING_S = FIRST_LAUNCH_S + FLIGHTS * FLIGHT_S + (FLIGHTS - 1) * GAP_S
STALL_S = FIRST_LAUNCH_S + 10 * 60.0  # when the fans next run after this, a twig stops fan 2 of the table, in flight
UNPLUG_AFTER_S, UNPLUGGED_S = 120.0, 20.0  # after the landing
SLOW_START_S = 20.0  # while the host finds the boards and compares its clock with theirs
SLOW_BEFORE_S, SLOW_AFTER_S, SLOW_SPEED = 10.0, 20.0, 5.0  # the stall is shown slowly
OVER_AFTER_S = 60.0  # after the last landing
PRESSES_S = 30.0  # from the first press of a launch or landing until the host knows of it
_AHEAD_FROM = 10.0  # speed from which a board may run on for a simulated second
AHEAD_S = 1.0  # maximum by which the clock is ahead of the slowest board


def day_text(example: str, start: datetime) -> str:
    """The example's day file, moved to begin at `start`, with the first launch of the simulated session."""
    begins = re.search(r"^start = (.*)$", example, re.MULTILINE)
    assert begins is not None
    launch = datetime.strptime(begins[1], "%H:%M:%S") + timedelta(seconds=FIRST_LAUNCH_S)
    text = re.sub(r"^launch = .*$", f"launch = {launch:%H:%M:%S}", example, count=1, flags=re.MULTILINE)
    return text.replace(begins[0], f"{begins[0]}\nmoved_to = {start:%Y-%m-%dT%H:%M:%S}", 1)


class SessionClock(SimClock):
    """Simulated time of variable speed, which waits for boards that do not keep up: no board lags behind it.

    Attributes:
        followed: for each board, the simulated time it has reached.
        held: True stops the clock.
    """

    def __init__(self, speed: float, start_wall_s: float) -> None:
        super().__init__(speed, start_wall_s)
        self.followed: list[Callable[[], float]] = []
        self.held = False
        self._lock = Lock()
        self._real_s, self._sim_s = time.monotonic(), 0.0

    def monotonic_s(self) -> float:
        """Simulated seconds since the start, never backward."""
        with self._lock:
            real_s = time.monotonic()
            sim_s = self._sim_s + (0.0 if self.held else (real_s - self._real_s) * self.speed)
            slowest_s = min((reached() for reached in self.followed), default=sim_s)
            self._real_s, self._sim_s = real_s, max(self._sim_s, min(sim_s, slowest_s + AHEAD_S))
            return self._sim_s


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoState:
    """What the people of the session act on; wall times in seconds."""

    in_flight: bool
    turn_back_s: dict[str, float | None]  # by box
    not_enough: tuple[str, ...]  # why a launch is advised against, one sentence a box
    fan_runs: bool  # fan 2 of the table
    fan_warned_s: float | None  # when the stalled fan was warned about


class DemoSession:
    """What people do: they mark flights at the table's button, follow the advice, and free the fan on the ground.

    Nobody charges a battery between the flights.

    Args:
        clock: the boards' and the host's.
        folder: for the boards' memory.
        speed: simulated seconds a real second, where nothing is shown slowly and the machine keeps up.
        say: shows a line of text to a person.
    """

    def __init__(self, clock: SessionClock, folder: Path, speed: float, say: Callable[[str], None]) -> None:
        self.clock, self.speed, self._say = clock, speed, say
        self.boards = [
            SimulatedBoard(box, clock, folder / box.name, ahead=speed > _AHEAD_FROM) for box in (TABLE, MAST)
        ]
        self.table = self.boards[0]
        self.stalled_s: float | None = None
        self.flight = 0
        self.not_flown: list[int] = []
        self.over = False
        self._watched_s: float | None = None
        self._unplugged_s: float | None = None
        self._freed = False
        self._pressed_until_s = 0.0
        self._land_s = 0.0
        self._turned: str | None = None
        self._begun_s = 0.0

    def start(self) -> None:
        """Switches both boxes on, at one moment."""
        self.clock.held = True
        self._begun_s = self.clock.monotonic_s()
        for board in self.boards:
            board.start()
            self.clock.followed.append(lambda box=board.box: self._begun_s + box.now_s)  # type: ignore[misc]
        self.clock.held = False

    def stop(self) -> None:
        """Switches them off; time no longer waits for them."""
        self.clock.followed.clear()
        for board in self.boards:
            board.stop()

    @property
    def now_s(self) -> float:
        """Simulated seconds since the boxes were switched on."""
        return self.clock.monotonic_s() - self._begun_s

    def wall_s(self, at_s: float) -> float:
        """Wall time of a moment of the session."""
        return self.clock.wall_s() - self.now_s + at_s

    def act(self, state: DemoState) -> None:
        """Does what is due."""
        now_s = self.now_s
        self._set_speed(now_s, state)
        self._stall_fan(now_s, state)
        if now_s < self._pressed_until_s:
            return
        if state.in_flight:
            self._fly(now_s, state)
        elif self.stalled_s is not None and not self._freed and now_s >= self._land_s + UNPLUG_AFTER_S:
            self._free_fan(now_s)
        elif self.flight < FLIGHTS and now_s >= FIRST_LAUNCH_S + self.flight * (FLIGHT_S + GAP_S):
            self._launch(now_s, state)
        elif self.flight == FLIGHTS and now_s >= self._land_s + OVER_AFTER_S:
            self.over = True

    def _press(self, now_s: float, presses: str) -> None:
        self.table.set("button", presses)
        self._pressed_until_s = now_s + PRESSES_S

    def _launch(self, now_s: float, state: DemoState) -> None:
        self.flight += 1
        if state.not_enough:
            self.not_flown.append(self.flight)
            self._land_s = now_s
            for why in state.not_enough:
                self._say(f"flight {self.flight} is not flown. {why}")
            return
        self._land_s = now_s + FLIGHT_S
        self._turned = None
        self._say(f"flight {self.flight} of {FLIGHTS}: the pilot holds the button of box table and launches")
        self._press(now_s, "held")

    def _fly(self, now_s: float, state: DemoState) -> None:
        known = {box: at_s for box, at_s in state.turn_back_s.items() if at_s is not None}
        first = min(known, key=lambda box: known[box], default=None)
        if first and self._turned is None and known[first] <= self.wall_s(now_s):
            self._turned = first
            self._land_s = min(self._land_s, now_s + TIME_HOME_S)
            self._say(f"the pilot turns back for box {first}, home at {clock(self.wall_s(self._land_s))}")
        if now_s >= self._land_s:
            self._say(f"flight {self.flight} lands; the pilot holds the button twice")
            self._press(now_s, "held_twice")

    def _stall_fan(self, now_s: float, state: DemoState) -> None:
        if self.stalled_s is not None:
            return
        if self._watched_s is None:
            if state.fan_runs and state.in_flight and now_s >= STALL_S:
                self._watched_s = now_s
        elif now_s >= self._watched_s + SLOW_BEFORE_S:
            self.stalled_s = now_s
            self.table.set("fan2", "stalled")
            self._say("a twig stops fan 2 of box table, as the demo intends; in flight all hands stay off the fans")

    def _free_fan(self, now_s: float) -> None:
        if self._unplugged_s is None:
            self._unplugged_s = now_s
            self._say("on the ground the spotter unplugs the battery of box table, then frees fan 2")
            self.table.power(False)
            self.table.set("fan2", "ok")
        elif now_s >= self._unplugged_s + UNPLUGGED_S:
            self._freed = True
            self._say("the battery of box table is plugged in again")
            self.table.power(True)

    def _set_speed(self, now_s: float, state: DemoState) -> None:
        """Slow at the start and in the stall; after the session full speed up to real time, then real speed."""
        slowly = now_s < SLOW_START_S or (self._watched_s is not None and self.stalled_s is None)
        if self.stalled_s is not None:
            slowly = now_s < self.stalled_s + (SLOW_AFTER_S if state.fan_warned_s else 3 * SLOW_AFTER_S)
        behind = self.clock.wall_s() < time.time()
        self.clock.speed = 1.0 if self.over and not behind else min(self.speed, SLOW_SPEED) if slowly else self.speed

    def fan_line(self, state: DemoState) -> str:
        """How soon the stalled fan was warned about."""
        if self.stalled_s is None:
            return "fan 2 of box table has not been stopped yet"
        if state.fan_warned_s is None:
            return "fan 2 of box table was stopped and NOT warned about"
        at_s = self.wall_s(self.stalled_s)
        after = age(state.fan_warned_s - at_s)
        return f"fan 2 of box table was stopped at {clock(at_s)}; the warning was raised after {after}"
