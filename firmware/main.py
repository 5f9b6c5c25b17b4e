"""Chooses which of two slots of firmware runs, and goes back to the other when a new one does not prove itself.

The only file outside the slots `a` and `b`, so it is small and hardly ever changes. The file `choice` holds

    a      slot a runs
    a>b    slot b is to be tried at the next start
    a?b    slot b is being tried: any other start before `keep` goes back to a
    a!b    slot b was tried and did not prove itself; a runs

and is replaced by renaming, which littlefs does whole or not at all.

Its first acts: no Ctrl-C ends this program, and the watchdog runs. Until a slot drives them, the outputs are as their
wiring has them (drivers/pins.py).
"""

import micropython

micropython.kbd_intr(-1)  # byte 3 may come on a data port; the way in is a maintenance restart

import machine  # noqa: E402

machine.WDT(timeout=8000)  # RP2040 goes up to 8388

import os  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402

_TRIAL_MS = 120000  # a slot on trial that nobody keeps within this time goes back
_AFTER_ERROR_MS = 3000
_kept = []  # a timer that nothing refers to stops at the next collection


class Slot:
    """The slot that runs.

    Attributes:
        name: "a" or "b".
        trial: True until it is kept.
    """

    def __init__(self, name, trial):
        self.name = name
        self.trial = trial
        self._timer = None
        if trial:
            self._timer = machine.Timer(-1 if sys.platform == "rp2" else 1)
            self._timer.init(mode=machine.Timer.ONE_SHOT, period=_TRIAL_MS, callback=lambda _: machine.reset())
            _kept.append(self._timer)

    def keep(self):
        """Makes this slot the one that runs from now on; False when flash does not take it."""
        if not _write(self.name):
            return False
        self.trial = False
        if self._timer:
            self._timer.deinit()
            self._timer = None
        return True


def choose():
    """The slot to run, on trial where one is to be tried."""
    text = _read()
    good, mark, other = text[:1], text[1:2], text[2:3]
    if good not in ("a", "b"):
        return Slot("b" if _has_firmware("b") and not _has_firmware("a") else "a", False)
    if mark == ">" and other in ("a", "b") and _write("%s?%s" % (good, other)):
        return Slot(other, True)
    if mark == "?":
        _write("%s!%s" % (good, other))
    return Slot(good, False)


def run():
    """Starts the chosen slot; comes back only for maintenance."""
    try:
        slot = choose()
        sys.path.insert(1, slot.name)  # before libraries, behind the root
        from startup import begin

        begin.main(slot)
    except Exception as error:  # noqa: BLE001 (any error: print it, then start again)
        sys.print_exception(error)
        time.sleep_ms(_AFTER_ERROR_MS)
        machine.reset()


def _read():
    try:
        with open("choice") as file:
            return file.read(3)
    except (OSError, ValueError):
        return ""


def _write(text):
    try:
        with open("choice.new", "w") as file:
            file.write(text)
        os.rename("choice.new", "choice")
    except OSError:
        return False
    return _read() == text


def _has_firmware(slot):
    for ending in (".mpy", ".py"):
        try:
            os.stat(slot + "/startup/begin" + ending)
            return True
        except OSError:
            pass
    return False


run()
