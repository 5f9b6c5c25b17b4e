"""The report as one self-contained HTML file. Pure."""

from collections.abc import Sequence
from datetime import datetime
from html import escape

from groundbox.advice.limits import fan_levels_c
from groundbox.advice.result import VERDICT_WORDS
from groundbox.advice.words import CHARGE_CAUTIONS, clock, listed
from groundbox.battery.limits import CHARGE_KEPT
from groundbox.plan.charge_offer import ChargeNeed, offer
from groundbox.plan.day import Day
from groundbox.ui.report.gather import BoxReport
from groundbox.ui.report.lanes import lanes, minutes
from groundbox.ui.report.runs import JudgedPrediction, judged, quality

STYLE = """
:root{font:15px/1.4 system-ui,sans-serif;color:#10201a;background:#fff}
body{max-width:52rem;margin:0 auto;padding:1rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.2rem;border-top:3px solid #10201a;padding-top:.4rem;margin-top:1.6rem}
h3{font-size:1rem;margin:1rem 0 .2rem}p{margin:.4rem 0}.lead{font-size:1.1rem}
table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}
th,td{text-align:left;padding:.2rem .6rem .2rem 0;border-bottom:1px solid #8a968f;vertical-align:top}
.lane{overflow-x:auto;margin:.3rem 0 .2rem;padding-bottom:.5rem}svg{display:block;width:100%;min-width:760px}
svg text{font:12px system-ui,sans-serif;fill:#33453d}
svg .title{font-weight:700;fill:#10201a}.frame{fill:none;stroke:#8a968f}.flight{fill:#dfe9e3}
.limit{stroke:#7a3200;stroke-dasharray:5 3}.volts{fill:#8fb3a1}.mean{fill:none;stroke:#0b4a2f;stroke-width:1.6}
.soc{fill:#b9cfc4}.second{fill:none;stroke:#1b3a75;stroke-width:1.4;stroke-dasharray:4 3}
.fans{fill:#c8c2a4}.actual{fill:none;stroke:#7a3200;stroke-width:2;stroke-dasharray:7 4}
.caution{border:2px solid #7a3200;padding:.5rem .8rem}
@media print{svg{min-width:0}:root{font-size:13px;line-height:1.3}body{max-width:none;padding:0}h2,h3{break-after:avoid}
ul{columns:2}svg,table,tr,p,ul,.caution{break-inside:avoid}table:has(tr:nth-child(15)){break-inside:auto}
section+section{break-before:page}section+section h2{border-top:0;margin-top:0}}
@page{margin:13mm}
"""


def page(
    title: str, boxes: Sequence[BoxReport], since_s: float, until_s: float, data: Sequence[str], day: Day | None
) -> str:
    """The whole file.

    Args:
        data: names of the files with the readings.
        day: its chargers are used tonight; None for a default charger.
    """
    body = "".join(_box(box, since_s, until_s) for box in boxes)
    cautions = "; ".join(CHARGE_CAUTIONS)
    files = "".join(f"<li>{escape(name)}</li>" for name in data)
    tonight = "".join(f"<p>{escape(charge_text(box, day))}</p>" for box in boxes)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width"><title>{escape(title)}</title>'
        f"<style>{STYLE}</style></head><body><main><h1>{escape(title)}</h1>"
        f'<p class="lead">{escape(paragraph(boxes, since_s, until_s))}</p>{body}'
        f"<h2>Charging tonight</h2>{tonight}"
        f'<div class="caution"><b>Caution:</b> {escape(cautions)}. The data sheet of '
        f"the battery maker comes first.</div><h2>Data</h2><ul>{files}</ul></main></body></html>"
    )


def paragraph(boxes: Sequence[BoxReport], since_s: float, until_s: float) -> str:
    """The session in a few sentences."""
    day = f"{datetime.fromtimestamp(since_s):%A, %d %B %Y}"
    flights = boxes[0].flights if boxes else ()
    flown_s = sum(one.landed_s - one.launched_s for one in flights if one.landed_s is not None)
    names = listed(box.box for box in boxes)
    count = {0: "no flight was marked", 1: f"one flight, {minutes(flown_s)} in the air"}.get(
        len(flights), f"{len(flights)} flights, {minutes(flown_s)} in the air"
    )
    followed = f"{names} {'was' if len(boxes) == 1 else 'were'} recorded"
    words = [f"{day}, {clock(since_s)} to {clock(until_s)}: {followed}; {count}."]
    for box in boxes:
        sums = box.sums
        parts = [f"{box.box} used {sums.drawn_wh:.0f} Wh"]
        if sums.lowest:
            parts.append(f"its lowest voltage was {sums.lowest[0]:.2f} V at {clock(sums.lowest[1])}")
        if sums.hottest:
            parts.append(f"its highest case temperature was {sums.hottest[0]:.0f} °C at {clock(sums.hottest[1])}")
        severe = [one for one in box.warnings if one.severity != "notice"]
        parts.append(f"{len(severe) or 'no'} urgent or stop warning{'' if len(severe) == 1 else 's'}")
        words.append(f"{', '.join(parts)}.")
    return " ".join(words)


