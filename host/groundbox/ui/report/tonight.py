"""What to charge tonight: what each battery lacks, on which charger, for how long. Pure."""

from groundbox.plan.day import Day
from groundbox.ui.chargers import Need, offer
from groundbox.ui.report.gather import BoxReport

CHARGE_KEPT = 0.95  # of the ampere-hours put in (measured charge factor 1.04 to 1.10 on a 17 Ah block)


def missing_ah(box: BoxReport) -> tuple[float, str] | None:
    """Ampere-hours that its battery lacks, and by what; None where neither estimate nor count tells."""
    last = box.runs[-1] if box.runs else None
    point = last.points[-1] if last and last.points else None
    if point and point.soc and last and last.capacity_ah:
        low, likely, high = ((1 - share) * last.capacity_ah + box.after_ah for share in reversed(point.soc))
        return likely, f"{likely:.1f} Ah ({low:.1f} to {high:.1f}) by the last estimate"
    counted = box.sums.drawn_ah - CHARGE_KEPT * box.sums.charged_ah
    return (counted, f"{counted:.1f} Ah by counting") if counted > 0 else None


def words(box: BoxReport, day: Day | None) -> str:
    """One or two sentences."""
    lacks = missing_ah(box)
    if lacks is None or box.c20_ah is None:
        drawn = f"{box.sums.drawn_ah:.1f} Ah were drawn and {box.sums.charged_ah:.1f} Ah put back"
        return f"{box.box}: {drawn}; its battery is not known, so charge it until the charger says full."
    capacity_ah = box.runs[-1].capacity_ah if box.runs else None
    need = Need(
        box=box.box,
        battery=box.battery,
        c20_ah=box.c20_ah,
        missing_ah=lacks[0],
        health=min(max((capacity_ah or box.c20_ah) / box.c20_ah, 0.2), 1.2),
        cells=box.cells,
        max_amps=box.max_charge_amps,
        battery_c=box.last_battery_c,
    )
    found = offer(day, need, at_home=day is not None)
    told = f"{box.box}, battery {box.battery}: it lacks {lacks[1]}."
    if box.end_volts and box.sums.lowest and box.sums.lowest[0] < box.end_volts:
        told += f" It was drawn down to {box.sums.lowest[0]:.1f} V, which harms it: charge it at once, and test it."
    if found.hours is None:
        return f"{told} Not now: {found.because}."
    on = f"on {found.charger} " if found.charger else "on a charger of 14.4 V that holds its voltage, "
    return f"{told} About {found.hours:.1f} h {on}at {found.amps:.1f} A until it counts as full."
