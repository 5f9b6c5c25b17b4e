"""Which pin of the board is which thing of the box, by the firmware's own pin table."""

import json
import runpy
from array import array
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

from groundbox.rig.box import Box
from groundbox.rig.image import slot_in_force

RESET_CAUSES = {"power": 1, "reset": 3, "watchdog": 3}  # on this port a reset by program goes through the watchdog
_HEAD = 2  # numbers before the pins in every exchange
_FULL = 65535
_PLACES = ("case", "intake", "battery")  # in the order of the pin table


def _nobody() -> None:
    """Nobody wants to know."""


class Wiring:
    """The pins of one board in one box.

    Attributes:
        outputs, inputs: GPIO numbers (inputs also by name) in the order they travel.
        changed: called after the board drove its pins differently than before.
    """

    def __init__(self, box: Box, flash: Path) -> None:
        self._box = box
        pins = runpy.run_path(str(slot_in_force(flash) / "pins.py"))["PINS"]
        self._fans = len(box.fans)
        self.outputs: list[int] = [*pins["fan_drives"][: self._fans], *pins["outputs"], pins["buzzer"], pins["lamp"]]
        self._probes = [box.senses.probes[name] for name in _PLACES]
        tachs = pins["fan_tachs"][: self._fans]
        self.inputs: list[int | str | None] = [pins["divider"], pins["button"], "monitor_bus", "monitor_shunt"]
        self.inputs += [*pins["ntc"], *pins["onewire"], *tachs]
        self.ask = array("q", [0] * (_HEAD + len(self.outputs)))
        self.changed: Callable[[], None] = _nobody
        self._levels: list[int] = []

    def differs(self, levels: list[int]) -> bool:
        """Whether the board drives its pins differently than before."""
        return levels != self._levels

    def drive(self, levels: list[int]) -> None:
        """Makes the box feel the board's pins, -1 floating, else 0 to 65535 of duty; firmware/pins.py has the sense."""
        if not self.differs(levels):
            return
        self._levels = levels
        box, n = self._box, self._fans
        for fan, level in zip(box.fans, levels, strict=False):
            fan.drive = 1 - max(0, level) / _FULL
        box.output_on = [level <= 0 for level in levels[n : n + 2]]
        box.buzzer, box.lamp = levels[n + 2] > 0, levels[n + 3] > 0
        self.changed()

    def release(self) -> None:
        """The board is dead or starting: every pin floats."""
        self.drive([-1] * len(self.outputs))

    def answer(self, granted_us: int, input_waits: bool, steady_us: int) -> "array[int]":
        """The reply to the board: what has passed, how its inputs were, and for how long they stay so by themselves."""
        box, senses = self._box, self._box.senses
        numbers = [
            granted_us,
            input_waits,
            steady_us,
            senses.divider_u16(box.node.battery_volts),
            not box.button_pressed,
        ]
        numbers += (senses.monitor_microvolts(), senses.shunt_nanovolts())
        numbers += [probe.ntc_u16 for probe in self._probes]
        numbers += [probe.onewire_raw for probe in self._probes]
        pulses = [fan.pulse_milli_hz for fan in box.fans]
        if box.tach_leads_crossed:
            pulses[:2] = pulses[1::-1]
        return array("q", numbers + pulses)

    def write(
        self, path: Path, start: int, reset_cause: str, fds: tuple[int, int], hang_link_us: Sequence[int] = ()
    ) -> None:
        """Writes what the board's start-up needs to know.

        Args:
            path: the file.
            start: number of this start in the run.
            reset_cause: one of RESET_CAUSES.
            fds: the board's ends of the pipes to ask and to be answered.
            hang_link_us: microseconds after this start at which the link task hangs.
        """
        settings = self._box.settings
        random = Random(f"{settings.seed}/{settings.name}/{start}")
        content = {
            "outputs": self.outputs,
            "inputs": self.inputs,
            "ask_fd": fds[0],
            "reply_fd": fds[1],
            "monitor": settings.senses.monitor,
            "monitor_address": settings.senses.monitor_address,
            "adc_noise": self._box.senses.adc_noise,
            "reset_cause": RESET_CAUSES[reset_cause],
            "unique_id": list(Random(settings.name).randbytes(8)),
            "random_seed": random.getrandbits(30),
            "hang_link_us": list(hang_link_us),
            "clock_s": 1609459200,  # the first of January 2021: nobody has set this clock
            "ticks_us": settings.ticks_start_ms * 1000,
        }
        path.write_text(json.dumps(content), encoding="ascii")