def _box(box: BoxReport, since_s: float, until_s: float) -> str:
    battery = f", battery {box.battery}" if box.battery else ""
    cause = box.unknown_because
    unknown = f"<p>State of charge and runtime are unknown: {escape(cause)}.</p>" if cause else ""
    return (
        f"<section><h2>{escape(box.box)}{escape(battery)}</h2>{unknown}{lanes(box, since_s, until_s)}"
        f"{_verdicts(box)}{_flights(box)}{_energy(box)}{_sag(box)}{_thermostat(box)}{_warnings(box)}{_predictions(box)}{_health(box)}</section>"
    )


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]], none: str) -> str:
    if not rows:
        return f"<h3>{title}</h3><p>{none}</p>"
    cells = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    heads = "".join(f'<th scope="col">{name}</th>' for name in head)
    return f"<h3>{title}</h3><table><thead><tr>{heads}</tr></thead><tbody>{cells}</tbody></table>"


def _low_expected_high(runtime_s: tuple[float, float, float] | None) -> str:
    return "unknown" if runtime_s is None else " / ".join(str(int(seconds // 60)) for seconds in runtime_s)


def _verdicts(box: BoxReport) -> str:
    rows = [
        (
            clock(one.wall_s),
            VERDICT_WORDS[one.verdict],
            "unknown" if one.runtime_low_s is None else minutes(one.runtime_low_s),
        )
        for one in box.verdicts
    ]
    return _table("Verdicts", ("from", "verdict", "runtime, low"), rows, "No recorder stored a verdict.")


def _flights(box: BoxReport) -> str:
    rows = [
        (
            clock(one.launched_s),
            "none marked" if one.landed_s is None else clock(one.landed_s),
            "" if one.landed_s is None else minutes(one.landed_s - one.launched_s),
            _low_expected_high(one.runtime_s),
            _margin(one.margin_s),
        )
        for one in box.flights
    ]
    runtime = "runtime at landing, minutes: low / expected / high"
    head = ("launch", "landing", "in the air", runtime, "above the reserve")
    return _table("Flights", head, rows, "No flight was marked.")


def _margin(margin_s: float | None) -> str:
    if margin_s is None:
        return "unknown"
    return minutes(margin_s) if margin_s >= 0 else f"{-int(margin_s // 60)} min too short"


def _energy(box: BoxReport) -> str:
    sums = box.sums
    rows = [
        (name, f"{wh:.1f} Wh", f"{100 * wh / sums.drawn_wh:.0f} %" if sums.drawn_wh else "")
        for name, wh in sorted(sums.by_load_wh.items(), key=lambda one: -one[1])
    ]
    rows.append(("total", f"{sums.drawn_wh:.1f} Wh", f"{sums.drawn_ah:.2f} Ah"))
    title = "Energy used (measured; the settings give the fraction of each load)"
    return _table(title, ("load", "energy", "fraction"), rows, "")


def _sag(box: BoxReport) -> str:
    sums = box.sums
    if sums.lowest is None:
        return ""
    words = f"lowest {sums.lowest[0]:.2f} V at {clock(sums.lowest[1])}"
    if sums.sag is not None:
        under, at_s, amps = sums.sag
        words += f"; deepest dip {under:.2f} V under the mean of its second, at {clock(at_s)}"
        words += "" if amps is None else f", with a peak of {amps:.1f} A"
    return f"<h3>Lowest voltage</h3><p>{escape(words)}.</p>"


def _thermostat(box: BoxReport) -> str:
    sums = box.sums
    hours = sums.watched_s / 3600
    if not hours:
        return ""
    starts = f"{sums.fan_starts} times ({sums.fan_starts / hours:.1f} an hour)"
    parts = [f"fans started {starts}, ran {minutes(sums.fans_s)}"]
    if "fan_on_centi_c" in box.limits:
        on_c, off_c = fan_levels_c(box.limits)
        parts.append(f"set to start at {on_c:.1f} °C and stop at {off_c:.1f} °C")
    for name, cases in (("started", sums.on_c), ("stopped", sums.off_c)):
        if cases:
            spread = f" ({min(cases):.1f} to {max(cases):.1f})" if len(cases) > 1 else ""
            parts.append(f"{name} at {sum(cases) / len(cases):.1f} °C{spread}")
    if sums.hottest is not None:
        parts.append(f"maximum {sums.hottest[0]:.1f} °C at {clock(sums.hottest[1])}")
    return f"<h3>Thermostat</h3><p>{escape(box.box)}: {', '.join(parts)}.</p>"


def _warnings(box: BoxReport) -> str:
    rows = [
        (
            clock(one.raised_s),
            one.severity.upper(),
            one.sentence,
            "not cleared" if one.cleared_s is None else f"cleared after {minutes(one.cleared_s - one.raised_s)}",
        )
        for one in box.warnings
    ]
    return _table("Warnings", ("raised", "severity", "warning", "cleared"), rows, "There was no warning.")


def _predictions(box: BoxReport) -> str:
    found = [one for run in box.runs for one in judged(run)]
    rows = [(clock(one.wall_s), _low_expected_high(one.runtime_s), _true(one), _held(one)) for one in found]
    head = ("predicted at", "runtime, minutes: low / expected / high", "actual", "band")
    none = "There is no prediction to compare: the runtime was unknown, or the session was too short."
    return _table("Predicted and actual runtime", head, rows, none) + f"<p>{escape(_quality(box))}</p>"


def _true(one: JudgedPrediction) -> str:
    return f"{'more than ' if one.at_least else ''}{one.actual_s / 60:.0f} min"


def _held(one: JudgedPrediction) -> str:
    return {True: "correct", False: "WRONG", None: "not contradicted"}[one.held]


def _quality(box: BoxReport) -> str:
    found = quality(box.runs)
    if found is None:
        return (
            "No battery reached its limit, so the actual runtime is unknown. This session proves only a minimum: "
            "a band that ended earlier was wrong; the others were not contradicted."
        )
    median, maximum = found.errors
    return (
        f"Of {found.count} predictions the band contains the actual runtime in {100 * found.held:.0f} % (target 90 %). "
        f"The low value was not too long in {100 * found.low_held:.0f} % (target 95 %). The error of the expected "
        f"value was {100 * median:.0f} % of the whole runtime (median), {100 * maximum:.0f} % (maximum)."
    )


def _health(box: BoxReport) -> str:
    words = [*([f"health: {box.health}"] if box.health else []), *box.findings]
    return f"<h3>Battery</h3><p>{escape('; '.join(words))}.</p>" if words else ""


def missing_ah(box: BoxReport) -> tuple[float, str] | None:
    """Ampere-hours that its battery lacks, and the source of that figure; None where nothing is known."""
    last = box.runs[-1] if box.runs else None
    point = last.points[-1] if last and last.points else None
    if point and point.soc and last and last.capacity_ah:
        low, expected, high = ((1 - soc) * last.capacity_ah + box.after_ah for soc in reversed(point.soc))
        return expected, f"{expected:.1f} Ah ({low:.1f} to {high:.1f}) by the last estimate"
    counted = box.sums.drawn_ah - CHARGE_KEPT * box.sums.charged_ah
    return (counted, f"{counted:.1f} Ah by counting") if counted > 0 else None


def charge_text(box: BoxReport, day: Day | None) -> str:
    """One or two sentences."""
    lacks = missing_ah(box)
    if lacks is None or box.c20_ah is None:
        drawn = f"{box.sums.drawn_ah:.1f} Ah were drawn and {box.sums.charged_ah:.1f} Ah put back"
        return f"{box.box}: {drawn}; its battery is unknown. Charge it until the charger shows full."
    capacity_ah = box.runs[-1].capacity_ah if box.runs else None
    need = ChargeNeed(
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
    text = f"{box.box}, battery {box.battery} lacks {lacks[1]}."
    if box.end_volts and box.sums.lowest and box.sums.lowest[0] < box.end_volts:
        text += f" Its lowest voltage was {box.sums.lowest[0]:.1f} V, which damages it. Charge it at once."
    if found.hours is None:
        return f"{text} Do not charge now: {found.because}."
    charger = found.charger or "a charger with a constant voltage of 14.4 V"
    return f"{text} Charge it with {charger} at {found.amps:.1f} A: about {minutes(3600 * found.hours)}."
