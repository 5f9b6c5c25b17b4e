"""Made days of boxes without a fault, many of them harsh: the vote on the case sensor never doubts it."""

from collections.abc import Iterator
from math import pi, sin
from random import Random

import pytest

from core.limits import LimitTable  # type: ignore[import-not-found]
from core.plausibility import CaseVote  # type: ignore[import-not-found]
from core.thermostat import Thermostat  # type: ignore[import-not-found]
from groundbox.rig.heat import SimCase, SimCaseSettings, SimFan, SimFanSettings, flow_m3_per_h
from groundbox.wire.settings import defaults

_HOURS = 10
_SENSOR_S, _BATTERY_SENSOR_S = 8, 32  # lags
_SENSOR_ERROR_K = 0.5  # standard deviation, not calibrated


class MadeDay:
    """One day of a random box: sun, gusts, rain, loads, charges, swapped batteries, a box out of a cellar or a hot car.

    Attributes: case_k: added to what the case sensor shows, to see that the days can fail.
    """

    def __init__(self, seed: int, case_k: float = 0.0) -> None:
        r = self._random = Random(seed)
        self.case_k = case_k
        self._settings = SimCaseSettings(
            air_j_per_k=r.uniform(600, 2500),
            walls_j_per_k=r.uniform(1000, 5000),
            battery_j_per_k=r.uniform(1500, 8000),
            air_walls_w_per_k=r.uniform(1.5, 4),
            walls_outside_w_per_k=r.uniform(1.5, 6),
            air_battery_w_per_k=r.uniform(0.3, 1.2),
            walls_battery_w_per_k=r.uniform(0.1, 0.8),
            leak_w_per_k=r.uniform(0.05, 0.4),
            sun_area_m2=r.uniform(0.02, 0.12),
            path=r.uniform(0.03, 0.2),
        )
        self._morning_c, self._swing_k = r.uniform(0, 32), r.uniform(2, 12)
        self._case = SimCase(self._settings, self._morning_c + r.choice((0, 0, 0, r.uniform(-12, 25))))
        if r.random() < 0.2:
            self._case.battery_c = r.uniform(15, 30)  # charged indoors
        self._errors = [r.gauss(0, _SENSOR_ERROR_K) for _ in range(3)]
        self._seen_air = r.choice((0, 0, 0.1, 0.25, 0.4))  # part of the air in what the battery sensor shows
        self._sunlit_intake_k = r.uniform(0, 5)
        self._fan_mode = r.randrange(2)
        self._watts = 0.0
        self._charging = self._rain = False

    def doubts(self) -> list[int]:
        """Seconds at which the vote begins to doubt the case sensor."""
        values = defaults()
        values["fan_mode"] = self._fan_mode
        thermostat, vote = Thermostat(LimitTable(values)), CaseVote()
        fans = [SimFan(SimFanSettings()), SimFan(SimFanSettings())]
        found, before = [], False
        for second, (case, battery, intake) in enumerate(self._seconds(fans)):
            milliamperes = round(self._watts / 12 * 1000) * (-1 if self._charging else 1)
            vote.step(1000, case, battery, intake, self._charging, milliamperes, thermostat.percent)
            thermostat.step(1000, case, 0, intake, self._charging, False, 0)
            for fan in fans:
                fan.drive = thermostat.percent / 100
                fan.step(1.0, True)
            if vote.doubt and not before:
                found.append(second)
            before = vote.doubt
        return found

    def _seconds(self, fans: list[SimFan]) -> Iterator[tuple[int, int, int]]:
        """What case, battery and intake sensors show, hundredths of a degree, in each second."""
        r, case = self._random, self._case
        until = sun = sun_now = gust = 0.0
        shown: list[float] = []
        for second in range(_HOURS * 3600):
            if second >= until:
                until = second + r.uniform(300, 5400)
                self._watts = r.choice((0, 5, 10, 20, 30, 60, 110))
                self._charging, self._rain = r.random() < 0.15, r.random() < 0.1
                if r.random() < 0.08:
                    case.battery_c += r.choice((-8, -3, 2, 3, 5, 10, 15))  # another battery
            height = max(0.0, sin(pi * second / (_HOURS * 3600)))
            if second % 60 == 0:
                sun = height * 1000 * (r.random() if r.random() < 0.5 else 1.0)
                gust = r.gauss(0, 0.5)
            sun_now += (sun - sun_now) / 30
            outside_c = self._morning_c + self._swing_k * height + gust - (4 if self._rain else 0)
            if second % 2 == 0:
                amps = self._watts / 12
                own = amps * amps * 0.025 + (r.uniform(0, 8) if self._charging else 0)
                flow = flow_m3_per_h(fans, self._settings.path, 0.0)
                case.step(2.0, self._watts * 1.4, own * 2, 0.0 if self._rain else sun_now, flow, outside_c)
            battery_c = case.battery_c * (1 - self._seen_air) + case.air_c * self._seen_air
            true = [case.air_c, battery_c, outside_c + self._sunlit_intake_k * sun_now / 1000]
            shown = shown or true
            lags = (_SENSOR_S, _BATTERY_SENSOR_S, _SENSOR_S)
            shown = [old + (new - old) / lag for old, new, lag in zip(shown, true, lags, strict=True)]
            a, b, c = (round(100 * (v + e + r.gauss(0, 0.03))) for v, e in zip(shown, self._errors, strict=True))
            yield a + round(100 * self.case_k), b, c


def test_a_healthy_day_never_doubts_and_a_case_that_reads_low_is_doubted() -> None:
    assert not MadeDay(1).doubts()
    assert MadeDay(1, case_k=-25.0).doubts()


@pytest.mark.endurance
def test_no_healthy_day_of_two_hundred_doubts() -> None:
    assert not [seed for seed in range(200) if MadeDay(seed).doubts()]
