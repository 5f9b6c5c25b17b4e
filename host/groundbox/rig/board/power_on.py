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
    import micropython

    micropython.kbd_intr(-1)
    sys.path[:] = [_HERE, "", ".frozen"]
    import rig_tasks

    sys.modules["_asyncio"] = rig_tasks

import rig_clock  # noqa: E402 (its `time` and `select` must come first)


def _run():
    try:
        __import__("main")
    except SystemExit:
        rig_clock.end(rig_clock.SOFT_RESET)
    except BaseException as error:  # noqa: BLE001 (a board prints it and waits at its prompt, until its watchdog resets it)
        sys.print_exception(error)
    import rig_prompt

    rig_prompt.run()


_run()
