"""Fast samples between an interrupt, which only stores them, and the step, which reduces them."""

from array import array

from micropython import const

_LENGTH = const(512)


class Window:
    """A kept ring of raw counts.

    `put` is called from a timer's callback; `take` from the step. Samples the step is too late for are overwritten.

    Attributes (of the samples taken by the last `take`; meaningless while count is 0):
        count, total, low, high: how many, their sum, the lowest and the highest. 0..65535 each, so total < 2**25.
    """

    def __init__(self):
        self._samples = array("H", (0 for _ in range(_LENGTH)))
        self._head = 0
        self._tail = 0
        self.count = 0
        self.total = 0
        self.low = 0
        self.high = 0

    def put(self, raw):
        """Stores one sample, 0..65535; allocates nothing, safe in an interrupt."""
        head = self._head
        self._samples[head] = raw
        self._head = (head + 1) & (_LENGTH - 1)

    def take(self):
        """Reduces the samples put since the last call into count, total, low and high."""
        samples = self._samples
        head = self._head
        tail = self._tail
        self._tail = head
        self.count = (head - tail) & (_LENGTH - 1)
        total = 0
        low = 65535
        high = 0
        while tail != head:
            raw = samples[tail]
            total += raw
            if raw < low:
                low = raw
            if raw > high:
                high = raw
            tail = (tail + 1) & (_LENGTH - 1)
        self.total = total
        self.low = low
        self.high = high
