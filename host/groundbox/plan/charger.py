"""A charger of the day file: when it can be used, and what it does. Needs no NumPy."""

from math import inf

from groundbox.plan import charge
from groundbox.plan.day import Day, since
from groundbox.plan.day_shape import DayCharger


def open_minutes(day: Day, charger: DayCharger) -> tuple[float, float]:
    """(from, until) in minutes of the day that a charger and its source can be used."""
    source = day.sources.get(charger.source or "")
    begin, end = 0.0, inf
    for entry_from, entry_until in (
        (charger.open_from, charger.open_until),
        (source.on_from, source.on_until) if source else (None, None),
    ):
        if entry_from is not None:
            begin = max(begin, _since_start(day, entry_from.hour * 60 + entry_from.minute))
        if entry_until is not None:
            end = min(end, _since_start(day, entry_until.hour * 60 + entry_until.minute))
    return begin, end


def _since_start(day: Day, clock_min: float) -> float:
    return since(day.start_clock_min, clock_min)


def charger_of(entry: DayCharger, amps: float) -> charge.Charger:
    """The day file's charger set to `amps`."""
    return charge.Charger(
        amps=amps,
        absorption_volts=entry.absorption_volts,
        float_volts=entry.float_volts,
        ends=entry.ends,
        taper_amps=entry.taper_amps,
        timer_hours=inf if entry.timer_hours is None else entry.timer_hours,
        mv_per_k=entry.mv_per_k,
    )
