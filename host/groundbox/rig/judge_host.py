"""The host's warnings in a run: readings in, changes of warnings out, by the same table that warns in the field."""

from groundbox.advice.state import BoxState
from groundbox.advice.warner import Warner
from groundbox.model import Event, Reading, WarningChange
from groundbox.wire.messages import RESET_CAUSES


class HostWarnings:
    """Those of one box.

    Args:
        box: its name.
        cutoff_volts: at the equipment, where known.
        lead_ohm: from the battery to the equipment.
    """

    def __init__(self, box: str, cutoff_volts: float | None, lead_ohm: float) -> None:
        self._box, self._cutoff_volts, self._lead_ohm = box, cutoff_volts, lead_ohm
        self._warner = Warner()
        self._reading: Reading | None = None
        self._heard_s = 0.0
        self._restarted: tuple[float, str] | None = None

    def take(self, now_s: float, item: Reading | Event) -> None:
        """Something came."""
        known = self._reading
        if isinstance(item, Reading):
            if known is None or (item.boot, item.sequence) > (known.boot, known.sequence):
                self._reading, self._heard_s = item, now_s
        elif item.kind == "started" and known is not None and item.boot > known.boot:
            self._restarted = (now_s, RESET_CAUSES[item.value] if item.value is not None else "other")

    def update(self, now_s: float) -> list[WarningChange]:
        """What changes now."""
        return self._warner.update(now_s, self._state(now_s))

    def _state(self, now_s: float) -> BoxState:
        reading, restarted = self._reading, self._restarted
        if reading is None:
            return BoxState(box=self._box, wall_s=now_s, watched_s=now_s)
        volts = reading.battery_volts
        return BoxState(
            box=self._box,
            wall_s=now_s,
            watched_s=now_s,
            silent_s=now_s - self._heard_s,
            in_flight=reading.place == "flight",
            battery_volts=volts,
            check_volts=reading.check_volts,
            equipment_volts=None if volts is None else volts - (reading.battery_amps or 0.0) * self._lead_ohm,
            cutoff_volts=self._cutoff_volts,
            low_voltage=reading.low_voltage,
            overvoltage=reading.overvoltage,
            charging=reading.charging,
            case_heat=reading.case_heat,
            case_c=reading.case_c,
            battery_c=reading.battery_c,
            fans=tuple(fan.state for fan in reading.fans.values()),
            sensors=tuple(reading.sensors.items()),
            restarted_s=None if restarted is None else now_s - restarted[0],
            restart_cause=None if restarted is None else restarted[1],
        )
