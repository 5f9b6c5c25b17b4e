"""Long sums beside the service's loop: one at a time, their results handed over in the loop."""

import queue
import threading
from collections.abc import Callable
from typing import Any

from groundbox.errors import GroundboxError

Job = tuple[Callable[[], Any], Callable[[Any], None]]


class Background:
    """Runs jobs in a thread that never keeps the program from ending.

    Args:
        trouble: receives, in the loop, the error of a job.
    """

    def __init__(self, trouble: Callable[[GroundboxError], None]) -> None:
        self._trouble = trouble
        self._waiting: queue.Queue[Job] = queue.Queue()
        self._done: queue.Queue[Callable[[], None]] = queue.Queue()
        self._thread: threading.Thread | None = None

    def submit(self, job: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Runs `job` later in the thread, and `then` with its result in the loop (by `poll`)."""
        self._waiting.put((job, then))
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="groundbox sums", daemon=True)
            self._thread.start()

    def poll(self) -> None:
        """Hands over what is done; called in the loop."""
        while not self._done.empty():
            self._done.get()()

    def wait(self) -> None:
        """Until all jobs given so far are done and handed over."""
        self._waiting.join()
        self.poll()

    def _work(self) -> None:
        while True:
            job, then = self._waiting.get()
            try:
                result = job()
            except GroundboxError as error:
                self._done.put(lambda error=error: self._trouble(error))  # type: ignore[misc]
            else:
                self._done.put(lambda then=then, result=result: then(result))  # type: ignore[misc]
            finally:
                self._waiting.task_done()
