"""Thermostat settings against one day: the cost of each choice, and which choices are Pareto-optimal."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from os import cpu_count

from groundbox.rig.play import play
from groundbox.rig.scenario import Scenario
from groundbox.rig.trace import Trace
from groundbox.wire import settings as board

ON_C = (30, 33, 36, 39)
GAPS_C = (2, 4, 8)
MODES = (0, 1)
_FAN_FULL_GAP = 800  # hundredths of a degree from the start to full speed, where the speed follows the temperature
_FULL_RPM = 3000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRow:
    """One choice and its day; for every number, less is better.

    Attributes:
        settings: those of the firmware that were changed.
        highest_c: temperature of the air in the case, after the first minute.
        starts: of the fans.
        fan_hours: that the fans ran, at any speed.
        battery_min: minutes of the day's other loads that the fans' energy would have fed.
        noise: mean of the speed to the fifth power (from memory), 100 is both fans at full speed always.
        unbeaten: no other row is as good on every count and better on one.
        why: on which count it is the minimum, or which row is better.
    """

    settings: dict[str, int]
    highest_c: float
    starts: int
    fan_hours: float
    battery_min: float
    noise: float
    unbeaten: bool = False
    why: str = ""

    def counts(self) -> tuple[float, ...]:
        """The counts, rounded to what matters to a person, so that like rows compare equal."""
        rounded = (round(self.highest_c, 1), self.starts, round(self.fan_hours, 2))
        return (*rounded, round(self.battery_min, 1), round(self.noise, 1))


NAMES = ("highest temperature", "fan starts", "fan hours", "battery minutes", "noise")


def choices(base: dict[str, int]) -> Iterator[dict[str, int]]:
    """Settings to try that the firmware accepts together with `base`."""
    for mode in MODES:
        for on_c in ON_C:
            for gap_c in GAPS_C:
                on = 100 * on_c
                tried = {"fan_mode": mode, "fan_on_centi_c": on, "fan_off_centi_c": on - 100 * gap_c}
                if mode:
                    tried["fan_full_centi_c"] = on + _FAN_FULL_GAP
                if not board.refusal_of_all(base | tried, board.defaults()):
                    yield tried


def sweep(scenario: Scenario, report: Callable[[int, int], None]) -> list[SweepRow]:
    """All choices played on all cores, the unbeaten and coolest first; `report` gets the number done and the total."""
    tried = list(choices(scenario.board_settings))
    bare = replace(scenario, expectations=())  # judges cannot be sent to another process, and are not needed
    with ProcessPoolExecutor(cpu_count()) as pool:
        rows: list[SweepRow] = []
        report(0, len(tried))
        for row in pool.map(_day, [bare] * len(tried), tried):
            rows.append(row)
            report(len(rows), len(tried))
    judged = [replace(row, unbeaten=_unbeaten(row, rows), why=_why(row, rows)) for row in rows]
    return sorted(judged, key=lambda row: (not row.unbeaten, row.highest_c))


def _day(scenario: Scenario, tried: dict[str, int]) -> SweepRow:
    with_these = replace(scenario, board_settings=scenario.board_settings | tried)
    return measure(play(with_these), tried)


def measure(trace: Trace, tried: dict[str, int]) -> SweepRow:
    """The day in `trace` as a row."""
    truth = trace.truth
    fans = [name for name in truth if name.startswith("fan ") and name.endswith("speed")]
    runs = [any(float(truth[name][i]) > 0 for name in fans) for i in range(len(trace.at_s))]
    drives = [max(percents, default=0) > 0 for _, percents, _, _ in trace.drives]
    starts = sum(now and not before for before, now in zip(drives, drives[1:], strict=False))
    fan_joules = sum(float(watts) for watts in truth["fan watts"])
    all_watts = [float(v) * float(a) for v, a in zip(truth["voltage"], truth["current"], strict=True)]
    drawn = [watts for watts in all_watts if watts > 0]
    other_watts = max(0.1, (sum(drawn) - fan_joules) / max(1, len(drawn)))
    noise = [(float(speed) / _FULL_RPM) ** 5 for name in fans for speed in truth[name]]
    return SweepRow(
        settings=tried,
        highest_c=max(float(c) for c in truth["case"][60:] or truth["case"]),
        starts=starts,
        fan_hours=sum(runs) / 3600,
        battery_min=fan_joules / other_watts / 60,
        noise=100 * sum(noise) / max(1, len(noise)),
    )


def _unbeaten(row: SweepRow, rows: Sequence[SweepRow]) -> bool:
    mine = row.counts()
    return not any(
        all(theirs <= ours for theirs, ours in zip(other.counts(), mine, strict=True)) and other.counts() != mine
        for other in rows
    )


def _why(row: SweepRow, rows: Sequence[SweepRow]) -> str:
    if not _unbeaten(row, rows):
        better = next(
            other
            for other in rows
            if other.counts() != row.counts()
            and all(theirs <= ours for theirs, ours in zip(other.counts(), row.counts(), strict=True))
        )
        return f"worse than {shown(better.settings)}"
    best = [
        name
        for name, mine, all_of in zip(NAMES, row.counts(), zip(*(r.counts() for r in rows), strict=True), strict=True)
        if mine == min(all_of)
    ]
    return f"minimum of {', '.join(best)}" if best else "a compromise"


def shown(settings: dict[str, int]) -> str:
    """Short text for a choice: "on 35 off 31 °C", and "variable speed" where the speed follows the temperature."""
    on, off = settings["fan_on_centi_c"] / 100, settings["fan_off_centi_c"] / 100
    return f"on {on:g} off {off:g} °C{', variable speed' if settings['fan_mode'] else ''}"
