"""One deadline for each task: the watchdog is fed on proof that all of them work, not by a timer."""


class Deadlines:
    """Shows which of several tasks has not proved itself within its limit.

    Args:
        limits_ms: one limit for each task, by its index; below 2**29.
    """

    def __init__(self, limits_ms):
        self._limits_ms = list(limits_ms)
        self._ages_ms = [0] * len(self._limits_ms)

    def mark(self, task):
        """Task number `task` has just done its work."""
        self._ages_ms[task] = 0

    def step(self, step_ms):
        """Lets `step_ms` milliseconds pass for all tasks."""
        ages = self._ages_ms
        for task in range(len(ages)):
            if ages[task] <= self._limits_ms[task]:
                ages[task] += step_ms

    def late(self, task):
        """True when the task has not marked itself within its limit."""
        return self._ages_ms[task] > self._limits_ms[task]
