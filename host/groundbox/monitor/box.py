"""One box, followed: readings, events and marks in; what warnings and screens are made from out. No clock, no files."""

from collections.abc import Iterable, Mapping

from groundbox.advice.rules_battery import reads_nothing
from groundbox.advice.state import SILENT_AFTER_S, BoxState
from groundbox.advice.warner import Active
from groundbox.model import Event, Mark, Reading
from groundbox.monitor.ahead import DayLook, ahead
from groundbox.monitor.board_limits import case_levels_c
from groundbox.monitor.flight import Flight
from groundbox.monitor.heat import Heat, HeatOutlook
from groundbox.monitor.loads import declared_amps, heaviest, is_on, peak_above_mean, sheddable, touchiest
from groundbox.monitor.order import InOrder
from groundbox.monitor.sag import Sag
from groundbox.monitor.timeline import Timeline
from groundbox.monitor.tracker import Tracker
from groundbox.monitor.unmarked import Unmarked
from groundbox.monitor.view import BoxView, LoadCost
from groundbox.plan.day import Day
from groundbox.plan.demand import LoadAhead
from groundbox.settings import BoxSettings, LoadSettings
from groundbox.thermal.fit import CaseFit
from groundbox.wire.messages import RESET_CAUSES

KNOWN_BEFORE_S = 600.0  # a board heard less long ago than this has restarted if it starts again
BLIND = "no voltage from its battery"
NO_SETTINGS = "no battery and cutoff are set for this box (groundbox.toml)"


