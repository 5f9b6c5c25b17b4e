"""What a person might use instead of the estimator; each gives seconds left or None, from readings up to now."""

import numpy as np
from tests.benchmarks.battery_truth import Array, Run

# Rest voltage of an AGM battery against charge, from memory.
REST_VOLTS, REST_SOC = (1.9417, 2.0, 2.05, 2.1, 2.15), (0.0, 0.25, 0.5, 0.75, 1.0)
ENDLESS_S = 1000 * 3600.0  # a line this flat gives no answer
EXPONENT = 1.2  # fits makers' tables from 3 to 20 hours


def peukert_hours(c20_ah: float, amps: float, exponent: float, rated_hours: float = 20.0) -> float:
    """Hours from full at steady amps, after W. Peukert 1897: H (C / (I H)) ** k."""
    return rated_hours * (c20_ah / (amps * rated_hours)) ** exponent


def rest_chart(run: Run, now: int, cells: int, c20_ah: float) -> float | None:
    """The rest-voltage chart read with the loaded voltage, and amp-hours left over amps."""
    soc = float(np.interp(run.volts[now] / cells, REST_VOLTS, REST_SOC))
    return soc * c20_ah / run.mean_amps * 3600


def amp_hours(run: Run, now: int, cells: int, c20_ah: float) -> float | None:
    """Amp-hours counted from full, less the runtime that Peukert promises at the mean load."""
    steps = np.diff(run.t_s[run.begin : now + 1])
    drawn = float(np.sum(run.amps[run.begin + 1 : now + 1] * steps)) / 3600
    capacity = peukert_hours(c20_ah, run.mean_amps, EXPONENT) * run.mean_amps
    return max(run.start_soc * capacity - drawn, 0.0) / run.mean_amps * 3600


def straight_line(run: Run, now: int, cells: int, c20_ah: float) -> float | None:
    """A line through the last half hour of voltage, drawn on to the cutoff."""
    first = max(int(np.searchsorted(run.t_s, run.t_s[now] - 1800)), run.begin)
    if now - first < 2:
        return None
    slope = float(np.polyfit(run.t_s[first : now + 1] - run.t_s[now], run.volts[first : now + 1], 1)[0])
    if slope >= 0:
        return None
    seconds = (run.cutoff - float(run.volts[now])) / slope
    return seconds if seconds < ENDLESS_S else None


def voltage_table(others: list[Run], run: Run) -> Array:
    """(rows,) seconds left by a table of voltage against fraction of runtime, from the same battery's other runs."""
    fractions = np.linspace(0, 1, 101)
    tables = []
    for other in others:
        done = (other.t_s[other.begin :] - other.t_s[other.begin]) / other.seconds
        tables.append(np.interp(fractions, done, np.minimum.accumulate(other.volts[other.begin :])))
    table = np.mean(tables, axis=0)
    left = 1 - np.interp(-run.volts, -table, fractions)
    amp_hours_whole = float(np.mean([other.mean_amps * other.seconds for other in others]))
    return np.asarray(left * amp_hours_whole / run.mean_amps)


METHODS = {"rest-voltage chart": rest_chart, "amp-hours, Peukert": amp_hours, "straight line": straight_line}
