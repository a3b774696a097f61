"""Sends rows to the time-series database from the journal's outbox: in order, at least once, never in the loop's way.

The database is a copy for reading; the journal is the record. A thread of its own reads the outbox and posts; the loop
takes what was settled and deletes it with its next commit, so the journal has one writer. A line that was posted twice
is the same point. A line that the database will never take is set aside with its reason, and the rest goes on.
"""

import sqlite3
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from supervisor.shell.troubles import Troubles

POST_LINES_MAX = 5_000
LOOK_EVERY_S = 1.0
BACKOFF_S_MIN = 1.0
BACKOFF_S_MAX = 60.0
UNREACHABLE_AFTER_S = 60.0
REFUSAL_TOLD_S = 3600.0
REFUSED_ALONE_MAX = 20

WRITTEN = 204
_NEVER_TAKEN = frozenset({400, 413, 422})  # of these lines; anything else may pass later


class Answer(NamedTuple):
    """What the database said: the HTTP status, and its words when it refused."""

    status: int
    words: str


class Settled(NamedTuple):
    """What the loop may delete: ranges of ids (first, last), and refused ids with the reason, which lie within them."""

    done: list[tuple[int, int]]
    refused: list[tuple[int, str]]


class _Later(Exception):
    """Not now; the message says why."""


Post = Callable[[str], Answer]
Lines = Sequence[tuple[int, str]]


class History(threading.Thread):
    """`post` sends lines and may raise OSError when nobody answers. Times are real seconds, from `real_s`."""

    def __init__(self, journal: Path, post: Post, real_s: Callable[[], float], after_id: int) -> None:
        super().__init__(name="history", daemon=True)
        self._path = journal
        self._post = post
        self._real_s = real_s
        self._after_id = after_id
        self._stop_asked = threading.Event()
        self._lock = threading.Lock()
        self._done: list[tuple[int, int]] = []
        self._refused: list[tuple[int, str]] = []
        self._failing: tuple[float, str] | None = None
        self._succeeded = False
        self._backoff_s = BACKOFF_S_MIN
        self._refusal: tuple[float, str] | None = None

    # -------------------------------------------------------------------------------------------- the loop's calls

    def take(self) -> Settled:
        """What was settled since the last call."""
        with self._lock:
            settled = Settled(self._done, self._refused)
            self._done, self._refused = [], []
        return settled

    def tell(self, troubles: Troubles) -> None:
        """Say how it stands."""
        now_s = self._real_s()
        with self._lock:
            failing, succeeded, refusal = self._failing, self._succeeded, self._refusal
        if failing is not None and now_s - failing[0] >= UNREACHABLE_AFTER_S:
            troubles.put("history_unreachable", True, failing[1])
        elif failing is None and succeeded:
            troubles.put("history_unreachable", False)
        if refusal is not None or succeeded:
            recent = refusal is not None and now_s - refusal[0] < REFUSAL_TOLD_S
            troubles.put("history_rows_refused", recent, refusal[1] if refusal is not None and recent else "")

    def stop(self, patience_s: float) -> None:
        """End after the post under way; what it settles is posted again after the next start."""
        self._stop_asked.set()
        if self.is_alive():
            self.join(patience_s)

    # -------------------------------------------------------------------------------------------- the thread

    def run(self) -> None:
        pause_s = 0.0
        while not self._stop_asked.wait(pause_s):
            pause_s = self.once()

    def once(self) -> float:
        """One look at what waits, and one post; in how many real seconds the next is due."""
        try:
            lines = self._next()
            if lines:
                self._send(lines)
                self._note_success()
        except Exception as error:
            # Whatever it is, rows wait on disk and control goes on.
            self._note_failure(str(error) or type(error).__name__)
            pause_s, self._backoff_s = self._backoff_s, min(BACKOFF_S_MAX, 2 * self._backoff_s)
            return pause_s
        self._backoff_s = BACKOFF_S_MIN
        return 0.0 if len(lines) == POST_LINES_MAX else LOOK_EVERY_S

    def _next(self) -> Lines:
        """The oldest lines not yet settled. The connection does not outlive the reading: it would hold up checkpoints."""
        db = sqlite3.connect(f"{self._path.resolve().as_uri()}?mode=ro", uri=True)
        try:
            query = "SELECT id, line FROM history WHERE id > ? ORDER BY id LIMIT ?"
            return db.execute(query, (self._after_id, POST_LINES_MAX)).fetchall()
        finally:
            db.close()

    def _send(self, lines: Lines) -> None:
        refused: list[tuple[int, str]] = []
        taken = self._halve(lines, refused)
        if refused:
            if not taken and len(refused) >= REFUSED_ALONE_MAX:
                raise _Later(f"the database refuses every row: {refused[-1][1]}")
            with self._lock:
                self._refusal = (self._real_s(), refused[-1][1])
        self._settle(lines, refused)

    def _halve(self, lines: Lines, refused: list[tuple[int, str]]) -> bool:
        """Post; when the database will not have it, post the halves, down to the lines that are at fault.

        True when any line was taken. Raises _Later when the database cannot take anything now.
        """
        answer = self._answer(lines)
        if answer.status == WRITTEN:
            return True
        if len(lines) == 1:
            refused.append((lines[0][0], f"{answer.status}: {answer.words}"[:500]))
            return False
        middle = len(lines) // 2
        taken = self._halve(lines[:middle], refused)
        if not taken and len(refused) >= REFUSED_ALONE_MAX:
            return False  # it is not a few lines that are at fault
        return self._halve(lines[middle:], refused) or taken

    def _answer(self, lines: Lines) -> Answer:
        if self._stop_asked.is_set():
            raise _Later("the supervisor ends")
        try:
            answer = self._post("\n".join(line for _, line in lines))
        except OSError as error:
            raise _Later(f"no answer: {error}") from error
        if answer.status != WRITTEN and answer.status not in _NEVER_TAKEN:
            raise _Later(f"status {answer.status}: {answer.words}"[:500])
        return answer

    def _settle(self, lines: Lines, refused: list[tuple[int, str]]) -> None:
        with self._lock:
            self._done.append((lines[0][0], lines[-1][0]))
            self._refused.extend(refused)
        self._after_id = lines[-1][0]

    def _note_success(self) -> None:
        with self._lock:
            self._failing = None
            self._succeeded = True

    def _note_failure(self, why: str) -> None:
        with self._lock:
            self._failing = (self._real_s() if self._failing is None else self._failing[0], why)


def influx_poster(url: str, org: str, bucket: str, token: str | None, timeout_s: float = 10.0) -> Post:
    """Posts with influxdb-client, synchronously, without its own batching, retries and clock."""

    def post(lines: str) -> Answer:
        # Imported at the first row: it takes more than half a second, and a site without a database never needs it.
        from influxdb_client import InfluxDBClient
        from influxdb_client.rest import ApiException
        from influxdb_client.service.write_service import WriteService
        from urllib3.exceptions import HTTPError

        with InfluxDBClient(url, token or "", org=org, timeout=int(timeout_s * 1000), retries=False) as client:
            service = WriteService(client.api_client)
            try:
                _, status, _ = service.post_write_with_http_info(
                    org, bucket, lines, precision="ns", _return_http_data_only=False
                )
                return Answer(status, "" if status == WRITTEN else "not the answer of a time-series database")
            except ApiException as error:
                return Answer(error.status or 0, str(error.message or error.reason or error.body or ""))
            except HTTPError as error:
                raise OSError(str(error)) from error

    return post
