"""Days in the field with simulated boxes, through the program's own live path: what learning buys.

Each row: one box and one kind of day, several seeds. A pilot flies by the low number for so many sessions, which the
program learns from; then a day is flown to the brown-out and judged. RMS: error of the expected number in flight,
percent of the whole runtime. Risk: truth before low. Cover, width: of the band, the width over the truth. Lost: minutes
that the pilot could still have flown when low leaves only reserve and time home. Sway: how far the turn-back time went
back and forth in 20 minutes. `--seeds N`, `--only TEXT`, `--sessions 0,1,3`, `--table`: the battery alone.
"""

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from tests.benchmarks.day_battery import Build, hours_at
from tests.benchmarks.day_box import (
    MAST,
    START_WALL_S,
    TABLE,
    Day,
    Kind,
    Second,
    one_of_a_kind,
    seconds_of,
    true_left_s,
)

from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile
from groundbox.errors import BadInput
from groundbox.model import Reading
from groundbox.monitor.flight import Flight
from groundbox.monitor.follower import Follower
from groundbox.monitor.learn import learned_from, samples, source_name
from groundbox.monitor.tracker import Discharge, Tracker

RESERVE_S, HOME_S, FLIGHT_S = 15 * 60.0, 8 * 60.0, 35 * 60.0
EVERY_S, DAY_S = 120, 24 * 3600.0
SWAY_S = 20 * 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the table: a day like it, and what the teaching days were."""

    label: str
    kind: Kind
    health: float = 1.0
    charge: bool = True
    cold: bool = False
    swap: bool = False

    def day(self, seed: int, number: int, *, judged: bool) -> Day:
        """Session `number` of this seed's battery."""
        build, other = one_of_a_kind(self.kind.c20_ah, seed), one_of_a_kind(self.kind.c20_ah, seed + 500)
        if self.health < 1:
            build, other = build.worn(self.health), other.worn(self.health)
        day = Day(kind=self.kind, build=build, seed=100 * seed + number, charge=self.charge)
        warm = np.random.default_rng(seed * 77 + number).uniform(0.1, 0.6)
        day = replace(day, fan_share=(float(warm), float(warm) + 0.2))
        if judged and self.cold:
            day = replace(day, start_c=3.0, end_c=15.0, fan_share=(0.02, 0.1))
        return replace(day, swap_gap=1, second=other) if judged and self.swap else day


