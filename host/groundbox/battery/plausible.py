"""Are voltage and current of the box's sensors plausible? What they contradict, from reading to reading. Pure.

A board reports a sensor that is open, shorted or out of range. These are the faults that it cannot see: a current that
stops while the voltage shows no switch, a load that does not pass the shunt, a voltage that never changes, and a
battery that was swapped while the readings went on.
"""

from dataclasses import dataclass

OFF_VOLTS, OFF_PART = 0.004, 0.05  # per cell, and part of the expected rise: a switch shows more (assumed)
MIN_RESPONSE = 0.012  # volts per cell: a load that moves the voltage less shows nothing
FALLING_HOURS, FALLING_VOLTS, FALLING_BELOW = 0.25, 0.004, 2.10  # a battery at rest recovers; per cell (assumed)
AFTER_CHARGE_HOURS = 4.0  # the surface charge decays for so long (assumed)
SAME_READINGS, SAME_CHARGE = 10, 0.04  # units of C20: at no place is a curve flat to the last digit for longer
PLATEAU_VOLTS, PLATEAU_DRAWN, PLATEAU_HOURS = (2.15, 2.24), 0.15, 0.25  # per cell; units of C20 (recordings: 2.10)
# Measured and declared load are alike within this factor; compared are ten-minute means, over so long (assumed).
ALIKE, MEAN_HOURS, AGREED_HOURS, DIFFERS_HOURS = 1.5, 1 / 6, 1 / 12, 1 / 3
SWAP_VOLTS = 0.035  # per cell, while no load was switched: a switched load may show a bad connector
SWAP_READINGS = 5  # so many must confirm the step


@dataclass(slots=True)
class Plausibility:
    """What is doubted of the sensors of one box; charge in units of C20, volts per cell.

    lost: no current is measured, though the voltage shows a load. frozen: the voltage does not change.
    swapped: the voltage stepped as only another battery's does. other: the curve is of another chemistry.
    """

    lost: bool = False
    frozen: bool = False
    swapped: bool = False
    other: bool = False
    plateau_hours: float = 0.0
    declared_amps: float = 0.0  # mean of the last ten minutes, as the measured one
    agreed_hours: float = 0.0
    differs_hours: float = 0.0
    same: int = 0  # readings with the very same voltage
    same_charge: float = 0.0
    rest_hours: float = 0.0
    rest_volts: float = 0.0
    since_charge_hours: float = AFTER_CHARGE_HOURS
    step_volts: float = 0.0  # of the step that is being confirmed
    level_volts: float = 0.0  # before it
    confirmed: int = 0

    def take_voltage(self, jump: float, rate: float, hours: float) -> None:
        """A reading: its voltage is `jump` above the one before; `rate` is the load, 0 where none is known."""
        if jump != 0.0:
            self.same, self.same_charge, self.frozen = 0, 0.0, False
            return
        self.same += 1
        self.same_charge += max(rate, 0.0) * hours
        self.frozen = self.frozen or (self.same >= SAME_READINGS and self.same_charge >= SAME_CHARGE)

    def take_loads(self, measured: float, declared: float, hours: float) -> None:
        """`measured` is the mean of the last ten minutes. Loads that once agreed may have been switched off since."""
        part = min(hours / MEAN_HOURS, 1.0) if self.declared_amps > 0 else 1.0
        self.declared_amps += part * (declared - self.declared_amps)
        if self.declared_amps / ALIKE < measured < self.declared_amps * ALIKE:
            self.agreed_hours, self.differs_hours = self.agreed_hours + hours, 0.0
        elif measured > self.declared_amps or self.agreed_hours < AGREED_HOURS:
            self.differs_hours += hours
        else:
            self.differs_hours = 0.0

    def take_plateau(self, cell_volts: float, hours: float, drawn: float) -> None:
        """Under a known load, `drawn` so far: lead-acid is far under this voltage then, and a charger above it."""
        high = drawn >= PLATEAU_DRAWN and PLATEAU_VOLTS[0] <= cell_volts <= PLATEAU_VOLTS[1]
        self.plateau_hours = self.plateau_hours + hours if high else 0.0
        self.other = self.other or self.plateau_hours >= PLATEAU_HOURS

    def take_step(self, before: float, rate: float, jump: float, expected: float) -> None:
        """The measured load changed from `before` to `rate`; the voltage should have risen by `expected`."""
        if abs(expected) >= MIN_RESPONSE and jump == 0.0 and self.same >= 2:
            self.frozen = True
        if expected >= MIN_RESPONSE and before > 0.0 >= rate:
            self.lost = jump < OFF_VOLTS + OFF_PART * expected

    def take_rest(self, hours: float, cell_volts: float, charging: bool) -> None:
        """No current is measured: a voltage that keeps falling shows a load that does not pass the sensor."""
        self.since_charge_hours = 0.0 if charging else self.since_charge_hours + hours
        if charging or self.rest_hours == 0.0:
            self.rest_volts = cell_volts
        self.rest_hours = 0.0 if charging else self.rest_hours + hours
        if self.rest_hours >= FALLING_HOURS:
            old = self.since_charge_hours > AFTER_CHARGE_HOURS
            if old and cell_volts < FALLING_BELOW and cell_volts - self.rest_volts < -FALLING_VOLTS:
                self.lost = True
            self.rest_hours = 0.0

    def take_level(self, cell_volts: float, jump: float, expected: float) -> bool:
        """True at the reading that confirms a step which no load explains; `expected` is 0 where none was switched."""
        unexplained = jump - expected
        if self.confirmed == 0:
            if expected == 0.0 and abs(unexplained) > SWAP_VOLTS:
                self.step_volts, self.level_volts, self.confirmed = unexplained, cell_volts - unexplained, 1
            return False
        kept = (cell_volts - self.level_volts) / self.step_volts
        self.level_volts += expected
        self.confirmed = self.confirmed + 1 if kept > 0.6 else 0
        if self.confirmed < SWAP_READINGS:
            return False
        self.confirmed, self.swapped = 0, True
        return True
