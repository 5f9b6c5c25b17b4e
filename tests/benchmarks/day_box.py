"""A simulated day of one box of the scenario: loads, flights, charges, and the readings that a board would send.

Each second has a mean and a lowest fast sample, as the board reports them. All numbers are invented, as the scenario's.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from tests.benchmarks.day_battery import Build, DayBattery

from groundbox.model import FanReading, Reading
from groundbox.plan.day_keys import LoadSpec
from groundbox.settings import BoxSettings, LoadSettings

FLIGHT_S, GAP_S, FIRST_LAUNCH_S = 35 * 60, 40 * 60, 15 * 60
CHARGE_FROM_S, CHARGE_S, CHARGE_AMPS = 6 * 60, 12 * 60, 2.5  # in each gap
LONGEST_S = 15 * 3600
START_WALL_S = 1_800_000_000.0
TRUTH_STEP_S = 5.0
STEP_S = 2  # a reading every two seconds: means, and the lowest fast sample since the one before


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One box: what it draws. Bursts are (seconds, watts) one after the other, every `burst_every_s` in flight."""

    name: str
    c20_ah: float
    steady_watts: float
    ground_watts: float
    usb_watts: float
    fan_watts: float
    bursts: tuple[tuple[float, float], ...]
    burst_every_s: float
    settings: BoxSettings

    @property
    def burst_mean(self) -> float:
        """Mean watts of the bursts in flight."""
        return sum(seconds * watts for seconds, watts in self.bursts) / self.burst_every_s

    @property
    def burst_peak(self) -> float:
        """Highest watts of a burst."""
        return max((watts for _, watts in self.bursts), default=0.0)


def _load(**keys: object) -> LoadSettings:
    assert set(keys) <= {*LoadSpec.__struct_fields__, "output"}
    return LoadSettings(**keys)  # type: ignore[arg-type]


