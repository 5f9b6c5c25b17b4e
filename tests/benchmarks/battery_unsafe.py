"""What is wrong without a word: is the runtime still safe? A wrong sensor, load, label, age, start, or battery.

Each row: errors as in `battery`, percent of the whole run; band: samples with the truth inside; risk: truth before
low; said: samples with a finding. A battery is known by its nameplate or fitted from two other runs.
`--samples N` a run (20 unless said), `--only TEXT` some rows, `--noise` adds the board's errors.
"""

import argparse
import csv
import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date

import msgspec
import numpy as np
from tests.benchmarks import battery_truth as truth
from tests.benchmarks.battery_cases import fitted_from_two, fitted_to, profile_for
from tests.benchmarks.battery_replay import Case, begun, changed, row_of, samples_of, score, stated_ahead
from tests.benchmarks.battery_truth import Array, Run, TwoWells

from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Sample

Families = dict[str, list[Run]]
Shown = Callable[[Iterator[Sample], Run], Iterator[Sample]]
GAINS, DECLARED = (1 / 5, 1 / 3, 1 / 2, 0.7, 1.4, 2.0), (1 / 3, 1 / 2, 0.7, 1.4, 2.0, 3.0)
AGED_AMPS, AGED_RATING = 50.0, 1250.0  # the ageing runs state no current: between those of 40 and 60 A by their length


def scaled(gain: float) -> Shown:
    """Every current is read as `gain` times what flows."""

    def shown(samples: Iterator[Sample], run: Run) -> Iterator[Sample]:
        for one in samples:
            amps, declared = one.amps, one.declared_amps
            yield replace(
                one,
                amps=None if amps is None else amps * gain,
                declared_amps=None if declared is None else declared * gain,
            )

    return shown


def from_part(part: float, change: Callable[[Sample, Sample], Sample]) -> Shown:
    """From `part` of the run on each sample is changed, with the last sound one as second argument."""

    def shown(samples: Iterator[Sample], run: Run) -> Iterator[Sample]:
        sound: Sample | None = None
        for one in samples:
            if one.t_s < run.t_s[run.begin] + part * run.seconds or sound is None:
                sound = one
                yield one
            else:
                yield change(one, sound)

    return shown


def always_declared(samples: Iterator[Sample], run: Run) -> Iterator[Sample]:
    """The declared load is stated at rest too, as `--load` does."""
    for one in samples:
        yield replace(one, declared_amps=run.mean_amps)


def with_rest(run: Run, part: float = 0.4, minutes: int = 100) -> Run:
    """The same discharge with a rest in it; the voltage at rest is 60 mV a cell above the load's, rising (assumed)."""
    cells = truth.FAMILIES[run.family][0]
    at = int(np.searchsorted(run.t_s, run.t_s[run.begin] + part * run.seconds))
    rest_s = 60.0 * np.arange(1, minutes + 1)
    volts = run.volts[at] + cells * (0.06 + 0.02 * (1 - np.exp(-rest_s / 1200)))
    later = run.t_s[at + 1 :] + rest_s[-1]
    return replace(
        run,
        t_s=np.concatenate([run.t_s[: at + 1], run.t_s[at] + rest_s, later]),
        volts=np.concatenate([run.volts[: at + 1], volts, run.volts[at + 1 :]]),
        amps=np.concatenate([run.amps[: at + 1], np.zeros(minutes), run.amps[at + 1 :]]),
    )


def shorter(run: Run, health: float) -> Run:
    """The same discharge of a battery worn to `health`: the same voltages in less time, and a deeper sag."""
    cells = truth.FAMILIES[run.family][0]
    begin_s = run.t_s[run.begin]
    t_s = np.where(run.t_s > begin_s, begin_s + (run.t_s - begin_s) * health, run.t_s)
    volts = run.volts - np.where(run.amps > truth.LOADED_AMPS, 0.02 * (1 / health - 1) * cells, 0.0)
    under = np.nonzero(volts[run.begin + 3 :] <= run.cutoff)[0]
    end = run.begin + 3 + int(under[0]) if len(under) else len(volts) - 1
    return replace(run, t_s=t_s[: end + 1], volts=volts[: end + 1], amps=run.amps[: end + 1])


