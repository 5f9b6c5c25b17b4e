"""What the warnings are judged by: one box at one moment."""

from dataclasses import dataclass

SILENT_AFTER_S = 3.5  # readings come each second: the third one missed, and half a second for its way


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxState:
    """One box at one moment; None is unknown, and unknown neither raises nor clears a warning.

    Volts, amperes, celsius; `_s` are seconds: `silent_s` since the newest reading (None: never heard; above
    `silent_after_s` it counts as silent), `watched_s` since this program listens for the box, `turn_back_in_s` and
    `landing_in_s` until then (below 0: past), `charge_marked_s` since a charge was marked and nothing later was,
    `restarted_s` since the board restarted unexpectedly. Words of the board (`low_voltage`, `charging`, ...) are those
    of wire.messages.
    """

    box: str
    wall_s: float
    silent_s: float | None = None
    silent_after_s: float = SILENT_AFTER_S
    watched_s: float = 0.0
    # The flight.
    in_flight: bool = False
    landing_in_s: float | None = None
    next_flight_s: float | None = None
    reserve_s: float = 900.0
    # The estimate.
    runtime_low_s: float | None = None
    turn_back_in_s: float | None = None
    findings: tuple[str, ...] = ()
    question: str | None = None
    load_known: bool | None = None  # what it draws is measured or declared
    # Voltages and loads.
    battery_volts: float | None = None
    check_volts: float | None = None
    equipment_volts: float | None = None
    cutoff_volts: float | None = None
    end_volts: float | None = None
    heaviest_load: str | None = None
    heaviest_volts: float | None = None  # equipment voltage to expect when it starts
    touchy_load: str | None = None
    touchy_volts: float | None = None  # the most that load stands
    sheddable: tuple[str, ...] = ()
    low_voltage: str | None = None
    overvoltage: str | None = None
    # Charge, heat, fans, sensors
    charging: str | None = None
    charge_marked_s: float | None = None
    case_heat: str | None = None
    filter_notice: str | None = None  # what the sessions say of its filter; "" is nothing
    case_c: float | None = None
    battery_c: float | None = None
    fans: tuple[str | None, ...] = ()
    sensors: tuple[tuple[str, str | None], ...] = ()  # (name in wire.messages.CHANNELS, state)
    # The board.
    restarted_s: float | None = None
    restart_cause: str | None = None

    @property
    def is_silent(self) -> bool:
        """True where nothing fresh is known: never heard, or not for `silent_after_s`."""
        return self.silent_s is None or self.silent_s > self.silent_after_s
