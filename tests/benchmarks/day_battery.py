"""A simulated battery for days in the field: acid that diffuses into plates. Arrays: many batteries at once.

It is neither the estimator's model nor the rig's. Acid is in a reservoir and in three layers of pores; the load takes
it from the pores, diffusion brings it back. Cell voltage at rest is acid density + 0.85 (common practice, no source).
Butler-Volmer kinetics with a surface that shrinks as material is used; conductivity falls with the acid. The dip at the
start, the limit of material and the numbers of `Build` are assumed; `python -m tests.benchmarks battery_day --table`
prints what it gives beside makers' tables (secondary copies); at fast loads it gives more, as the recorded 17 Ah does.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
CELLS = 6
FULL_DENSITY, REST_OFFSET = 1.300, 0.85
RESERVOIR, PORES = 0.45, 0.55 / 3
REACTION: Array = np.array([0.40, 0.33, 0.27])  # of the current, by layer
THERMAL_VOLTS = 0.0514  # 2 RT/F at 25 °C
CHARGE_VOLTS = 14.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """How one battery is made; per unit of C20.

    fall: density that a charge of one C20 takes. flow: diffusion between layers, an hour. material: charge of the
    plates. ohm_v: volts a cell at a load of C20 an hour, for a moment. exchange: of the kinetics. dip_v: volts a cell.
    """

    c20_ah: float
    fall: float = 0.22
    flow: float = 0.5
    material: float = 1.05
    ohm_v: float = 0.045
    exchange: float = 0.10
    dip_v: float = 0.02

    def worn(self, health: float) -> "Build":
        """A battery that still holds about `health` of its charge: less acid and less material, more resistance."""
        return replace(
            self,
            fall=self.fall / health,
            material=self.material * health,
            ohm_v=self.ohm_v / health**1.5,
            exchange=self.exchange * health,
        )


class DayBattery:
    """`count` batteries of one build.

    Attributes:
        drawn: (n,) charge since full, units of C20.
    """

    def __init__(self, build: Build, count: int = 1, start_soc: float = 1.0) -> None:
        self.build = build
        missing = (1 - start_soc) / 1.0
        self.reservoir: Array = np.full(count, FULL_DENSITY - build.fall * missing)
        self.pores: Array = np.full((count, 3), FULL_DENSITY - build.fall * missing)
        self.drawn: Array = np.full(count, missing)
        self._battery_c: float | Array = 25.0
        self._kept: tuple[Array, Array, Array] | None = None

    @property
    def battery_c(self) -> float | Array:
        """Temperature, °C: of all batteries or (n,) of each."""
        return self._battery_c

    @battery_c.setter
    def battery_c(self, battery_c: float | Array) -> None:
        self._battery_c, self._kept = battery_c, None

    def copies(self, states: "list[DayBattery]") -> "DayBattery":
        """One object with all of `states`, each of one battery."""
        joined = DayBattery(self.build, len(states))
        joined.reservoir = np.concatenate([one.reservoir for one in states])
        joined.pores = np.concatenate([one.pores for one in states])
        joined.drawn = np.concatenate([one.drawn for one in states])
        joined.battery_c = np.concatenate([np.ravel(one.battery_c) for one in states])
        return joined

    def snapshot(self) -> "DayBattery":
        """A copy that no longer changes."""
        return self.copies([self])

    def step(self, amps: Array, hours: float) -> None:
        """Draws `amps` (below 0: charges) for so long."""
        b, rate = self.build, amps / self.build.c20_ah
        flow = b.flow * np.exp(0.022 * (self.battery_c - 25.0))
        pores, moved = self.pores, np.empty_like(self.pores)
        moved[:, 0] = self.reservoir - pores[:, 0]
        moved[:, 1:] = pores[:, :-1] - pores[:, 1:]
        moved *= np.reshape(flow * hours, (-1, 1))
        self.reservoir = self.reservoir - moved[:, 0] / RESERVOIR
        gain = moved - rate[:, np.newaxis] * (REACTION * (b.fall * hours))
        gain[:, :-1] -= moved[:, 1:]
        self.pores = np.minimum(np.maximum(pores + gain / PORES, 1.0005), FULL_DENSITY + 0.01)
        self.drawn = np.maximum(self.drawn + rate * hours, 0.0)
        self._kept = None

    def _now(self) -> tuple[Array, Array, Array]:
        """(n,) each: rest voltage, twice the exchange current units of C20 an hour, resistance; kept until a step."""
        if self._kept is None:
            b, front = self.build, self.pores @ REACTION
            acid = np.maximum((front - 1.0) / 0.3, 0.003)
            dip = b.dip_v * np.exp(self.drawn / -0.008)
            inner = CELLS * (REST_OFFSET + front + 0.045 * np.log(acid / (acid + 0.06)) - dip)
            left = np.maximum(1 - self.drawn / b.material, 0.004)
            surface = (2 * b.exchange * np.exp(0.04 * (self.battery_c - 25.0))) * left * np.sqrt(acid)
            cold = np.exp(-0.012 * (self.battery_c - 25.0))
            ohm = CELLS * b.ohm_v / b.c20_ah * cold * (1 + 1.2 * np.maximum(1 - acid, 0.0) ** 2)
            self._kept = inner, surface, ohm
        return self._kept

    def inner_volts(self) -> Array:
        """(n,) rest voltage of the battery by the acid in the pores."""
        return self._now()[0]

    def kinetic_volts(self, amps: Array) -> Array:
        """(n,) volts lost to the reaction."""
        return np.asarray(CELLS * THERMAL_VOLTS * np.arcsinh(amps / self.build.c20_ah / self._now()[1]))

    def ohm(self) -> Array:
        """(n,) resistance at once, ohms."""
        return self._now()[2]

    def volts(self, amps: Array) -> Array:
        """(n,) at the terminals under a load that has lasted."""
        return np.asarray(self.inner_volts() - self.kinetic_volts(amps) - self.ohm() * amps)

    def burst_volts(self, mean_amps: Array, peak_amps: Array) -> Array:
        """(n,) in a burst of less than a second: half of the kinetic loss has not built up yet (assumed)."""
        more = 0.5 * (self.kinetic_volts(peak_amps) - self.kinetic_volts(mean_amps))
        return np.asarray(self.volts(mean_amps) - more - self.ohm() * (peak_amps - mean_amps))

    def amps_for(self, watts: Array, lead_ohm: float, before: Array) -> Array:
        """(n,) current that gives `watts` at the equipment; `before`: a first guess."""
        amps = np.maximum(before, 0.0)
        amps = watts / np.maximum(self.volts(amps) - amps * lead_ohm, 6.0)
        return np.asarray(watts / np.maximum(self.volts(amps) - amps * lead_ohm, 6.0))

    def charging_amps(self, amps: float) -> Array:
        """(n,) what a charger of so many amperes drives in, at 14.4 V at most; and below 0."""
        missing = np.maximum(self.drawn, 0.0)
        taken = np.minimum(amps, self.build.c20_ah * (0.01 + 2.0 * missing))
        return np.asarray(-taken)


def hours_at(
    build: Build, rates: list[float], end_volts_per_cell: float = 1.75, battery_c: float = 25.0
) -> list[float]:
    """Hours from full at steady loads, in units of C20 an hour."""
    battery, amps = DayBattery(build, len(rates)), np.array(rates) * build.c20_ah
    battery.battery_c = battery_c
    ended: Array = np.full(len(rates), np.nan)
    step = 20 / 3600
    for number in range(int(30 / step)):
        under = np.isnan(ended) & (battery.volts(amps) < CELLS * end_volts_per_cell)
        ended[under] = number * step
        if not np.isnan(ended).any():
            break
        battery.step(amps, step)
    return [float(one) for one in ended]