def _file_run(name: str, family: str, cutoff: float, amps: float | None = None, start_soc: float = 1.0) -> Run:
    with (truth.data_folder() / "data" / f"{name}.csv").open(newline="") as file:
        rows = [(float(r["t_s"]), float(r["volts"]), amps or float(r["amps"])) for r in csv.DictReader(file)]
    t_s, volts, loads = (np.array(column) for column in zip(*rows, strict=True))
    end = int(np.nonzero(volts <= max(cutoff, volts.min()) + 1e-9)[0][0])
    return Run(
        family=family,
        name=name,
        t_s=t_s[: end + 1] - t_s[0],
        volts=volts[: end + 1],
        amps=loads[: end + 1],
        begin=0,
        cutoff=max(cutoff, float(volts[end])),
        start_soc=start_soc,
    )


def ageing_runs() -> tuple[Run, Run]:
    """One battery new, and aged once."""
    new, aged = (_file_run(f"block5cell_ageing_{kind}", "block5cell", 9.0, AGED_AMPS) for kind in ("new", "s1"))
    return new, aged


def a_year_on(profile: BatteryProfile) -> BatteryProfile:
    """The profile as it is read a year after its fit."""
    assert profile.fitted is not None
    return msgspec.structs.replace(profile, fitted=msgspec.structs.replace(profile.fitted, age_years=1.0))


def nights(label_ah: float, true_ah: float, nights_before: int, step_s: float = 300.0) -> Run:
    """Days of 11 h charge and 13 h of a light load, then one night to the end; TwoWells, simulated."""
    battery, rows, dice = TwoWells(true_ah, 0.9), [], np.random.default_rng(5)
    t_s, begin = 0.0, 0
    for night in range(nights_before + 1):
        begin = len(rows)
        load, hour = 0.0, 0.0
        while True:
            if hour % 1 < step_s / 3600:
                load = float(dice.uniform(0.15, 0.4))
            volts = battery.volts(load) - 0.15
            rows.append((t_s, volts, load))
            if volts <= 10.8 or (night < nights_before and hour >= 13):
                break
            battery.draw(load, step_s / 3600)
            t_s, hour = t_s + step_s, hour + step_s / 3600
        if night == nights_before:
            break
        for _ in range(int(11 * 3600 / step_s)):
            missing = battery.whole - battery.free - battery.bound
            amps = -min(2.0, max(1.2 * missing, 0.05))
            battery.draw(amps if missing > 0.02 else 0.0, step_s / 3600)
            rows.append((t_s := t_s + step_s, 14.1 if amps > -2 else 13.6, amps))
        t_s += step_s
    t, volts_all, loads = (np.array(column) for column in zip(*rows, strict=True))
    name, family = f"label {label_ah:g}, {true_ah:g} Ah", "two wells"
    return Run(family=family, name=name, t_s=t, volts=volts_all, amps=loads, begin=begin, cutoff=10.8, start_soc=1.0)


def small_box(health: float = 0.8, c20_ah: float = 9.0, watts: float = 24.0) -> Run:
    """A simulated 9 Ah battery under 24 W."""
    return truth.two_well(c20_ah, health, np.full(20_000, watts / 12.0), 10.0, 11.0)


def plateau() -> Run:
    """A battery that is no lead-acid one: a plateau at 13.2 V, then a cliff (form common practice, no source)."""
    part = np.linspace(0, 1, 600)
    volts = 13.25 - 0.25 * part - 0.1 * (1 - np.exp(-part / 0.01)) - 1.5 * np.exp((part - 1) / 0.015)
    end = int(np.nonzero(volts <= 11.8)[0][0])
    return Run(
        family="plateau", name="plateau", t_s=60.0 * np.arange(end + 1), volts=volts[: end + 1],
        amps=np.full(end + 1, 2.0), begin=0, cutoff=11.8, start_soc=1.0,
    )  # fmt: skip