ROWS = (
    Row(label="simulated day, 9 Ah", kind=MAST),
    Row(label="simulated day, 18 Ah", kind=TABLE),
    Row(label="no charger, 9 Ah", kind=MAST, charge=False),
    Row(label="worn to 75 %, 9 Ah", kind=MAST, health=0.75),
    Row(label="worn to 75 %, 18 Ah", kind=TABLE, health=0.75),
    Row(label="cold morning, 9 Ah", kind=MAST, cold=True),
    Row(label="marked swap, 9 Ah", kind=MAST, swap=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One minute in flight: seconds since the day began, low, expected and high runtime, the truth."""

    t_s: int
    low_s: float
    expected_s: float
    high_s: float
    true_s: float


class Pilot:
    """One box over its sessions: what it has learned, and how a day is followed."""

    def __init__(self, kind: Kind) -> None:
        self.kind = kind
        self.profile = BatteryProfile(c20_ah=kind.c20_ah)
        self.refused = 0
        self.habit: object = None

    def _follower(self, profile: BatteryProfile, start_wall_s: float) -> Follower:
        tracker = Tracker(self.kind.name, self.kind.settings, "one", profile)
        follower = Follower(self.kind.name, self.kind.settings, tracker, since_s=start_wall_s)
        if self.habit is not None:
            follower.habit = self.habit
        return follower

    def session(self, day: Day, start_wall_s: float, *, judged: bool) -> list[tuple[Second, Follower | None]]:
        """The minutes in flight; a day that is not judged ends when low says so, and is learned from."""
        follower = self._follower(self.profile, start_wall_s)
        flight, readings = Flight(FLIGHT_S, HOME_S), list[Reading]()
        ended: Discharge | None = None
        found, home_s, number = [], None, 0
        for second in seconds_of(day, start_wall_s):
            now_s = second.reading.wall_s
            assert now_s is not None
            if second.number != number:
                number, profile = second.number, BatteryProfile(c20_ah=self.kind.c20_ah)
                tracker = Tracker(self.kind.name, self.kind.settings, "two", profile)
                follower.set_tracker(tracker)
            flight.note("launch" if second.in_flight else "landing", now_s)
            readings.append(second.reading)
            follower.take_reading(second.reading, now_s)
            follower.advance(now_s)
            assert follower.tracker is not None
            if follower.tracker.ended and ended is None:
                ended = follower.tracker.ended
            if second.battery is not None:
                follower.refresh(now_s, now_s, flight)
                estimate = follower.tracker.estimate
                low_s = estimate.runtime_low_s if estimate else None
                if judged and second.in_flight:
                    found.append((second, estimate))
                elif not judged and low_s is not None and home_s is None:
                    needed = RESERVE_S + (HOME_S if second.in_flight else FLIGHT_S)
                    if low_s < needed and (second.in_flight or second.reading.charging == "no"):
                        home_s = second.t_s + (HOME_S if second.in_flight else 0)
            if home_s is not None and second.t_s >= home_s:
                break
        if not judged:
            assert follower.tracker is not None
            self._learn(ended or follower.tracker.discharge.finish(), readings)
        self.habit = getattr(follower, "habit", None)
        return found

    def _learn(self, discharge: Discharge | None, readings: list[Reading]) -> None:
        if discharge is None:
            self.refused += 1
            return
        rows = [one for one in readings if one.wall_s is not None]
        rows = [one for one in rows if discharge.from_wall_s - 1 <= (one.wall_s or 0) <= discharge.to_wall_s + 1]
        taken = samples(self.kind.settings, rows)
        box = self.kind.settings
        limits = RuntimeLimits(cutoff_volts=box.cutoff_volts, lead_ohm=box.lead_ohm)
        try:
            learned = learned_from(self.profile, taken, source_name(self.kind.name, discharge), discharge, limits)
        except BadInput as error:
            print(f"# {error}", flush=True)
            learned = None
        if learned is None:
            self.refused += 1
        else:
            self.profile = learned


def judged(pilot: Pilot, day: Day, start_wall_s: float) -> tuple[list[Answer], float]:
    """The answers of a day that is flown to the brown-out, and the whole runtime at its start, seconds."""
    found = pilot.session(day, start_wall_s, judged=True)
    answers: list[Answer] = []
    whole = 0.0
    for number in sorted({second.number for second, _ in found}):
        rows = [(second, one) for second, one in found if second.number == number and second.battery is not None]
        build = day.build if number == 0 or day.second is None else day.second
        truths = true_left_s(
            replace(day, build=build), [s.battery for s, _ in rows if s.battery], [s.t_s for s, _ in rows]
        )
        whole = max(whole, *truths)
        for (second, one), true_s in zip(rows, truths, strict=True):
            if one is None or one.runtime_low_s is None:
                continue
            answers.append(
                Answer(
                    t_s=second.t_s,
                    low_s=one.runtime_low_s,
                    expected_s=one.runtime_expected_s,
                    high_s=one.runtime_high_s,
                    true_s=true_s,
                )
            )
    return answers, whole


def sway_s(answers: Sequence[Answer]) -> float:
    """How far the moment of turning back came back within 20 minutes of flight: median over them, seconds."""
    ends = {one.t_s: one.t_s + one.low_s for one in answers}
    swings = []
    for t_s in ends:
        near = [ends[other] for other in range(t_s, t_s + SWAY_S, EVERY_S) if other in ends]
        if len(near) >= SWAY_S // EVERY_S:
            moved = np.abs(np.diff(near)).sum() - abs(near[-1] - near[0])
            swings.append(moved / 2)
    return float(np.median(swings)) if swings else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    rms: float
    risk: float
    cover: float
    width: float
    lost_min: float
    of_min: float
    sway_min: float


def score(days: Sequence[tuple[list[Answer], float]]) -> Score:
    """One line over the days of several seeds, each weighing the same."""
    rms, risk, cover, width, lost, sway = [], [], [], [], [], []
    for answers, whole in days:
        error = np.array([100 * (one.expected_s - one.true_s) / whole for one in answers])
        rms.append(np.mean(error**2))
        risk.append(np.mean([one.low_s > one.true_s for one in answers]))
        cover.append(np.mean([one.low_s <= one.true_s <= one.high_s for one in answers]))
        width.append(np.mean([(one.high_s - one.low_s) / max(one.true_s, 600.0) for one in answers]))
        turned = next((one for one in answers if one.low_s <= RESERVE_S + HOME_S), answers[-1])
        lost.append(max(turned.true_s - RESERVE_S - HOME_S, 0.0) / 60)
        sway.append(sway_s(answers) / 60)
    return Score(
        rms=float(np.sqrt(np.mean(rms))),
        risk=100 * float(np.mean(risk)),
        cover=100 * float(np.mean(cover)),
        width=float(np.mean(width)),
        lost_min=float(np.mean(lost)),
        of_min=float(np.mean([whole for _, whole in days])) / 60,
        sway_min=float(np.mean(sway)),
    )


HEAD = (
    f"{'day':<24}{'sessions':>9}{'refused':>8}{'RMS':>7}{'risk':>6}{'cover':>7}{'width':>7}{'lost':>7}{'of':>6}{'sway':>6}"
    f"{'fitted Ah':>11}"
)


def row(label: str, after: int, refused: int, found: Score, fitted: str) -> str:
    """A line of the table."""
    return (
        f"{label:<24}{after:>9}{refused:>8}{found.rms:7.1f}{found.risk:6.0f}{found.cover:7.0f}{found.width:7.2f}"
        f"{found.lost_min:7.0f}{found.of_min:6.0f}{found.sway_min:6.1f}{fitted:>11}"
    )


def table() -> None:
    """The charge that the battery gives, of C20. Makers' tables: 1, .94, .83, .75, .66, .57 (secondary copies)."""
    rates = [0.05, 0.094, 0.166, 0.25, 0.33, 0.57]
    hours = hours_at(Build(c20_ah=10.0), rates)
    print(" ".join(f"{rate:g}: {rate * one:.2f}" for rate, one in zip(rates, hours, strict=True)))


def main(arguments: list[str]) -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(prog="battery_day", description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--only", default="")
    parser.add_argument("--sessions", default="0,1,3")
    parser.add_argument("--table", action="store_true")
    stated = parser.parse_args(arguments)
    if stated.table:
        table()
        return
    wanted = [int(one) for one in stated.sessions.split(",")]
    print(HEAD)
    for one in ROWS:
        if stated.only not in one.label:
            continue
        days: dict[int, list[tuple[list[Answer], float]]] = {count: [] for count in wanted}
        refused, fitted = dict.fromkeys(wanted, 0), dict.fromkeys(wanted, "")
        began_s = time.monotonic()
        for seed in range(1, stated.seeds + 1):
            pilot = Pilot(one.kind)
            for number in range(max(wanted) + 1):
                start_wall_s = START_WALL_S + number * 2 * DAY_S
                if number in wanted:
                    habit = pilot.habit.copy() if pilot.habit is not None else None
                    days[number].append(judged(pilot, one.day(seed, 50, judged=True), start_wall_s))
                    pilot.habit = habit
                    refused[number] += pilot.refused
                    curve = pilot.profile.fitted
                    fitted[number] += f" {curve.capacity_ah:.1f}" if curve else " -"
                if number < max(wanted):
                    pilot.session(one.day(seed, number, judged=False), start_wall_s, judged=False)
        for count in wanted:
            print(row(one.label, count, refused[count], score(days[count]), fitted[count]), flush=True)
        print(f"{'':<24}{time.monotonic() - began_s:9.0f} s")
