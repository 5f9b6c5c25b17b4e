"""One start of the board. The outputs come first: they keep their state before anything else is looked at."""

import gc
import time

from drivers import board
from groundbox.wire.messages import OUTPUT_STATES, RESET_CAUSES
from startup import saved_state

_HELD_MS = 3000  # button held from power-on for this long, then released: maintenance
_STUCK_MS = 10000
_FORGOTTEN_MS = 1800000
_HEAVY = ("groundbox.wire.settings", "groundbox.wire.line", "core.control", "startup.settings_store")
_HEAVY += ("uplinks.desk", "uplinks.commands", "startup.tasks", "startup.summary_task", "uplinks.serial_uplink")
_COLLECT_BYTES = 16384  # while modules load: without it their garbage cuts the heap into small pieces


def main(slot):
    """One start of the board, in `slot` (main.Slot)."""
    gc.threshold(_COLLECT_BYTES)
    saved = saved_state.SavedState()
    hardware = board.Board()
    hardware.guard()
    cause = board.reset_cause()
    powered = cause == RESET_CAUSES.index("power")  # after any other reset a pilot may be holding it to mark a launch
    off = OUTPUT_STATES.index("off")
    hardware.hold(saved.output1 != off, 0 if powered or saved.output2 in (0, off, OUTPUT_STATES.index("shed")) else 1)
    if saved.planned == saved_state.MAINTENANCE or (powered and _asked_by_button(hardware)):
        _wait_for_files(saved, hardware)
        return
    if saved.planned == saved_state.AFTER_MAINTENANCE:
        cause = RESET_CAUSES.index("maintenance")
    saved.planned = saved_state.NORMAL
    saved.begin(powered)
    for name in _HEAVY:
        hardware.feed()
        __import__(name)
    hardware.feed()
    from startup import start

    start.run(saved, hardware, cause, slot)


def _asked_by_button(hardware):
    """True when the button was held from power-on and released; a stuck button only costs its ten seconds."""
    held_ms = 0
    while hardware.pressed() and held_ms < _STUCK_MS:
        hardware.feed()
        hardware.signal(0, 1)
        time.sleep_ms(10)
        held_ms += 10
    hardware.signal(0, 0)
    return _HELD_MS <= held_ms < _STUCK_MS


def _wait_for_files(saved, hardware):
    """Leaves the board at its prompt: outputs held, fans full by their wiring, lamp lit.

    Nothing monitors the battery in that time, so the watchdog restarts a forgotten board.
    """
    saved.planned = saved_state.AFTER_MAINTENANCE
    saved.save()
    hardware.signal(0, 1)
    hardware.feed_for(_FORGOTTEN_MS)
    print("maintenance: copy files now; a reset, or 30 minutes, ends it")