Row = tuple[str, list[tuple[Case, Shown | None]]]


def _known(families: Families, *names: str) -> Iterator[tuple[str, str, list[Case]]]:
    for family in names:
        plain = [
            Case(run=run, profile=profile_for(family), inputs="V+I", start_soc=run.start_soc)
            for run in families[family]
        ]
        yield "nameplate", family, plain
        fits = fitted_from_two(families[family])
        yield "fitted", family, [changed(c, profile=p) for c, p in zip(plain, fits, strict=True)]


def rows(families: Families) -> Iterator[Row]:
    """Every scenario."""
    box = Case(run=small_box(), profile=BatteryProfile(c20_ah=9.0), inputs="V+I", start_soc=1.0)
    yield "nothing wrong, simulated 9 Ah, 24 W", [(box, None)]
    for known, family, cases in _known(families, "vrla17", "block5cell"):
        yield f"nothing wrong, {known}, {family}", [(c, None) for c in cases]
    for gain in GAINS:
        yield f"current x {gain:.2f}, simulated 9 Ah, 24 W", [(box, scaled(gain))]
        for known, family, cases in _known(families, "vrla17", "block5cell"):
            yield f"current x {gain:.2f}, {known}, {family}", [(c, scaled(gain)) for c in cases]
    for gain in DECLARED:
        declared = changed(box, inputs="V+exact loads")
        yield f"declared x {gain:.2f}, simulated 9 Ah, 24 W", [(declared, scaled(gain))]
        for known, family, cases in _known(families, "vrla17", "block5cell"):
            shown = [(changed(c, inputs="V+exact loads"), scaled(gain)) for c in cases]
            yield f"declared x {gain:.2f}, {known}, {family}", shown
    zero = from_part(0.2, lambda one, sound: replace(one, amps=0.0))
    frozen = from_part(0.2, lambda one, sound: replace(one, volts=sound.volts))
    yield "current 0 A from 20 %, simulated 9 Ah, 24 W", [(box, zero)]
    yield "voltage frozen from 20 %, simulated 9 Ah, 24 W", [(box, frozen)]
    for known, family, cases in _known(families, "vrla17", "block5cell"):
        high = from_part(-1e9, lambda one, sound: replace(one, volts=one.volts + 0.3))
        yield f"current 0 A from 20 %, {known}, {family}", [(c, zero) for c in cases]
        yield f"voltage frozen from 20 %, {known}, {family}", [(c, frozen) for c in cases]
        yield f"voltage 0.3 V high, {known}, {family}", [(c, high) for c in cases]
    yield from _battery_rows(families)


