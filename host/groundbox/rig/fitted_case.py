"""A case learnt from sessions, as the simulated box's case: the same heat, in the box's own terms."""

from pathlib import Path

from groundbox.rig.case import WATTS_PER_K_AND_M3_PER_H, CaseSettings
from groundbox.rig.fans import Fan, FanSettings, flow_m3_per_h
from groundbox.thermal.case_file import load_case
from groundbox.thermal.model import CaseModel

FULL_SUN_W_M2 = 1000.0
_LEAST_PATH, _MOST_PATH = 1e-4, 1e4


def fitted_case(path: Path) -> CaseSettings:
    """The case in the file of `groundbox case fit`.

    Raises:
        BadInput: the file cannot be read.
    """
    return as_settings(load_case(path).fit.model)


def as_settings(model: CaseModel, fan: FanSettings | None = None) -> CaseSettings:
    """The simulated case that does with heat what `model` does.

    The path's resistance is set so that both fans at full speed carry as much; one fan alone follows from the fans'
    own curve, so a case whose fitted single fan differs from that is met with both fans and with none.
    """
    ab, wb = model.air_battery_w_per_k, model.wall_battery_w_per_k
    return CaseSettings(
        air_j_per_k=model.air_j_per_k,
        walls_j_per_k=model.wall_j_per_k,
        battery_j_per_k=(ab + wb) * model.battery_lag_s,
        air_walls_w_per_k=model.air_wall_w_per_k,
        walls_outside_w_per_k=model.wall_outside_w_per_k,
        air_battery_w_per_k=ab,
        walls_battery_w_per_k=wb,
        leak_w_per_k=0.0,
        sun_area_m2=model.sun_watts / FULL_SUN_W_M2,
        path=_path(model.fan_two_w_per_k / WATTS_PER_K_AND_M3_PER_H, fan or FanSettings()),
    )


def _path(wanted_m3_per_h: float, settings: FanSettings) -> float:
    """Resistance of the path through which a pair at full speed moves so much; the least where even that is too few."""
    pair = [Fan(settings), Fan(settings)]
    for fan in pair:
        fan.rpm = settings.full_rpm
    low, high = _LEAST_PATH, _MOST_PATH
    for _ in range(100):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if flow_m3_per_h(pair, middle, 0.0) > wanted_m3_per_h else (low, middle)
    return low
