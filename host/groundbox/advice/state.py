"""What advice is made from: one box at one moment. None is unknown."""

from dataclasses import dataclass, replace
from typing import Self

from groundbox.advice.limits import DEFAULT_RESERVE_S, NO_BATTERY_VOLTS, SILENT_AFTER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxState:
    """One box at one moment; None is unknown. Unknown neither raises nor clears a warning, and is never good.

    Volts, amperes, °C; `_s` are seconds. Words of the board (`low_voltage`, `charging`, ...) are wire.messages' own.

    Attributes:
        silent_s: since the newest reading; None: never heard. Above `silent_after_s` the box counts as silent.
        watched_s: since this program listens for the box.
        landing_in_s, turn_back_in_s: until then; below 0: past. Not rounded.
        flight_s: length of the present or next flight; None: not set.
        returning: a person marked that the pilot is on the way home.
        runtime_low_s, runtime_expected_s, runtime_high_s: from now on.
        trust: how the runtime is known: measured, one_session, nameplate, doubtful.
        question: what a person is asked about the battery; `battery_in_doubt`: the runtime may be another battery's.
        start_volts: voltage at the equipment to expect when `start_load`, the load with the largest start, starts.
        fragile_volts: highest voltage allowed at `fragile_load`, the load that bears the least.
        charge_marked_s: since a charge was marked and nothing later was.
        charge_advice: how to charge what is missing for one more flight, in words without cautions.
        restarted_s: since the board restarted unexpectedly.
        filter_notice: what the sessions show of its filter; "" is nothing.
        outputs: state of output 1, 2; `button`: of the button.
        reports: (kind, seconds ago) of the newest event of each kind, one of wire.messages.EVENTS.
    """

    box: str
    wall_s: float
    silent_s: float | None = None
    silent_after_s: float = SILENT_AFTER_S
    watched_s: float = 0.0
    # The flight.
    in_flight: bool = False
    returning: bool = False
    landing_in_s: float | None = None
    flight_s: float | None = None
    time_home_s: float | None = None
    reserve_s: float = DEFAULT_RESERVE_S
    # The model.
    runtime_low_s: float | None = None
    runtime_expected_s: float | None = None
    runtime_high_s: float | None = None
    runtime_unknown_because: str | None = None
    trust: str | None = None
    turn_back_in_s: float | None = None
    findings: tuple[str, ...] = ()
    question: str | None = None
    battery_in_doubt: bool = False
    load_known: bool | None = None  # what it draws is measured or declared
    load_differs: str | None = None  # how the measured load differs from the declared one, where it does
    charge_advice: str | None = None
    # Voltages and loads.
    battery_volts: float | None = None
    check_volts: float | None = None
    equipment_volts: float | None = None
    cutoff_volts: float | None = None
    end_volts: float | None = None
    start_load: str | None = None
    start_volts: float | None = None
    fragile_load: str | None = None
    fragile_volts: float | None = None
    sheddable: tuple[str, ...] = ()
    low_voltage: str | None = None
    low_levels_volts: tuple[float, ...] = ()
    overvoltage: str | None = None
    # Charge, heat, fans, sensors.
    charging: str | None = None
    battery_heat: str | None = None
    charging_s: float | None = None
    charge_marked_s: float | None = None
    case_heat: str | None = None
    case_levels_c: tuple[float, ...] = ()
    filter_notice: str | None = None
    case_c: float | None = None
    battery_c: float | None = None
    battery_levels_c: tuple[float, ...] = ()
    intake_c: float | None = None
    humidity_percent: float | None = None
    fans: tuple[str | None, ...] = ()
    sensors: tuple[tuple[str, str | None], ...] = ()  # (name in wire.messages.CHANNELS, state)
    # The board.
    outputs: tuple[str | None, ...] = ()
    button: str | None = None
    reports: tuple[tuple[str, float], ...] = ()
    restarted_s: float | None = None
    restart_cause: str | None = None

    @property
    def is_silent(self) -> bool:
        """True where nothing fresh is known: never heard, or not for `silent_after_s`."""
        return self.silent_s is None or self.silent_s > self.silent_after_s

    @property
    def is_charging(self) -> bool:
        """True while the board sees a charger."""
        return self.charging not in (None, "no")

    def without_runtime(self, because: str) -> Self:
        """The same state with the runtime unknown: an earlier estimate does not hold now."""
        return replace(
            self,
            runtime_low_s=None,
            runtime_expected_s=None,
            runtime_high_s=None,
            runtime_unknown_because=because,
            trust=None,
            turn_back_in_s=None,
        )

    @property
    def reads_no_battery(self) -> bool:
        """True when the board works and every voltage it has shows no battery."""
        known = [value for value in (self.battery_volts, self.check_volts) if value is not None]
        if known:
            return max(known) < NO_BATTERY_VOLTS
        states = dict(self.sensors)
        return states.get("voltage") in ("open", "range") and states.get("check") in ("open", "range", "absent")

    @property
    def battery_heat_in_doubt(self) -> bool:
        """True when the fitted sensor of the battery gives nothing: the board's "clear" then judges nothing."""
        return self.battery_c is None and dict(self.sensors).get("battery", "absent") != "absent"
