"""Wires the parts and starts them. Outputs first: they go on as they were before anything else is looked at."""

import gc
import time

import board
import kept as memory
from groundbox.wire.messages import OUTPUT_STATES, RESET_CAUSES

_HELD_MS = 3000  # button held from power-on this long, then released: maintenance
_STUCK_MS = 10000
_FORGOTTEN_MS = 1800000
_COLLECT_BYTES = 16384  # while modules load: else what they leave lying between them cuts the heap into small pieces


def main(slot):
    """One start of the board, in `slot` (main.Slot)."""
    gc.threshold(_COLLECT_BYTES)
    kept = memory.Kept()
    hardware = board.Board()
    off = (OUTPUT_STATES.index("off"), OUTPUT_STATES.index("shed"))
    hardware.hold(kept.output1 not in off, kept.output2 not in off)
    cause = board.reset_cause()
    powered = cause == RESET_CAUSES.index("power")  # after any other reset a pilot may be holding it to mark a launch
    if kept.planned == memory.MAINTENANCE or (powered and _asked_by_button(hardware)):
        _wait_for_files(kept, hardware)
        return
    if kept.planned == memory.AFTER_MAINTENANCE:
        cause = RESET_CAUSES.index("maintenance")
    kept.planned = memory.NORMAL
    kept.begin()
    import start

    start.run(kept, hardware, cause, slot)


def _asked_by_button(hardware):
    """True when the button was held from power-on and let go; a stuck one only costs its ten seconds."""
    held_ms = 0
    while hardware.pressed() and held_ms < _STUCK_MS:
        hardware.signal(0, 1)
        time.sleep_ms(10)
        held_ms += 10
    hardware.signal(0, 0)
    return _HELD_MS <= held_ms < _STUCK_MS


def _wait_for_files(kept, hardware):
    """Leaves the board at its prompt: no watchdog, outputs held, fans full by their wiring, lamp lit.

    Nothing watches the battery meanwhile, so a board that was forgotten goes back to work.
    """
    kept.planned = memory.AFTER_MAINTENANCE
    kept.save()
    hardware.signal(0, 1)
    hardware.restart_in(_FORGOTTEN_MS)
    print("maintenance: files can be copied; a reset, or half an hour, ends it")