class Follower:
    """Follows one box.

    Args:
        name: as its board gives it.
        box: its settings; None for a box that is in none.
        tracker: its battery's estimator; None while the battery is not known.
        why_not: what to say while there is no tracker.
        since_s: when listening began, on the clock that never steps back.
        case: fitted from the box's sessions; None for an assumed one.

    Attributes:
        day: the day's plan, where there is one.
        filter_notice: a sentence when the sessions say that its filter clogs.
    """

    def __init__(
        self,
        name: str,
        box: BoxSettings | None,
        tracker: Tracker | None,
        why_not: str = NO_SETTINGS,
        since_s: float = 0.0,
        case: CaseFit | None = None,
    ) -> None:
        self.name, self.box = name, box
        self.filter_notice: str | None = None
        self._heat = Heat(case, box.loads if box else ())
        self._hot = HeatOutlook()
        self.day: Day | None = None
        self._day_look: DayLook | None = None
        self.limits: Mapping[str, int] = {}  # its board's own settings, as far as told
        self.reading: Reading | None = None
        self._earlier: Reading | None = None  # the last of the start before
        self._since_s = since_s
        self._heard_s: float | None = None
        self._restarted: tuple[float, str] | None = None  # wall time, cause
        self._charge_marked_s: float | None = None
        self._charging_since_s: float | None = None
        self._swapped_s = float("-inf")
        self._unmarked = Unmarked()
        self._empty_s: float | None = None
        self._estimated: Reading | None = None
        self._costs: tuple[LoadCost, ...] = ()
        self.set_tracker(tracker, why_not)

    def set_tracker(self, tracker: Tracker | None, why_not: str = NO_SETTINGS) -> None:
        """Another battery is in the box."""
        self.tracker, self.why_not = tracker, why_not
        self._timeline = tracker.timeline if tracker else Timeline()
        known = self.reading
        boot, sequence = (known.boot, known.sequence) if known else (None, None)
        if tracker and tracker.sequence is not None:
            boot, sequence = tracker.boot, tracker.sequence
        self._order = InOrder(boot, sequence)
        fitted = tracker.profile.fitted if tracker else None
        self._sag = Sag(
            self.box.lead_ohm if self.box else 0.0,
            tracker.profile.c20_ah if tracker else None,
            fitted.resistance_mohm / 1000 if fitted else None,
        )
        self._empty_s, self._estimated, self._costs = None, None, ()

    # --- in ---

    def take_reading(self, reading: Reading, now_s: float) -> None:
        """A reading came at `now_s` of the clock that never steps back."""
        known = self.reading
        if known is None or (reading.boot, reading.sequence) > (known.boot, known.sequence):
            if known is not None and reading.boot > known.boot:
                self._earlier = known
            self.reading, self._heard_s = reading, now_s
            self._sag.take(reading)
            self._watch_charging(reading)
        self._order.add(reading)

    def take_event(self, event: Event, wall_s: float) -> None:
        """An event came at wall time `wall_s`."""
        self._order.add(event)
        if event.kind != "started":
            return
        cause = RESET_CAUSES[event.value] if event.value is not None and event.value < len(RESET_CAUSES) else "other"
        at_s = event.wall_s if event.wall_s is not None else wall_s
        before_s = self._last_before(event.boot)
        was_heard = before_s is not None and 0 <= at_s - before_s < KNOWN_BEFORE_S
        on_purpose = cause == "maintenance" or abs(at_s - self._swapped_s) < KNOWN_BEFORE_S
        if not on_purpose and (was_heard or cause == "watchdog"):
            self._restarted = (at_s, cause)

    def _last_before(self, boot: int) -> float | None:
        """Wall time of the last reading of an earlier start than `boot`."""
        if self.reading is not None and self.reading.boot < boot:
            return self.reading.wall_s
        return self._earlier.wall_s if self._earlier is not None and self._earlier.boot < boot else None

    def take_mark(self, mark: Mark) -> None:
        """A person marked something at this box. A swap's new battery comes by `set_tracker`."""
        self._unmarked.marked(mark.kind)
        if mark.kind == "charge":
            self._charge_marked_s = mark.wall_s
        elif mark.kind in ("swap", "launch"):
            self._charge_marked_s = None
        if mark.kind == "swap":
            self._swapped_s = mark.wall_s

    def prime(self, readings: Iterable[Reading]) -> None:
        """Readings from the store, from before this program; they do not count as heard."""
        for reading in readings:
            self._order.add(reading)
            self._sag.take(reading)
            if self.reading is None or (reading.boot, reading.sequence) > (self.reading.boot, self.reading.sequence):
                self.reading = reading
        self._follow(self._order.flush())

    def warm_up(self, readings: Iterable[Reading]) -> None:
        """Readings from before those of `prime`: the walls of the case remember them."""
        for reading in readings:
            if reading.boot == self._timeline.boot:
                self._heat.take(self._timeline.offset_s + reading.uptime_ms / 1000, reading)

    def advance(self, now_s: float) -> None:
        """Lets the estimator see what came, in order."""
        self._follow(self._order.ready(now_s))

    def finish(self) -> None:
        """Lets the estimator see all that came, gaps or not."""
        self._follow(self._order.flush())

    def last_heard(self, now_s: float, wall_s: float) -> None:
        """Counts the newest reading, however it came, as heard when it was measured."""
        if self.reading is not None and self.reading.wall_s is not None:
            self._heard_s = now_s - max(wall_s - self.reading.wall_s, 0.0)

    def refresh(self, wall_s: float, flight: Flight | None = None) -> None:
        """Estimates anew. Nothing changes while the box is silent: the time at which runtime ends stands."""
        if self.reading is None or self.reading is self._estimated:
            return
        self._estimated, self._hot = self.reading, self._heat.outlook(case_levels_c(self.limits))
        if self.tracker is None:
            return
        to_come = ahead(self.day, self.name, flight, wall_s) if self.day and flight else None
        self.tracker.refresh(self.reading, to_come)
        self._look_at_day(to_come, wall_s)
        estimate = self.tracker.estimate
        low_s = estimate.runtime_low_s if estimate else None
        at_s = self.tracker.seen_wall_s  # what came since told nothing of its battery
        self._empty_s = None if low_s is None else (wall_s if at_s is None else at_s) + low_s
        self._costs = tuple(self._cost(load, self.reading, self.tracker) for load in self.tracker.box.loads)

    def _look_at_day(self, to_come: LoadAhead | None, wall_s: float) -> None:
        low_s = self.tracker.day_low_s if self.tracker else None
        if to_come is None:
            self._day_look = None
            return
        self._day_look = DayLook(
            last_landing_s=wall_s + to_come.until_last_landing_s,
            empty_s=None if low_s is None else wall_s + low_s,
            reserve_s=60 * self.box.reserve_min if self.box else 900.0,
        )

    @staticmethod
    def _cost(load: LoadSettings, reading: Reading, tracker: Tracker) -> LoadCost:
        on = is_on(load, reading)
        amps = load.mean_amps(reading.battery_volts or 12.0) * load.fraction
        return LoadCost(
            name=load.name, sheddable=load.sheddable, on=on, gained_s=tracker.gained_s(amps) if on and amps else None
        )

    def _follow(self, readings: Iterable[Reading]) -> None:
        for reading in readings:
            t_s = self._timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
            if t_s is not None:
                self._unmarked.take(t_s, reading)
                self._heat.take(t_s, reading)
                if self.tracker:
                    self.tracker.take(t_s, reading)

    def _watch_charging(self, reading: Reading) -> None:
        if reading.charging == "no":
            self._charging_since_s = None
        elif reading.charging is not None and self._charging_since_s is None:
            self._charging_since_s = reading.wall_s

    # --- out ---

    def state(self, now_s: float, wall_s: float, flight: Flight, silent_after_s: float = SILENT_AFTER_S) -> BoxState:
        """What the warnings are judged by."""
        reading, box, tracker = self.reading, self.box, self.tracker
        estimate = tracker.estimate if tracker else None
        loads = box.loads if box else []
        volts = reading.battery_volts if reading else None
        amps = self._amps()
        largest, touchy = heaviest(loads, volts or 12.0), touchiest(loads)
        reserve_s = 60 * box.reserve_min if box else 900.0
        turn_back_s = self._turn_back_s(flight)
        return BoxState(
            box=self.name,
            wall_s=wall_s,
            silent_s=None if self._heard_s is None else max(now_s - self._heard_s, 0.0),
            silent_after_s=silent_after_s,
            watched_s=now_s - self._since_s,
            in_flight=flight.launched_s is not None,
            landing_in_s=flight.landing_in_s(wall_s),
            next_flight_s=flight.length_s,
            reserve_s=reserve_s,
            runtime_low_s=None if self._empty_s is None else max(self._empty_s - wall_s, 0.0),
            turn_back_in_s=None if turn_back_s is None else turn_back_s - wall_s,
            findings=tuple(finding.sentence for finding in estimate.findings) if estimate else (),
            question=self._unmarked.question,
            load_known=None if tracker is None or volts is None else amps is not None,
            battery_volts=volts,
            check_volts=reading.check_volts if reading else None,
            equipment_volts=None if volts is None or box is None else volts - (amps or 0.0) * box.lead_ohm,
            cutoff_volts=box.cutoff_volts if box else None,
            end_volts=tracker.end_volts if tracker else None,
            heaviest_load=largest.name if largest else None,
            heaviest_volts=self._sag.expected(volts, amps, peak_above_mean(loads, volts or 12.0)),
            touchy_load=touchy.name if touchy else None,
            touchy_volts=touchy.highest_volts if touchy else None,
            sheddable=sheddable(loads, reading),
            low_voltage=reading.low_voltage if reading else None,
            overvoltage=reading.overvoltage if reading else None,
            charging=reading.charging if reading else None,
            charge_marked_s=None if self._charge_marked_s is None else wall_s - self._charge_marked_s,
            case_heat=reading.case_heat if reading else None,
            filter_notice=self.filter_notice,
            case_c=reading.case_c if reading else None,
            battery_c=reading.battery_c if reading else None,
            fans=tuple(fan.state for fan in reading.fans.values()) if reading else (),
            sensors=tuple(reading.sensors.items()) if reading else (),
            restarted_s=None if self._restarted is None else wall_s - self._restarted[0],
            restart_cause=self._restarted[1] if self._restarted else None,
        )

    def view(self, state: BoxState, flight: Flight, warnings: tuple[Active, ...]) -> BoxView:
        """What a screen shows."""
        estimate = self.tracker.estimate if self.tracker else None
        why = self.why_not if self.tracker is None else estimate.unknown_because if estimate else "no reading yet"
        blind = self.reading is not None and (self.reading.battery_volts is None or reads_nothing(state))
        return BoxView(
            state=state,
            reading=self.reading,
            battery=self.tracker.battery if self.tracker else None,
            estimate=estimate,
            runtime_s=None if blind else self._runtime_s(state.wall_s),
            unknown_because=BLIND if blind else why,
            turn_back_s=self._turn_back_s(flight),
            charging_since_s=self._charging_since_s,
            warnings=warnings,
            c20_ah=self.tracker.profile.c20_ah if self.tracker else None,
            loads=self._costs,
            heat=self._hot,
            day=self._day_look,
            limits=self.limits,
        )

    @property
    def place(self) -> str | None:
        """Where the board believes the aircraft is; None when it was not heard in this run."""
        return self.reading.place if self.reading and self._heard_s is not None else None

    def _runtime_s(self, wall_s: float) -> tuple[float, float, float] | None:
        """Low, expected, high; time that passed since the estimate is taken off."""
        estimate = self.tracker.estimate if self.tracker else None
        if estimate is None or estimate.runtime_low_s is None or self._empty_s is None:
            return None
        expected_s, high_s = estimate.runtime_expected_s or 0.0, estimate.runtime_high_s or 0.0
        passed_s = wall_s - (self._empty_s - estimate.runtime_low_s)
        low_s, expected_s, high_s = (max(s - passed_s, 0.0) for s in (estimate.runtime_low_s, expected_s, high_s))
        return low_s, expected_s, high_s

    def _turn_back_s(self, flight: Flight) -> float | None:
        return flight.turn_back_s(self._empty_s, 60 * self.box.reserve_min if self.box else 900.0)

    def _amps(self) -> float | None:
        reading = self.reading
        if reading is None or reading.battery_amps is not None or self.box is None:
            return reading.battery_amps if reading else None
        return declared_amps(self.box.loads, reading.battery_volts or 12.0, reading)
