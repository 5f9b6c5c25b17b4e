"""One deadline per task: the watchdog is fed on proof that they all work, not by a timer."""


class Alive:
    """Tells which of several tasks has not proved itself within its limit.

    Args:
        limits_ms: one limit for each task, by its index.
    """

    def __init__(self, limits_ms):
        self.limits_ms = limits_ms

    def mark(self, task):
        """Task number `task` has just done its work."""

    def step(self, step_ms):
        """Lets `step_ms` milliseconds pass for all tasks."""

    def late(self, task):
        """True when the task has not marked itself within its limit."""
