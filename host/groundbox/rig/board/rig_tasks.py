"""Replaces the C half of MicroPython's asyncio, which reads the real clock: queue and task in virtual time.

The Python half (asyncio/core.py) expects: TaskQueue.peek, push, pop, remove; Task with coro, data, state,
done, cancel, and being awaitable. `state` is True while running, a TaskQueue once others wait for the task, False when
it has ended and been waited for, None when it ended with no task waiting.

At the times in `hang_link_us` the firmware's link task hangs: it waits for ever, and only its cancellation ends that.
"""

import rig_clock
from time import ticks_diff, ticks_ms

_LINK = "_run_link"  # the coroutine the firmware runs its link in
_hangs_us = rig_clock.wiring["hang_link_us"]


class TaskQueue:
    """Tasks by the tick they are due; those due together in the order they came."""

    def __init__(self):
        self._tasks = []

    def peek(self):
        tasks = self._tasks
        if _hangs_us and tasks and rig_clock.now_us >= _hangs_us[0] and _LINK in repr(tasks[0].coro):
            _hangs_us.pop(0)
            task = tasks.pop(0)
            task.data = _never
            _never.push_hung(task)
        return tasks[0] if tasks else None

    def push_hung(self, task):
        self._tasks.append(task)

    def push(self, task, due_ms=None):
        task.data = None
        task.ph_key = ticks_ms() if due_ms is None else due_ms
        tasks = self._tasks
        i = len(tasks)
        while i and ticks_diff(tasks[i - 1].ph_key, task.ph_key) > 0:
            i -= 1
        tasks.insert(i, task)

    def pop(self):
        return self._tasks.pop(0)

    def remove(self, task):
        self._tasks.remove(task)


_never = TaskQueue()


class Task:
    _loop = None  # globals of asyncio.core

    def __init__(self, coro, globals=None):
        self.coro = coro
        self.data = None
        self.state = True
        self.ph_key = 0
        if globals is not None:
            Task._loop = globals

    def __iter__(self):
        if not self.state:
            self.state = False
        elif self.state is True:
            self.state = TaskQueue()
        elif not isinstance(self.state, TaskQueue):
            raise RuntimeError("can't wait")
        return self

    def __next__(self):
        if not self.state:
            raise self.data
        waiting = Task._loop["cur_task"]
        self.state.push(waiting)
        waiting.data = self

    __await__ = __iter__

    def done(self):
        return not self.state

    def cancel(self):
        if not self.state:
            return False
        loop = Task._loop
        if self is loop["cur_task"]:
            raise RuntimeError("can't cancel self")
        task = self
        while isinstance(task.data, Task):
            task = task.data
        queue = loop["_task_queue"]
        if hasattr(task.data, "remove"):
            task.data.remove(task)
            queue.push(task)
        elif ticks_diff(task.ph_key, ticks_ms()) > 0:
            queue.remove(task)
            queue.push(task)
        task.data = loop["CancelledError"]
        return True