def _battery_rows(families: Families) -> Iterator[Row]:
    new, aged = ageing_runs()
    block = msgspec.structs.replace(profile_for("block5cell"), c20_ah=AGED_RATING)
    fit = fitted_to(block, [new], date(2026, 1, 1))
    for label, profile in (("fitted today", fit), ("fitted a year ago", a_year_on(fit))):
        for inputs in ("V+I", "V+exact loads"):
            yield f"aged s1, {label}, {inputs}", [(Case(run=aged, profile=profile, inputs=inputs, start_soc=1.0), None)]
    for health, (known, family, cases) in itertools.product((0.85, 0.7), _known(families, "vrla17", "block5cell")):
        worn = [changed(c, run=shorter(c.run, health)) for c in cases]
        yield f"worn to {health:.0%} since, {known}, {family}", [(c, None) for c in worn]
        if known == "fitted":
            aged_fits = [changed(c, profile=a_year_on(c.profile)) for c in worn]
            yield f"worn to {health:.0%} since a year, {known}, {family}", [(c, None) for c in aged_fits]
    dead = _file_run("sla6_worn_out_b", "sla6", 5.27)
    for start in (1.0, None):
        for inputs in ("V+I", "V"):
            case = Case(run=dead, profile=BatteryProfile(c20_ah=4.5, cells=3), inputs=inputs, start_soc=start)
            yield f"dead 6 V battery, {inputs}, start {start}", [(case, None)]
    for label, before in itertools.product((18.0, 22.0, 27.0), (0, 1)):
        case = Case(run=nights(label, 9.0, before), profile=BatteryProfile(c20_ah=label), inputs="V+I")
        yield f"label {label:g} Ah for 9, {before} nights before", [(case, None)]
    for factor in (2.0, 3.0):
        runs = [r for r in families["vrla17"] if "0.5A" in r.name or "1.0A" in r.name]
        profile = BatteryProfile(c20_ah=17.0 * factor)
        yield (
            f"label x {factor:g}, vrla17 0.5 and 1 A",
            [(Case(run=r, profile=profile, inputs="V+I", start_soc=1.0), None) for r in runs],
        )
    for known, family, cases in _known(families, "vrla17", "block5cell"):
        rested = [(changed(c, run=with_rest(c.run), inputs="V+exact loads"), always_declared) for c in cases]
        yield f"rest of 100 min, load declared, {known}, {family}", rested
    for part, (known, family, cases) in itertools.product((0.35, 0.6), _known(families, "vrla17", "block5cell")):
        late = [changed(c, run=truth.begun_late(c.run, part), start_soc=None) for c in cases]
        yield f"start not stated, {part:.0%} gone, {known}, {family}", [(c, None) for c in late]
    for known, family, cases in _known(families, "tubular85"):
        yield (
            f"start not stated, whole load stated, {known}, {family}",
            [(changed(c, start_soc=None, ahead="whole"), None) for c in cases],
        )
    yield "other chemistry", [(Case(run=plateau(), profile=BatteryProfile(c20_ah=20.0), inputs="V+I"), None)]


def replay(case: Case, shown: Shown | None, count: int) -> Array:
    """(samples, 6): `row_of` and whether anything was found."""
    run, estimator, due, found = case.run, begun(case), 0.05, []
    samples = samples_of(case)
    for sample in samples if shown is None else shown(samples, run):
        estimator.update(sample)
        passed = (sample.t_s - run.t_s[run.begin]) / run.seconds
        if due <= passed <= 0.95:
            due = max(passed + 0.9 / count, due)
            estimate = estimator.estimate(stated_ahead(case, sample.t_s))
            found.append((*row_of(case, estimate, sample.t_s), float(bool(estimate.findings))))
    return np.array(found)


def main(arguments: list[str]) -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(prog="battery_unsafe", description=__doc__)
    parser.add_argument("--samples", type=int, default=20)
    parser.add_argument("--only", default="")
    parser.add_argument("--noise", action="store_true")
    stated = parser.parse_args(arguments)
    families: Families = {}
    for run in truth.recordings(truth.data_folder()):
        families.setdefault(run.family, []).append(run)
    print(f"{'what is wrong, what is known':<56}{'runs':>5}{'RMS':>7}{'band':>6}{'width':>7}{'risk':>6}{'said':>6}")
    for label, cases in rows(families):
        if all(word not in label for word in stated.only.split("|")):
            continue
        if stated.noise:
            cases = [(changed(case, run=truth.noisy(case.run)), shown) for case, shown in cases]
        replays = [replay(case, shown, stated.samples) for case, shown in cases]
        got = score([one[:, :5] for one in replays], [case.run.seconds for case, _ in cases])
        said = 100 * float(np.mean([one[:, 5].mean() for one in replays]))
        text = f"{label:<56}{got.runs:>5}{got.rms:7.1f}{got.covered:6.0f}{got.width:7.0f}{got.risk:6.0f}{said:6.0f}"
        print(text, flush=True)
