"""Power-on: what a board's start-up code does, then main.py. Argument: the file written for this start.

The working directory is the board's flash. The same file runs under MicroPython and, for want of it, CPython.
"""

import sys

_CPYTHON = sys.implementation.name == "cpython"
_HERE = __file__.rpartition("/")[0]

if _CPYTHON:
    sys.path.insert(0, _HERE + "/fallback")
    import as_micropython

    as_micropython.prepare(_HERE)
else:
    sys.path[:] = [_HERE, "", ".frozen"]
    import rig_tasks

    sys.modules["_asyncio"] = rig_tasks

import builtins  # noqa: E402
import os  # noqa: E402
import micropython  # noqa: E402
import rig_clock  # noqa: E402 (its `time` and `select` must come first)
import rig_console  # noqa: E402

micropython.kbd_intr(-1)  # of the terminal
sys.modules["micropython"] = rig_console
builtins.print = rig_console.show
_US_PER_BYTE = rig_clock.wiring["import_us_per_byte"]


def _slow_import(name, *more, _import=builtins.__import__):
    """Lets the time pass that a board needs to read a module."""
    if name not in sys.modules and name != "main":
        rig_clock.sleep_us(_size(name) * _US_PER_BYTE)
    return _import(name, *more)


def _size(name):
    for folder in sys.path:
        for ending in (".py", ".mpy"):
            try:
                return os.stat((folder + "/" if folder else "") + name.replace(".", "/") + ending)[6]
            except OSError:
                pass
    return 0


_FLASH_US = rig_clock.wiring["flash_us"]


def _slow_open(name, mode="r", _open=builtins.open):
    """The time of a write to flash is spent when its file is opened."""
    if "w" in mode or "+" in mode:
        rig_clock.stop_for(_FLASH_US)
    return _open(name, mode)


if _FLASH_US:
    builtins.open = _slow_open
if _US_PER_BYTE:
    builtins.__import__ = _slow_import


def _run():
    rig_clock.sleep_us(_size("main") * _US_PER_BYTE)
    rig_console.kbd_intr(rig_console.CTRL_C)
    try:
        __import__("main")
    except SystemExit:
        rig_clock.end(rig_clock.SOFT_RESET)
    except BaseException as error:  # noqa: BLE001 (a board prints it and waits at its prompt, until its watchdog resets it)
        sys.print_exception(error)
    import rig_prompt

    rig_prompt.run()


_run()
