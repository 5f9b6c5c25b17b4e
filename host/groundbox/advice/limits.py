"""Every threshold of the host's advice, in one place.

Limits without a source are common practice, no source. The board's own limits (heat, low voltage, charging) are its
settings: `case_levels_c` and `celsius` read what a board reported, or its defaults.
"""

from collections.abc import Mapping

from groundbox.wire.settings import SETTINGS

# Age of a box's newest reading, seconds.
SILENT_AFTER_S = 3.5  # readings come each second: the third one missed, and half a second for its way
STALE_AFTER_S = 10.0  # shown values are marked stale
NO_DATA_FLIGHT_S, NO_DATA_GROUND_S = 10.0, 20.0  # a viewer without news raises its own alarm
RECORDER_STALE_S = 5.0  # a recorder stores advice each second or two
DATA_WITHDRAWN_S = 60.0  # values are no longer shown as present

# The flight.
DEFAULT_RESERVE_S = 900.0
COUNTDOWN_S = (600.0, 300.0, 120.0)  # spoken before the turn-back time; at it a warning sounds
COARSE_ABOVE_S, COARSE_STEP_S, FINE_STEP_S = 1800.0, 300.0, 60.0  # shown figures are rounded down to these steps
LATER_AFTER_S = 120.0  # a turn-back time moves later only after it was later for so long
LATER_BY_S = 120.0  # and only where so much less is later too: small steps back and forth confuse
MOVED_SHOWN_S = 300.0  # so long a move of the turn-back time is mentioned
PASSED_LONG_S = 120.0  # a turn-back time that passed longer ago is not named
CLEAR_MARGIN_S = 60.0  # a raised warning of runtime asks for so much more before it clears
CLOCK_STEP_S = 60.0  # a computer's clock this far behind the newest stored row is reported

# Voltage.
NO_BATTERY_VOLTS = 2.0  # less than any battery: a fuse or connector is open
CHARGER_VOLTS = 13.0  # at the battery: a charger holds it
CLEAR_CUTOFF_VOLTS, CLEAR_START_VOLTS, CLEAR_LOAD_VOLTS = 0.3, 0.2, 0.2  # hysteresis of the voltage warnings
CHARGE_STARTS_WITHIN_S = 60.0

# Other.
RESTART_SHOWN_S = 300.0
DEW_MARGIN_K = 1.0  # a surface this near the dew point counts as wet
DAMP_PERCENT = 95.0  # a sensor that reads this sees condensation itself

_DEFAULTS = {name: default for name, default, *_ in SETTINGS}


def celsius(limits: Mapping[str, int], *names: str) -> tuple[float, ...]:
    """The board settings `names` in °C: as that board reported them, else the default of new boards.

    Args:
        limits: setting -> whole number as reported; settings not reported are missing.
        names: settings that end in `_centi_c`.
    """
    return tuple(limits.get(name, _DEFAULTS[name]) / 100 for name in names)


def case_levels_c(limits: Mapping[str, int]) -> tuple[float, ...]:
    """Case temperature levels notice, urgent and stop of a board, °C."""
    return celsius(limits, "case_notice_centi_c", "case_urgent_centi_c", "case_stop_centi_c")


def battery_levels_c(limits: Mapping[str, int]) -> tuple[float, ...]:
    """Battery temperature levels cold, warm, hot, urgent and stop of a board, °C: charge it between the first two."""
    return celsius(limits, *(f"battery_{level}_centi_c" for level in ("cold", "warm", "hot", "urgent", "stop")))


def low_levels_volts(limits: Mapping[str, int]) -> tuple[float, ...]:
    """Low-voltage levels notice, urgent and stop of a board, volts."""
    names = ("low_notice_mv", "low_urgent_mv", "low_stop_mv")
    return tuple(limits.get(name, _DEFAULTS[name]) / 1000 for name in names)


def fan_levels_c(limits: Mapping[str, int]) -> tuple[float, ...]:
    """Case temperatures at which a board's thermostat switches its fans on and off, °C."""
    return celsius(limits, "fan_on_centi_c", "fan_off_centi_c")
