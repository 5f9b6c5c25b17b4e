"""Invented sessions: a case of the model's own kind, and the rig's box, whose physics were written apart from it."""

import math
from random import Random

from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.electric import SimBatterySettings, SimLoadSettings, along
from groundbox.rig.heat import STALLED, SimWeather
from groundbox.thermal.model import CaseModel, CaseState, Drive, predict
from groundbox.thermal.rows import HeatRow

HOUR_S = 3600
SUN_W_M2 = (
    *((0.0, 0.0), (3600.0, 100.0), (7200.0, 600.0), (10800.0, 900.0)),
    *((11400.0, 250.0), (14400.0, 900.0), (21600.0, 500.0)),
)


def own(case: CaseModel, seed: int, *, hours: float = 6, sun_noted: bool = True, one_fan: bool = True) -> list[HeatRow]:
    """A warm day of `case` under a thermostat, with sensor noise; from 2.5 to 4 h one fan is stopped if `one_fan`."""
    random, rows, on = Random(seed), [], False
    state = CaseState(air_c=22, wall_c=19, battery_c=20)
    for second in range(int(hours * HOUR_S)):
        hour = second / HOUR_S
        on = state.air_c > 35 or (on and state.air_c > 31)
        cloud = 0.3 if int(hour * 2) % 5 == 3 else 1.0
        drive = Drive(
            watts=24 + 10 * (int(hour * 2) % 2) + random.gauss(0, 1),
            outside_c=24 + 5 * math.sin(hour / 8 * math.pi),
            fans=0.0 if not on else 1.0 if one_fan and 2.5 < hour < 4 else 2.0,
            sun=max(0.0, math.sin((hour + 1) / 8 * math.pi)) * cloud,
        )
        state = predict(case, state, drive, 1)
        rows.append(
            HeatRow(
                t_s=float(second),
                case_c=round(state.air_c + random.gauss(0, 0.05), 2),
                outside_c=drive.outside_c + random.gauss(0, 0.05),
                watts=drive.watts,
                fans=drive.fans,
                sun=drive.sun if sun_noted else None,
                battery_c=round((state.battery_c or 0) + random.gauss(0, 0.05), 2),
            )
        )
    return rows


def rig_box(seed: int) -> SimBox:
    return SimBox(
        SimBoxSettings(
            name="case",
            seed=seed,
            battery=SimBatterySettings(c20_ah=40),
            loads=(
                SimLoadSettings(name="display", watts=18),
                SimLoadSettings(name="charging", watts=0, rest_s=1500, bursts=((1500, 12.0),)),
            ),
            weather=SimWeather(outside_c=((0.0, 19.0), (10800.0, 27.0), (21600.0, 28.0)), sun_w_m2=SUN_W_M2),
        )
    )


def drive_box(
    box: SimBox, *, hours: float, sun_noted: bool = True, stalled: tuple[float, float] = (0, 0)
) -> list[HeatRow]:
    """Rows as the box's own sensors show them, under a thermostat at 35 / 31 °C; fan 1 stops in the `stalled` hours."""
    rows, on = [], False
    for second in range(int(hours * HOUR_S)):
        reported = {name: probe._reported_c for name, probe in box.senses.probes.items()}
        on = reported["case"] > 35 or (on and reported["case"] > 31)
        box.fans[0].fault = STALLED if stalled[0] < second / HOUR_S < stalled[1] else "ok"
        for fan in box.fans:
            fan.drive = float(on)
        watts = 0.0
        for _ in range(2):
            box.step(0.5)
            watts += box.node.battery_volts * box.node.battery_amps / 2
        rows.append(
            HeatRow(
                t_s=second + 1.0,
                case_c=round(box.senses.probes["case"]._reported_c, 2),
                outside_c=round(box.senses.probes["intake"]._reported_c, 2),
                battery_c=round(box.senses.probes["battery"]._reported_c, 2),
                watts=watts,
                fans=sum(fan.rpm / fan.settings.full_rpm for fan in box.fans),
                sun=along(SUN_W_M2, second) / 1000 if sun_noted else None,
            )
        )
    return rows
