"""The part of MicroPython's asyncio that the firmware uses, step for step, so that both give the same run."""

import select
import sys
from time import ticks_add, ticks_diff, ticks_ms

from rig_tasks import Task, TaskQueue

cur_task = None
_task_queue = TaskQueue()
_poller = select.poll()


class CancelledError(BaseException):
    pass


class Event:
    def __init__(self):
        self.state = False
        self.waiting = TaskQueue()

    def is_set(self):
        return self.state

    def set(self):
        while self.waiting.peek():
            _task_queue.push(self.waiting.pop())
        self.state = True

    def clear(self):
        self.state = False

    async def wait(self):
        if not self.state:
            self.waiting.push(cur_task)
            cur_task.data = self.waiting
            await _Once()
        return True


class _Once:
    """Gives the loop one turn."""

    def __await__(self):
        yield


class _Sleep:
    def __init__(self, due_ms):
        self._due_ms = due_ms

    def __await__(self):
        _task_queue.push(cur_task, self._due_ms)
        yield


def sleep_ms(wait_ms):
    return _Sleep(ticks_add(ticks_ms(), max(0, wait_ms)))


def sleep(wait_s):
    return sleep_ms(int(wait_s * 1000))


def create_task(coro):
    task = Task(coro, globals())
    _task_queue.push(task)
    return task


def run(coro):
    """Runs until `coro` ends; returns or raises what it does."""
    main = create_task(coro)
    while True:
        _wait()
        task = _task_queue.pop()
        ended, outcome = _turn(task)
        if not ended:
            continue
        if task is main:
            if isinstance(outcome, StopIteration):
                return outcome.value
            raise outcome
        _wake(task, outcome)


def _wait():
    while True:
        task = _task_queue.peek()
        wait_ms = max(0, ticks_diff(task.ph_key, ticks_ms())) if task else -1
        _poller.ipoll(wait_ms)
        if wait_ms == 0:
            return


def _turn(task):
    """Runs a task up to its next wait: (whether it ended, with what)."""
    global cur_task
    cur_task = task
    error = task.data
    try:
        if error is None:
            task.coro.send(None)
        else:
            task.data = None
            task.coro.throw(error)
    except (CancelledError, Exception) as outcome:  # noqa: BLE001 (the loop passes on the result of a task)
        return True, outcome
    return False, None


def _wake(task, outcome):
    waiting = False
    if task.state is True:
        task.state = None
    else:
        while task.state.peek():
            _task_queue.push(task.state.pop())
            waiting = True
        task.state = False
    task.data = outcome
    if not waiting and not isinstance(outcome, (StopIteration, CancelledError)):
        sys.print_exception(outcome)
