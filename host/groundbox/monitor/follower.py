"""Follows one box: takes readings, events and marks; gives the state that advice judges. No clock, no files."""

from collections.abc import Iterable, Mapping

from msgspec import structs

from groundbox.advice.limits import (
    DEFAULT_RESERVE_S,
    SILENT_AFTER_S,
    STALE_AFTER_S,
    battery_levels_c,
    case_levels_c,
    low_levels_volts,
)
from groundbox.advice.result import BoxAdvice, DayShown, HeatShown, LoadShown
from groundbox.advice.state import BoxState
from groundbox.battery.values import Estimate
from groundbox.model import Event, Mark, Reading
from groundbox.monitor.flight import Flight
from groundbox.monitor.habit import Habit, Usual
from groundbox.monitor.heat import Heat
from groundbox.monitor.interruptions import Restarts, Unmarked
from groundbox.monitor.loads import Sag, declared_amps, largest_start, most_fragile, peak_above_mean, sheddable
from groundbox.monitor.reading_order import InOrder, Timeline
from groundbox.monitor.shown import (
    BOUNDS,
    ChargeSentence,
    day_shown,
    load_shown,
    outputs_shown,
    readings_shown,
    runtimes,
)
from groundbox.monitor.tracker import Tracker, ahead
from groundbox.plan.day import LOADED_VOLTS, Day
from groundbox.plan.demand import LoadAhead
from groundbox.settings import BoxSettings
from groundbox.thermal.fit import CaseFit
from groundbox.wire.sequences import Sequences

NO_SETTINGS = "no battery and cutoff are set for this box, add [boxes.NAME] to groundbox.toml"
NO_VOLTAGE = "its board reads no battery voltage"
CHARGE_SEEN_S = 10.0  # a charge that lasted so long did arrive


def load_differs(estimate: Estimate | None) -> str | None:
    """How the measured load differs from the declared one, in words; None where it does not, or nothing is known."""
    found = estimate.findings if estimate else ()
    return next((finding.sentence for finding in found if finding.kind == "load?"), None)


