"""The invented session as a simulation: its boxes, its clock, and what people do in it. All numbers invented."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from groundbox.advice.words import clock, span
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.demo_boxes import MAST, TABLE

FIRST_LAUNCH_S = 300.0
FLIGHTS, FLIGHT_S, GAP_S = 4, 35 * 60.0, 40 * 60.0
LAST_LANDING_S = FIRST_LAUNCH_S + FLIGHTS * FLIGHT_S + (FLIGHTS - 1) * GAP_S
STALL_S = FIRST_LAUNCH_S + 10 * 60.0  # when its fans next run after this, a twig stops fan 2 of the table
FREED_AFTER_S = 300.0
SLOW_BEFORE_S, SLOW_AFTER_S, SLOW_SPEED = 10.0, 20.0, 5.0  # the stall is shown slowly
PRESS_S = 4.0  # how long the button is held to mark a launch or landing; the board wants 1.5 s
AHEAD_S = 1.0  # the clock is so far ahead of the slowest board at most


class SessionClock(SimClock):
    """Simulated time whose speed may change, and which waits for boards that cannot keep up: nobody is ever late.

    Attributes:
        followed: for each board, what simulated time it has reached.
        held: True stops it.
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
class Standing:
    """What the people of the session go by."""

    in_flight: bool
    turn_back_s: dict[str, float | None]  # wall time, by box
    not_enough: tuple[str, ...]  # why a launch is advised against, one sentence a box
    fan_runs: bool  # fan 2 of the table
    fan_warned_s: float | None  # wall time at which the stalled fan was warned about


class Session:
    """What people do: they mark at the table's button, free the fan, stay on the ground when told to, and turn back.

    Args:
        clock: the boards' and the host's.
        folder: for the boards' memory.
        speed: simulated seconds a real second, where nothing is shown slowly and the machine keeps up.
        say: tells a person what happens.
    """

    def __init__(self, clock: SessionClock, folder: Path, speed: float, say: Callable[[str], None]) -> None:
        self.clock, self.speed, self._say = clock, speed, say
        self.boards = [SimulatedBoard(box, clock, folder / box.name) for box in (TABLE, MAST)]
        self.table = self.boards[0]
        self.stalled_s: float | None = None
        self.freed = False
        self._watched_s: float | None = None
        self.flight = 0
        self.skipped: list[int] = []
        self.over = False
        self._released_s: float | None = None
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

    def act(self, standing: Standing) -> None:
        """Does what is due."""
        now_s = self.now_s
        self._set_pace(now_s, standing)
        self._fan(now_s, standing)
        if self._released_s is not None:
            if now_s >= self._released_s:
                self.table.set("button", "released")
                self._released_s = None
        elif standing.in_flight:
            self._fly(now_s, standing)
        elif self.flight < FLIGHTS and now_s >= FIRST_LAUNCH_S + self.flight * (FLIGHT_S + GAP_S):
            self._launch(now_s, standing)
        elif self.flight == FLIGHTS and now_s >= LAST_LANDING_S:
            self.over = True

    def _press(self, now_s: float) -> None:
        self.table.set("button", "pressed")
        self._released_s = now_s + PRESS_S

    def _launch(self, now_s: float, standing: Standing) -> None:
        self.flight += 1
        if standing.not_enough:
            self.skipped.append(self.flight)
            for why in standing.not_enough:
                self._say(f"flight {self.flight} is not flown. {why}")
            return
        self._land_s = now_s + FLIGHT_S
        self._turned = None
        self._say(f"flight {self.flight} of {FLIGHTS}: the pilot holds the button of box table and launches")
        self._press(now_s)

    def _fly(self, now_s: float, standing: Standing) -> None:
        latest = {box: at_s for box, at_s in standing.turn_back_s.items() if at_s is not None}
        first = min(latest, key=lambda box: latest[box], default=None)
        if first and self._turned is None and latest[first] <= self.wall_s(now_s):
            self._turned = first
            self._land_s = min(self._land_s, now_s + 8 * 60.0)
            self._say(f"the pilot turns back for box {first}, home at {clock(self.wall_s(self._land_s))}")
        if now_s >= self._land_s:
            self._say(f"flight {self.flight} lands; the pilot holds the button again")
            self._press(now_s)

    def _fan(self, now_s: float, standing: Standing) -> None:
        if self.stalled_s is None:
            if self._watched_s is None:
                if standing.fan_runs and now_s >= STALL_S:
                    self._watched_s = now_s
            elif now_s >= self._watched_s + SLOW_BEFORE_S:
                self.stalled_s = now_s
                self.table.set("fan2", "stalled")
                self._say("a twig stops fan 2 of box table (on purpose)")
        elif not self.freed and now_s >= self.stalled_s + FREED_AFTER_S:
            self.freed = True
            self.table.set("fan2", "ok")
            self._say("the spotter frees fan 2")

    def _set_pace(self, now_s: float, standing: Standing) -> None:
        """Slow while the stall is shown, at real speed once all is over."""
        slowly = self._watched_s is not None and self.stalled_s is None
        if self.stalled_s is not None:
            slowly = now_s < self.stalled_s + (SLOW_AFTER_S if standing.fan_warned_s else 3 * SLOW_AFTER_S)
        self.clock.speed = 1.0 if self.over else min(self.speed, SLOW_SPEED) if slowly else self.speed

    def told_of_fan(self, standing: Standing) -> str:
        """How soon the stalled fan was warned about."""
        if self.stalled_s is None:
            return "fan 2 of box table has not been stopped yet"
        if standing.fan_warned_s is None:
            return "fan 2 of box table was stopped and NOT warned about"
        at_s = self.wall_s(self.stalled_s)
        after = span(standing.fan_warned_s - at_s)
        return f"fan 2 of box table was stopped at {clock(at_s)}, and warned about {after} later"
