"""Tells an address of warnings by HTTP POST, again and again until it takes them; nothing ever waits for it."""

import ssl
import urllib.error
import urllib.request
from collections import deque
from collections.abc import Sequence
from http.client import HTTPException
from threading import Condition, Thread
from urllib.parse import urlsplit

from groundbox.advice.condition import SEVERITIES
from groundbox.link.questions import Moment
from groundbox.model import WarningChange
from groundbox.monitor.view import BoxView
from groundbox.ui.bridge.form import change_json

MOST_WAITING = 200
TIMEOUT_S = 10.0
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 300.0
END_S = 2.0
LATER = (408, 425, 429)  # client errors that may pass


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """The token goes to the address in the settings and to no other."""

    def redirect_request(self, *told: object) -> None:
        return None


class Webhook:
    """A Bridge.

    Args:
        url: the address; only its host is ever said.
        token: sent as a bearer token; None for none.
        severity: lowest severity that is told.
        first_wait_s: before it is tried again; doubled each time.
    """

    def __init__(self, url: str, token: str | None, severity: str, first_wait_s: float = FIRST_WAIT_S) -> None:
        self.notes: deque[str] = deque(maxlen=20)
        self._url, self._token, self._lowest = url, token, SEVERITIES.index(severity)
        self._name = f"webhook at {urlsplit(url).hostname}"
        self._first_wait_s = first_wait_s
        self._waiting: deque[str] = deque()
        self._passed_over = 0
        self._trouble = self._stopping = False
        self._changed = Condition()
        self._opener = urllib.request.build_opener(_NoRedirect)
        self._thread = Thread(target=self._run, name=self._name, daemon=True)

    def start(self) -> None:
        """See Bridge."""
        self._thread.start()

    def warn(self, change: WarningChange) -> None:
        """See Bridge."""
        if SEVERITIES.index(change.severity) < self._lowest:
            return
        with self._changed:
            self._waiting.append(change_json(change))
            if len(self._waiting) > MOST_WAITING:
                self._waiting.popleft()
                self._passed_over += 1
            self._changed.notify()

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """See Bridge."""

    def stop(self) -> None:
        """See Bridge."""
        with self._changed:
            self._changed.wait_for(lambda: not self._waiting or self._trouble, END_S)
            self._stopping = True
            self._changed.notify()
        self._thread.join(END_S)
        if untold := len(self._waiting) + self._passed_over:
            self.notes.append(f"{self._name}: {untold} changes of warnings were not told")

    def _run(self) -> None:
        wait_s = 0.0
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._stopping, wait_s)
                self._changed.wait_for(lambda: self._stopping or bool(self._waiting))
                if self._stopping:
                    return
                first = self._waiting[0]
            if self._told(first):
                wait_s = 0.0
                with self._changed:
                    if self._waiting and self._waiting[0] is first:
                        self._waiting.popleft()
                    self._changed.notify()
            else:
                wait_s = min(max(2 * wait_s, self._first_wait_s), LONGEST_WAIT_S)

    def _told(self, body: str) -> bool:
        """False when it is to be tried again."""
        headers = {"Content-Type": "application/json", "User-Agent": "groundbox"}
        if self._token is not None:
            headers["Authorization"] = f"Bearer {self._token}"
        try:
            request = urllib.request.Request(self._url, body.encode(), headers, method="POST")
            with self._opener.open(request, timeout=TIMEOUT_S):
                pass
        except urllib.error.HTTPError as error:
            error.close()
            if error.code < 500 and error.code not in LATER:
                self.notes.append(f"{self._name}: refuses with status {error.code}; not told again")
                return True
            return self._complain(f"answers with status {error.code}")
        except (OSError, HTTPException, ValueError) as error:
            return self._complain(_why(error))
        if self._trouble:
            self._trouble = False
            self.notes.append(f"{self._name}: takes warnings again")
        return True

    def _complain(self, why: str) -> bool:
        if not self._trouble:
            self.notes.append(f"{self._name}: {why}; tried again and again")
        self._trouble = True
        with self._changed:
            self._changed.notify()
        return False


def _why(error: Exception) -> str:
    """In words that hold no address."""
    reason = error.reason if isinstance(error, urllib.error.URLError) else error
    if isinstance(reason, TimeoutError):
        return "does not answer in time"
    if isinstance(reason, ssl.SSLError):
        return "its certificate or TLS is not to be trusted"
    return "cannot be reached" if isinstance(reason, OSError) else "gives no answer that can be read"