MAST = Kind(
    name="mast",
    c20_ah=9.0,
    steady_watts=12.5,
    ground_watts=11.0,
    usb_watts=0.0,
    fan_watts=5.0,
    bursts=((0.06, 33.0), (0.6, 6.0)),
    burst_every_s=5.0,
    settings=BoxSettings(
        cutoff_volts=11.0,
        lead_ohm=0.03,
        loads=[
            _load(name="receivers", watts=10.0),
            _load(name="servos", watts=4.0, peak_watts=36.0),
            _load(name="fans", watts=5.0, with_fans=True),
        ],
    ),
)
TABLE = Kind(
    name="table",
    c20_ah=18.0,
    steady_watts=24.0,
    ground_watts=24.0,
    usb_watts=10.0,
    fan_watts=5.0,
    bursts=(),
    burst_every_s=5.0,
    settings=BoxSettings(
        cutoff_volts=11.0,
        lead_ohm=0.02,
        loads=[
            _load(name="display", watts=18.0),
            _load(name="repeater", watts=6.0),
            _load(name="usb", watts=10.0, fraction=0.5, sheddable=True),
            _load(name="fans", watts=5.0, with_fans=True),
        ],
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """What is special about a day.

    charge: a charger comes in the gaps. start_c, end_c: battery temperature. fan_share: of the time, at the start and
    at the end. swap_gap: in this gap the battery is swapped for `second`; None: never.
    """

    kind: Kind
    build: Build
    seed: int
    charge: bool = True
    start_c: float = 25.0
    end_c: float = 27.0
    fan_share: tuple[float, float] = (0.3, 0.6)
    swap_gap: int | None = None
    second: Build | None = None
    board_errors: bool = True


def one_of_a_kind(c20_ah: float, seed: int) -> Build:
    """A battery as batteries of one size differ (assumed spreads)."""
    draw, made = np.random.default_rng(seed), Build(c20_ah=c20_ah)
    return replace(
        made,
        fall=made.fall * (1 + 0.05 * draw.normal()),
        flow=made.flow * (1 + 0.25 * draw.uniform(-1, 1)),
        material=made.material * (1 + 0.05 * draw.normal()),
        ohm_v=made.ohm_v * (1 + 0.2 * draw.uniform(-1, 1)),
        exchange=made.exchange * (1 + 0.3 * draw.uniform(-1, 1)),
        dip_v=made.dip_v * draw.uniform(0.3, 1.5),
    )


class _Cycles:
    """Something that comes and goes: on for about `on_s`, off for so long that it is on for `share` of the time."""

    def __init__(self, draw: np.random.Generator, on_s: float) -> None:
        self._draw, self._on_s, self.on = draw, on_s, bool(draw.random() < 0.5)
        self._until_s = on_s * draw.random()

    def at(self, t_s: float, share: float) -> bool:
        while t_s >= self._until_s:
            self.on = not self.on
            mean_s = self._on_s if self.on else self._on_s * (1 - share) / max(share, 0.02)
            self._until_s += mean_s * self._draw.uniform(0.8, 1.2)
        return self.on


@dataclass(frozen=True, slots=True, kw_only=True)
class Second:
    """One reading of the day. `battery`: the state after it, every two minutes; `number`: 0, and 1 after a swap."""

    t_s: int
    reading: Reading
    in_flight: bool
    number: int
    battery: DayBattery | None
    browned_out: bool


def _place(t_s: int) -> tuple[bool, int, int]:
    """In flight; which flight or gap; seconds of it."""
    since = t_s - FIRST_LAUNCH_S
    if since < 0:
        return False, -1, t_s
    number, within = divmod(since, FLIGHT_S + GAP_S)
    return (True, number, within) if within < FLIGHT_S else (False, number, within - FLIGHT_S)


def seconds_of(day: Day, first_wall_s: float = START_WALL_S) -> Iterator[Second]:
    """The day, second by second, until the box browns out."""
    kind, draw = day.kind, np.random.default_rng(1000 + day.seed)
    battery, number = DayBattery(day.build), 0
    fans, usb = _Cycles(draw, 360.0), _Cycles(draw, 600.0)
    gain, offset = (1 + 0.003 * draw.normal(), 0.012 * draw.normal()) if day.board_errors else (1.0, 0.0)
    volt_gain, volt_offset = (1 + 0.002 * draw.normal(), 0.01 * draw.normal()) if day.board_errors else (1.0, 0.0)
    amps, next_burst_s, noise_volts = np.zeros(1), 0.0, 0.006 if day.board_errors else 0.0
    for t_s in range(0, LONGEST_S, STEP_S):
        in_flight, gap, within = _place(t_s)
        part = min(t_s / (8 * 3600), 1.0)
        battery.battery_c = day.start_c + (day.end_c - day.start_c) * part
        if not in_flight and gap == day.swap_gap and within == 60 and day.second is not None:
            battery, number = DayBattery(day.second), 1
        share = day.fan_share[0] + (day.fan_share[1] - day.fan_share[0]) * part
        fan_on = fans.at(t_s, share)
        watts = (kind.steady_watts if in_flight else kind.ground_watts) + kind.fan_watts * fan_on
        watts += kind.usb_watts * usb.at(t_s, 0.5)
        peak = watts
        if in_flight and kind.bursts and t_s >= next_burst_s:
            peak, next_burst_s = watts + kind.burst_peak, t_s + kind.burst_every_s * draw.uniform(0.4, 1.6)
            watts += sum(seconds * more for seconds, more in kind.bursts) / STEP_S
        amps = battery.amps_for(np.array([watts]), kind.settings.lead_ohm, amps)
        charging = day.charge and not in_flight and gap >= 0 and CHARGE_FROM_S <= within < CHARGE_FROM_S + CHARGE_S
        volts = battery.volts(amps)
        peak_amps = amps if peak == watts else peak / (float(volts[0]) - 0.15) * np.ones(1)
        lowest = battery.burst_volts(amps, peak_amps)
        if charging:
            net = amps + battery.charging_amps(CHARGE_AMPS + float(amps[0]))
            volts = np.minimum(battery.inner_volts() + 0.15 - battery.ohm() * net * 3, 14.4)
            amps_out, lowest, peak_amps = net, volts - 0.02, net
        else:
            amps_out = amps
        equipment = float(lowest[0] - peak_amps[0] * kind.settings.lead_ohm)
        battery.step(amps_out, STEP_S / 3600)
        noise = noise_volts * draw.normal()
        reading = Reading(
            box=kind.name,
            boot=1,
            sequence=t_s // STEP_S + 1,
            uptime_ms=1000 * (t_s + STEP_S),
            battery_volts=float(volts[0]) * volt_gain + volt_offset + noise,
            battery_min_volts=float(lowest[0]) * volt_gain + volt_offset + noise - abs(0.5 * noise),
            battery_amps=float(amps_out[0]) * gain + offset,
            battery_max_amps=float(max(peak_amps[0], amps_out[0])) * gain + offset,
            battery_c=battery.battery_c,
            fans={1: FanReading("ok", None, 100 if fan_on else 0)},
            charging="charging" if charging else "no",
            place="flight" if in_flight else "ground",
            wall_s=first_wall_s + t_s + STEP_S,
            wall_source="exchange",
        )
        over = equipment < kind.settings.cutoff_volts and not charging
        kept = battery.snapshot() if t_s % 120 == 118 else None
        yield Second(t_s=t_s, reading=reading, in_flight=in_flight, number=number, battery=kept, browned_out=over)
        if over:
            return


def true_left_s(day: Day, states: list[DayBattery], at_s: list[int]) -> list[float]:
    """Seconds from each state until the first fast sample under the cutoff, if the box flies on from there.

    All at once; the fans and the USB port go on as on this day, with other random numbers.
    """
    kind, draw = day.kind, np.random.default_rng(7000 + day.seed)
    battery, start = states[0].copies(states), np.array(at_s, dtype=float)
    left, amps = np.full(len(states), np.nan), np.zeros(len(states))
    offsets = draw.uniform(0, 1, (2, len(states)))
    lead, cutoff = kind.settings.lead_ohm, kind.settings.cutoff_volts
    for step in range(int(LONGEST_S / TRUTH_STEP_S)):
        t_s = step * TRUTH_STEP_S
        part = np.minimum((start + t_s) / (8 * 3600), 1.0)
        share = day.fan_share[0] + (day.fan_share[1] - day.fan_share[0]) * part
        fans = (t_s / 1000.0 + offsets[0]) % 1.0 < share
        usb = (t_s / 1200.0 + offsets[1]) % 1.0 < 0.5
        watts = kind.steady_watts + kind.fan_watts * fans + kind.usb_watts * usb
        amps = battery.amps_for(watts + kind.burst_mean, lead, amps)
        peak = (watts + kind.burst_peak) / np.maximum(battery.volts(amps) - 0.15, 6.0) if kind.bursts else amps
        under = np.isnan(left) & (battery.burst_volts(amps, peak) - peak * lead < cutoff)
        left[under] = t_s
        if not np.isnan(left).any():
            break
        battery.step(np.where(np.isnan(left), amps, 0.0), TRUTH_STEP_S / 3600)
    return [math.nan if math.isnan(one) else float(one) for one in left]
