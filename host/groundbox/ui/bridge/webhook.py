"""Sends warnings to an address by HTTP POST, and retries until they are taken; nothing waits for it."""

import ssl
import urllib.error
import urllib.request
from collections import deque
from http.client import HTTPException
from threading import Condition, Thread
from urllib.parse import urlsplit

from groundbox.advice.result import SEVERITIES, SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.ui.bridge.form import change_json

MAX_WAITING = 200
TIMEOUT_S = 10.0
FIRST_RETRY_S, MAX_RETRY_S = 1.0, 300.0
END_S = 2.0
RETRIED = (408, 425, 429)  # client errors that are temporary


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """The token goes to the address in the settings and to no other."""

    def redirect_request(self, *_: object) -> None:
        return None


class Webhook:
    """A Bridge.

    Args:
        url: the address; notes name only its host.
        token: sent as a bearer token; None for none.
        severity: lowest severity that is sent.
        first_retry_s: delay before the first retry; doubled each time.
    """

    def __init__(self, url: str, token: str | None, severity: str, first_retry_s: float = FIRST_RETRY_S) -> None:
        self.notes: deque[str] = deque(maxlen=20)
        self._url, self._token, self._lowest = url, token, SEVERITIES.index(severity)
        self._name = f"webhook at {urlsplit(url).hostname}"
        self._first_retry_s = first_retry_s
        self._waiting: deque[str] = deque()
        self._dropped = 0
        self._failing = self._stopping = False
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
            if len(self._waiting) > MAX_WAITING:
                self._waiting.popleft()
                self._dropped += 1
            self._changed.notify()

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """See Bridge."""

    def stop(self) -> None:
        """See Bridge."""
        with self._changed:
            self._changed.wait_for(lambda: not self._waiting or self._failing, END_S)
            self._stopping = True
            self._changed.notify()
        self._thread.join(END_S)
        if unsent := len(self._waiting) + self._dropped:
            self.notes.append(f"{self._name}: {unsent} changes of warnings were not sent")

    def _run(self) -> None:
        wait_s = 0.0
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._stopping, wait_s)
                self._changed.wait_for(lambda: self._stopping or bool(self._waiting))
                if self._stopping:
                    return
                first = self._waiting[0]
            if self._sent(first):
                wait_s = 0.0
                with self._changed:
                    if self._waiting and self._waiting[0] is first:
                        self._waiting.popleft()
                    self._changed.notify()
            else:
                wait_s = min(max(2 * wait_s, self._first_retry_s), MAX_RETRY_S)

    def _sent(self, body: str) -> bool:
        """False when it must be sent again."""
        headers = {"Content-Type": "application/json", "User-Agent": "groundbox"}
        if self._token is not None:
            headers["Authorization"] = f"Bearer {self._token}"
        try:
            request = urllib.request.Request(self._url, body.encode(), headers, method="POST")
            with self._opener.open(request, timeout=TIMEOUT_S):
                pass
        except urllib.error.HTTPError as error:
            error.close()
            if error.code < 500 and error.code not in RETRIED:
                self.notes.append(f"{self._name}: refuses with status {error.code}; this change is not sent again")
                return True
            return self._note_failure(f"answers with status {error.code}")
        except (OSError, HTTPException, ValueError) as error:
            return self._note_failure(_why(error))
        if self._failing:
            self._failing = False
            self.notes.append(f"{self._name}: takes warnings again")
        return True

    def _note_failure(self, why: str) -> bool:
        if not self._failing:
            self.notes.append(f"{self._name}: {why}; the program keeps trying")
        self._failing = True
        with self._changed:
            self._changed.notify()
        return False


def _why(error: Exception) -> str:
    """The cause, without the address."""
    reason = error.reason if isinstance(error, urllib.error.URLError) else error
    if isinstance(reason, TimeoutError):
        return "does not answer in time"
    if isinstance(reason, ssl.SSLError):
        return "its certificate or TLS cannot be trusted"
    return "cannot be reached" if isinstance(reason, OSError) else "its answer cannot be read"
