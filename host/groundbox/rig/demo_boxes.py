"""The two boxes of the invented session: a volunteer group maps a raised bog from the air. All numbers are invented.

`table`, and `mast` with an aged battery that does not last the day without charging. Both start warm from the car, so
their fans run from the start. Loads, cutoff and leads are those of examples/groundbox.toml.
"""

from groundbox.rig.box import SimBoxSettings
from groundbox.rig.electric import SimBatterySettings, SimLoadSettings
from groundbox.rig.heat import SimWeather

CUTOFF_VOLTS = 11.0
_HOUR = 3600.0
AFTERNOON = SimWeather(
    outside_c=((0.0, 24.0), (1 * _HOUR, 26.0), (2.5 * _HOUR, 29.0), (4 * _HOUR, 28.0), (5 * _HOUR, 26.5)),
    sun_w_m2=((0.0, 450.0), (2 * _HOUR, 600.0), (4 * _HOUR, 350.0), (5 * _HOUR, 200.0)),
)

TABLE = SimBoxSettings(
    name="table",
    battery=SimBatterySettings(c20_ah=18.0, ohm=0.016),
    loads=(
        SimLoadSettings(name="display", watts=18.0, heat_fraction=0.5, lowest_volts=CUTOFF_VOLTS),
        SimLoadSettings(name="repeater", watts=6.0, lowest_volts=9.5),
        SimLoadSettings(name="usb", watts=0.0, rest_s=600.0, bursts=((600.0, 10.0),), heat_fraction=0.2, output=2),
    ),
    weather=AFTERNOON,
    lead_ohm=0.02,
    start_c=38.0,
    seed=7,
)

MAST = SimBoxSettings(
    name="mast",
    battery=SimBatterySettings(c20_ah=9.0, health=0.7, ohm=0.032),
    loads=(
        SimLoadSettings(name="receivers", watts=10.0, lowest_volts=CUTOFF_VOLTS),
        # At rest 3 W, both starting at once 36 W, then turning 9 W: mean 4 W.
        SimLoadSettings(
            name="servos",
            watts=3.0,
            rest_s=5.0,
            irregular=True,
            bursts=((0.06, 36.0), (0.6, 9.0)),
            heat_fraction=0.0,
        ),
    ),
    weather=AFTERNOON,
    lead_ohm=0.03,
    start_c=37.0,
    seed=8,
)
