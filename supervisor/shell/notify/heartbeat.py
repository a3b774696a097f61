"""An outward sign of life: a web hook called while the loop turns, so that an outside watcher notices when it does not.

It says nothing but that the loop turned a moment ago. A loop that stands still keeps it from being called, and then it is
for the watcher to call people: nothing here could.
"""

import ssl
import threading
import urllib.error
import urllib.request
from collections.abc import Callable

from supervisor.shell.notify.transport import UNTRUSTED

TIMEOUT_S = 10.0
FAILURES = 3

Call = Callable[[str], None]
"""Calls the address. Raises when it was not answered well."""


class Heartbeat(threading.Thread):
    """`turned_s` is when the loop turned last; older than `age_s_max` nothing is called. Times are real seconds."""

    def __init__(
        self, url: str, every_s: float, age_s_max: float, turned_s: Callable[[], float], real_s: Callable[[], float],
        call: "Call | None" = None,
    ) -> None:  # fmt: skip
        super().__init__(name="heartbeat", daemon=True)
        self._url, self._every_s, self._age_s_max = url, every_s, age_s_max
        self._turned_s, self._real_s = turned_s, real_s
        self._call = call or get
        self._stop_asked = threading.Event()
        self.failures = 0
        """In a row."""
        self.why = ""
        self.succeeded = False

    def run(self) -> None:
        while True:
            self.beat()
            if self._stop_asked.wait(self._every_s):
                return

    def beat(self) -> bool:
        """One call, where the loop turns; whether it was answered."""
        if self._real_s() - self._turned_s() > self._age_s_max:
            return False
        try:
            self._call(self._url)
        except Exception as error:  # an answer that is none must not end the beating
            self.why = words(error)
            self.failures += 1
            return False
        self.failures, self.succeeded = 0, True
        return True

    def failing(self) -> str | None:
        """In words what goes wrong since several calls; empty when nothing does, None when it is not known yet."""
        if self.failures >= FAILURES:
            return f"{self.failures} calls in a row: {self.why}"
        return "" if self.succeeded else None

    def stop(self, patience_s: float) -> None:
        self._stop_asked.set()
        if self.is_alive():
            self.join(patience_s)


def get(url: str) -> None:
    """A GET that has to be answered with 2xx."""
    with urllib.request.urlopen(url, timeout=TIMEOUT_S) as answer:
        answer.read(1000)


def words(error: Exception) -> str:
    """Why, without the address, which may hold a token."""
    if isinstance(error, urllib.error.HTTPError):
        return f"answered with status {error.code}"
    reason = error.reason if isinstance(error, urllib.error.URLError) else error
    if isinstance(reason, ssl.SSLCertVerificationError):
        return UNTRUSTED
    return f"not reached ({type(reason).__name__})"
