"""Polling of the console in virtual time: waiting lets virtual time pass."""

import rig_clock
import uselect

POLLIN = uselect.POLLIN
POLLOUT = uselect.POLLOUT
POLLERR = uselect.POLLERR
POLLHUP = uselect.POLLHUP

_FOR_EVER_US = 3600000000


class poll:
    """Like the board's: `register`, `modify`, `unregister`, `poll` and `ipoll`."""

    def __init__(self):
        self._real = uselect.poll()
        self._registered = set()

    def register(self, stream, mask=POLLIN | POLLOUT):
        self._real.register(stream, mask)
        self._registered.add(id(stream))

    def modify(self, stream, mask):
        self._real.modify(stream, mask)

    def unregister(self, stream):
        self._real.unregister(stream)
        self._registered.discard(id(stream))

    def ipoll(self, wait_ms=-1, flags=0):
        ready = self._real.poll(0) if self._registered else ()
        if ready:
            return ready
        if wait_ms == 0:
            rig_clock.read_us()
            return ()
        end_us = rig_clock.now_us + (wait_ms * 1000 if wait_ms > 0 else _FOR_EVER_US)
        while rig_clock.now_us < end_us:
            ran = rig_clock.let_pass(end_us - rig_clock.now_us)
            if self._registered and (ran or rig_clock.input_waits()):
                ready = self._real.poll(0)
                if ready:
                    return ready
        return ()

    def poll(self, wait_ms=-1):
        return list(self.ipoll(wait_ms))