class Follower:
    """Follows one box.

    Args:
        name: as its board gives it.
        box: its settings; None for a box that is in none.
        tracker: its battery's estimator; None while the battery is not known.
        why_not: the reason shown while there is no tracker.
        since_s: when listening began, on the steady clock, which never steps back.
        case: fitted from the box's sessions; None for an assumed one.
        habit: state of its `Habit` after earlier sessions.

    Attributes:
        flight_since_s: when its board began to report a flight, on the steady clock; None: on the ground or unknown.
        day: the day's plan, where there is one.
        habit: what the box usually draws.
        trust_improves: what would make the runtime of the battery in the box better known; None: nothing, or unknown.
        filter_notice: a sentence when the sessions show that its filter clogs; "" for nothing, None for unknown.
    """

    def __init__(
        self,
        name: str,
        box: BoxSettings | None,
        tracker: Tracker | None,
        why_not: str = NO_SETTINGS,
        since_s: float = 0.0,
        case: CaseFit | None = None,
        habit: Mapping[str, object] | None = None,
    ) -> None:
        self.name, self.box = name, box
        self.filter_notice: str | None = None
        self.trust_improves: str | None = None
        self.habit = Habit(box.loads if box else (), habit)
        self._heat = Heat(case, box.loads if box else ())
        self._heat_outlook: HeatShown | None = None
        self.day: Day | None = None
        self._day_shown: DayShown | None = None
        self.limits: Mapping[str, int] = {}  # its board's own settings, as far as reported
        self.reading: Reading | None = None
        self._since_s = since_s
        self._heard_s: float | None = None
        self._restarts = Restarts()
        self._reports_s: dict[str, float] = {}  # kind of event: when the newest came
        self._charge_marked_s: float | None = None
        self._charging_since_s: float | None = None
        self._charge_ended_s: float | None = None  # wall time of the newest end of a charge
        self.flight_since_s: float | None = None
        self._received_boot, self._received = -1, Sequences()  # records of the newest start
        self._gap_ended_s: float | None = None  # when the newest record behind a gap arrived; None: no gap
        self._unmarked = Unmarked()
        self._ends_s: dict[str, float | None] = {}  # when each bound of the runtime ends, by the steady clock
        self._estimated: Reading | None = None
        self._loads_shown: tuple[LoadShown, ...] = ()
        self._charge_sentence = ChargeSentence()
        self.set_tracker(tracker, why_not)

    def set_tracker(self, tracker: Tracker | None, why_not: str = NO_SETTINGS) -> None:
        """Another battery is in the box."""
        self.trust_improves = None
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
        self._ends_s, self._estimated, self._loads_shown = {}, None, ()
        self._charge_sentence = ChargeSentence()

    # --- in ---

    def take_reading(self, reading: Reading, now_s: float) -> None:
        """A reading arrived at `now_s` of the steady clock."""
        known = self.reading
        if known is None or (reading.boot, reading.sequence) > (known.boot, known.sequence):
            if known is not None and reading.boot > known.boot:
                self._restarts.new_start(known)
            self.reading, self._heard_s = reading, now_s
            self._sag.take(reading)
            self._watch_charging(reading, now_s)
            if reading.place == "flight" and self.flight_since_s is None:
                self.flight_since_s = now_s
            elif reading.place == "ground":
                self.flight_since_s = None
        self._note_received(reading, now_s)
        self._order.add(reading)

    def take_event(self, event: Event, now_s: float, wall_s: float) -> None:
        """An event arrived at `now_s` of the steady clock, `wall_s` by the wall clock."""
        self._note_received(event, now_s)
        self._order.add(event)
        self._reports_s[event.kind] = now_s - max(wall_s - (event.wall_s or wall_s), 0.0)
        if event.kind == "started":
            self._restarts.take(event, self.reading, now_s, wall_s)

    def _note_received(self, record: Reading | Event, now_s: float) -> None:
        if record.boot > self._received_boot:
            self._received_boot, self._received = record.boot, Sequences()
        if record.boot == self._received_boot:
            if record.sequence > self._received.highest + 1:
                self._gap_ended_s = now_s
            self._received.add(record.sequence)
            if not self._received.missing(self._received.highest):
                self._gap_ended_s = None

    def heard_all_since(self, at_s: float) -> bool:
        """True where no record of its board from after `at_s` of the steady clock is missing."""
        return self._gap_ended_s is None or self._gap_ended_s <= at_s

    def take_mark(self, mark: Mark, now_s: float, wall_s: float) -> None:
        """A person marked something at this box, or took a mark back. A swap's battery comes by `set_tracker`."""
        at_s = now_s - max(wall_s - mark.wall_s, 0.0)
        if mark.kind == "undo":
            if mark.name in (None, "charge"):
                self._charge_marked_s = None
            return
        self._unmarked.marked(mark.kind)
        ended_s = self._charge_ended_s
        if mark.kind == "charge" and (ended_s is None or ended_s <= mark.wall_s):
            self._charge_marked_s = at_s
        elif mark.kind in ("swap", "launch"):
            self._charge_marked_s = None
        if mark.kind == "swap":
            self._restarts.swapped_s = at_s

    def launched(self) -> None:
        """The aircraft launched, wherever that was marked: a charge marked before is over."""
        self._charge_marked_s = None

    def prime(self, readings: Iterable[Reading]) -> None:
        """Readings from the store, from before this program; they do not count as heard."""
        for reading in readings:
            self._order.add(reading)
            self._sag.take(reading)
            if self.reading is None or (reading.boot, reading.sequence) > (self.reading.boot, self.reading.sequence):
                self.reading = reading
                self.flight_since_s = float("-inf") if reading.place == "flight" else None
                self._received_boot, self._received = reading.boot, Sequences(reading.sequence)
            self._watch_charging(reading, reading.uptime_ms / 1000)
        self._charging_since_s = None
        self._follow(self._order.flush())

    def warm_up(self, readings: Iterable[Reading]) -> None:
        """Readings from before those of `prime`: the temperature of the case's walls depends on them."""
        for reading in readings:
            self._watch_charging(reading, reading.uptime_ms / 1000)
            if reading.boot == self._timeline.boot:
                self._heat.take(self._timeline.offset_s + reading.uptime_ms / 1000, reading)

    def advance(self, now_s: float) -> None:
        """Passes the readings that are due to the estimator, in order."""
        self._follow(self._order.ready(now_s))

    def finish(self) -> None:
        """Passes all readings to the estimator, whether or not some are missing."""
        self._follow(self._order.flush())

    def refresh(self, now_s: float, wall_s: float, flight: Flight | None = None) -> None:
        """Makes a new estimate. While the box is silent nothing changes: the moment at which runtime ends is held."""
        if self.reading is None or self.reading is self._estimated:
            return
        self._estimated, self._heat_outlook = self.reading, self._heat.outlook(case_levels_c(self.limits))
        if self.tracker is None:
            return
        to_come = None
        if self.day and flight:
            to_come = ahead(self.day, self.name, flight, now_s, wall_s, self.usual_flight_amps)
        self.tracker.refresh(self.reading, to_come, self._usual(flight), self._sag)
        measured_s = now_s - self._age_s(now_s, wall_s)
        self._ends_s = {name: _sum(measured_s, left_s) for name, left_s in runtimes(self.tracker.estimate).items()}
        self._day_shown = self._by_day(to_come, wall_s, measured_s - now_s + wall_s)
        self._loads_shown = tuple(load_shown(load, self.reading, self.tracker) for load in self.tracker.box.loads)

    def _usual(self, flight: Flight | None) -> Usual | None:
        """The habit that decides: of the flight in the air, or of the next one where it is known.

        On the ground the larger of both counts, as with the day's plan.
        """
        usual, ground = self.habit.usual("flight"), self.habit.usual("ground")
        if usual is None or flight is None or flight.in_flight or ground is None:
            return usual
        return max(usual, ground, key=lambda one: one.watts)

    def _age_s(self, now_s: float, wall_s: float) -> float:
        """Age of the newest reading that the tracker could use; readings after it held no battery voltage."""
        tracker, reading = self.tracker, self.reading
        assert tracker is not None
        if reading is None or self._heard_s is None or tracker.voltage_boot != reading.boot:
            return 0.0 if tracker.voltage_wall_s is None else max(wall_s - tracker.voltage_wall_s, 0.0)
        return max((reading.uptime_ms - (tracker.voltage_uptime_ms or 0)) / 1000, 0.0) + now_s - self._heard_s

    def _by_day(self, to_come: LoadAhead | None, wall_s: float, measured_wall_s: float) -> DayShown | None:
        if to_come is None or self.tracker is None:
            return None
        return day_shown(
            wall_s + to_come.until_last_landing_s, _sum(measured_wall_s, self.tracker.day_low_s), self._reserve_s
        )

    def _follow(self, readings: Iterable[Reading]) -> None:
        for reading in readings:
            t_s = self._timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
            if t_s is not None:
                self._unmarked.take(t_s, reading)
                self._heat.take(t_s, reading)
                self.habit.take(t_s, reading)
                if self.tracker:
                    self.tracker.take(t_s, reading)

    def _watch_charging(self, reading: Reading, now_s: float) -> None:
        if reading.charging == "no":
            if self._charging_since_s is not None and now_s - self._charging_since_s >= CHARGE_SEEN_S:
                self._charge_marked_s, self._charge_ended_s = None, reading.wall_s
            self._charging_since_s = None
        elif reading.charging is not None and self._charging_since_s is None:
            self._charging_since_s = now_s

    # --- out ---

    def state(self, now_s: float, wall_s: float, flight: Flight, silent_after_s: float = SILENT_AFTER_S) -> BoxState:
        """What advice is made from."""
        reading, box, tracker = self.reading, self.box, self.tracker
        estimate = tracker.estimate if tracker else None
        loads = box.loads if box else []
        volts = reading.battery_volts if reading else None
        amps = self._amps()
        start, fragile = largest_start(loads, volts or 12.0), most_fragile(loads)
        low_s, expected_s, high_s = (self._left_s(name, now_s) for name in BOUNDS)
        time_home_s, restarted = flight.time_home_s, self._restarts.newest
        turn_back_in_s = None if low_s is None or time_home_s is None else low_s - self._reserve_s - time_home_s
        state = BoxState(
            box=self.name,
            wall_s=wall_s,
            silent_s=None if self._heard_s is None else max(now_s - self._heard_s, 0.0),
            silent_after_s=silent_after_s,
            watched_s=now_s - self._since_s,
            in_flight=flight.in_flight,
            returning=flight.returning,
            landing_in_s=flight.landing_in_s(now_s),
            flight_s=flight.length_s,
            time_home_s=time_home_s,
            reserve_s=self._reserve_s,
            runtime_low_s=low_s,
            runtime_expected_s=expected_s,
            runtime_high_s=high_s,
            runtime_unknown_because=self._unknown_because(estimate),
            trust=None if low_s is None or estimate is None else estimate.trust,
            turn_back_in_s=turn_back_in_s,
            findings=tuple(finding.sentence for finding in estimate.findings) if estimate else (),
            question=self._unmarked.question,
            battery_in_doubt=self._unmarked.in_doubt,
            load_known=None if tracker is None or volts is None else amps is not None,
            load_differs=load_differs(estimate),
            charge_advice=self._charge_advice(now_s, low_s, flight),
            battery_volts=volts,
            check_volts=reading.check_volts if reading else None,
            equipment_volts=None if volts is None or box is None else volts - (amps or 0.0) * box.lead_ohm,
            cutoff_volts=box.cutoff_volts if box else None,
            end_volts=tracker.end_volts if tracker else None,
            start_load=start.name if start else None,
            start_volts=self._sag.expected(volts, amps, peak_above_mean(loads, volts or 12.0)),
            fragile_load=fragile.name if fragile else None,
            fragile_volts=fragile.highest_volts if fragile else None,
            sheddable=sheddable(loads, reading),
            low_voltage=reading.low_voltage if reading else None,
            low_levels_volts=low_levels_volts(self.limits),
            overvoltage=reading.overvoltage if reading else None,
            charging=reading.charging if reading else None,
            battery_heat=reading.battery_heat if reading else None,
            charging_s=None if self._charging_since_s is None else now_s - self._charging_since_s,
            charge_marked_s=None if self._charge_marked_s is None else now_s - self._charge_marked_s,
            case_heat=reading.case_heat if reading else None,
            case_levels_c=case_levels_c(self.limits),
            filter_notice=self.filter_notice,
            case_c=reading.case_c if reading else None,
            battery_c=reading.battery_c if reading else None,
            battery_levels_c=battery_levels_c(self.limits),
            intake_c=reading.intake_c if reading else None,
            humidity_percent=reading.humidity_percent if reading else None,
            fans=tuple(fan.state for fan in reading.fans.values()) if reading else (),
            sensors=tuple(reading.sensors.items()) if reading else (),
            outputs=tuple(reading.outputs.values()) if reading else (),
            button=reading.button if reading else None,
            reports=tuple((kind, now_s - at_s) for kind, at_s in self._reports_s.items()),
            restarted_s=None if restarted is None else now_s - restarted.at_s,
            restart_cause=restarted.cause if restarted else None,
        )
        if reading is not None and (volts is None or state.reads_no_battery):
            return state.without_runtime(NO_VOLTAGE)
        return state

    def completed(self, advice: BoxAdvice, state: BoxState) -> BoxAdvice:
        """The advice with what it rests on: readings, loads, outputs, heat, battery."""
        reading, tracker = self.reading, self.tracker
        estimate = tracker.estimate if tracker else None
        return structs.replace(
            advice,
            battery=tracker.battery if tracker else None,
            soc=estimate.soc if estimate and advice.runtime_unknown_because != "no data" else None,
            trust_improves=None if advice.trust in (None, "doubtful") else self.trust_improves,
            runtime_limit=estimate.limit if estimate and state.runtime_low_s is not None else None,
            stale_after_s=max(STALE_AFTER_S, state.silent_after_s),
            readings=readings_shown(state, reading, self.limits),
            loads=self._loads_shown,
            outputs=outputs_shown(reading, self.limits, self.box) if reading else (),
            heat=self._heat_outlook,
            day=self._day_shown,
        )

    @property
    def place(self) -> str | None:
        """Where the board takes the aircraft to be: ground or flight; None when it was not heard in this run."""
        return self.reading.place if self.reading and self._heard_s is not None else None

    @property
    def usual_flight_amps(self) -> float | None:
        """What the box draws in flight by habit, as plans take it: amperes at their loaded voltage; None: unknown."""
        usual = self.habit.usual("flight")
        return None if usual is None else usual.watts / LOADED_VOLTS

    @property
    def in_doubt(self) -> bool:
        """True while it is not known which battery is in the box, or how full it is: a change was not marked."""
        return self._unmarked.in_doubt

    @property
    def _reserve_s(self) -> float:
        return 60 * self.box.reserve_min if self.box else DEFAULT_RESERVE_S

    def _left_s(self, bound: str, now_s: float) -> float | None:
        end_s = self._ends_s.get(bound)
        return None if end_s is None else max(end_s - now_s, 0.0)

    def _unknown_because(self, estimate: Estimate | None) -> str | None:
        if self.tracker is None:
            return self.why_not
        return estimate.unknown_because if estimate else "no reading yet"

    def _charge_advice(self, now_s: float, low_s: float | None, flight: Flight) -> str | None:
        """How to charge what one more flight lacks; None in flight, and while nothing lacks or it is unknown."""
        if low_s is None or flight.length_s is None or flight.in_flight or self.tracker is None:
            return None
        needs_s = flight.length_s + self._reserve_s
        if low_s >= needs_s:
            return None
        return self._charge_sentence.words(now_s, self.name, needs_s, self.tracker, self.day, self.reading)

    def _amps(self) -> float | None:
        reading = self.reading
        if reading is None or reading.battery_amps is not None or self.box is None:
            return reading.battery_amps if reading else None
        return declared_amps(self.box.loads, reading.battery_volts or 12.0, reading)


def _sum(at_s: float, left_s: float | None) -> float | None:
    return None if left_s is None else at_s + left_s
