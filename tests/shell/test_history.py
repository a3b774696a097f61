"""Rows reach the database in order, at least once, whatever it answers; and the loop never waits for it.

The stand-in is strict where it must be: it takes only well-formed lines and answers by a script.
"""

import http.server
import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlparse

import pytest
from brokers import poll
from shellkit import StillClock, reading
from test_journal import mark, open_journal
from toy import READING, MemoryBroker, Rig

from supervisor.shell import history as history_module
from supervisor.shell import housekeeping
from supervisor.shell.history import Answer, History, Post, influx_poster
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.troubles import Troubles
from supervisor.values import Now

LINE = re.compile(rb"[a-z_]+(,[a-z_0-9]+=[^ ,=]+)* [a-z_0-9]+=[^ ,=]+(,[a-z_0-9]+=[^ ,=]+)* \d{19}")


class Database(http.server.ThreadingHTTPServer):
    """POST /api/v2/write. `script` gives the statuses of the next answers; then 204, or 400 for `poison` lines."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.script: list[int] = []
        self.poison: Callable[[bytes], bool] = lambda _line: False
        self.points: list[bytes] = []
        self.posts: list[list[bytes]] = []
        self.asked: list[dict[str, list[str]]] = []
        self.tokens: list[str | None] = []
        self.hang = threading.Event()
        self.hanging = False
        self.url = f"http://127.0.0.1:{self.server_address[1]}"
        threading.Thread(target=self.serve_forever, args=(0.01,), daemon=True).start()


class _Handler(http.server.BaseHTTPRequestHandler):
    server: Database
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        lines = self.rfile.read(int(self.headers["Content-Length"])).split(b"\n")
        url, server = urlparse(self.path), self.server
        server.posts.append(lines)
        server.asked.append(parse_qs(url.query))
        server.tokens.append(self.headers.get("Authorization"))
        if server.hanging:
            server.hang.wait(30)
            return
        status = server.script.pop(0) if server.script else 0
        if status == 0:
            # InfluxDB 2 refuses the whole batch for one bad line.
            bad = [line for line in lines if not LINE.fullmatch(line) or server.poison(line)]
            status = 404 if url.path != "/api/v2/write" else 400 if bad else 204
        if status == 204:
            server.points += lines
        words = b"" if status == 204 else b'{"code":"invalid","message":"field type conflict"}'
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(words)))
        self.end_headers()
        self.wfile.write(words)

    def log_message(self, *_: object) -> None:
        """Quiet."""


@pytest.fixture
def database() -> Iterator[Database]:
    made = Database()
    yield made
    made.hang.set()
    made.shutdown()
    made.server_close()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same logic on a shorter scale."""
    monkeypatch.setattr(history_module, "LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(history_module, "BACKOFF_S_MIN", 0.01)
    monkeypatch.setattr(history_module, "BACKOFF_S_MAX", 0.05)


def lines(first: int, count: int) -> list[str]:
    return [f"sample,enclosure=n1 o2_pct={n}.0 {1788000000000000000 + n}" for n in range(first, first + count)]


def poster(database: Database, timeout_s: float = 5.0) -> Post:
    return influx_poster(database.url, "org", "bucket", "secret", timeout_s)


class Sender:
    """A journal with rows, its history thread, and what the loop would do with what it settles."""

    def __init__(self, folder: Path, post: Post, clock: StillClock, rows: int) -> None:
        self.journal = open_journal(folder)
        self.journal.commit(Batch(mark(1.0), lines=lines(1, rows)))
        self.thread = History(self.journal.path, post, clock.real_s, self.journal.history_first_id - 1)
        self.troubles = Troubles()
        self.told: dict[str, tuple[bool, str]] = {}
        self.thread.start()

    def turn(self) -> int:
        """Delete what was settled; how many rows still wait."""
        settled = self.thread.take()
        self.journal.commit(Batch(mark(2.0), history_done=settled.done, history_refused=settled.refused))
        self.thread.tell(self.troubles)
        for event in self.troubles.take(Now(0.0, 0.0)):
            self.told[event.trouble] = (event.active, event.detail)
        return self.journal.history_waiting

    def quarantined(self) -> list[tuple[int, str]]:
        return self.journal._db.execute("SELECT id, reason FROM quarantine ORDER BY id").fetchall()

    def end(self) -> None:
        self.thread.stop(5.0)
        assert not self.thread.is_alive()
        self.journal.close()


@pytest.fixture
def sender(tmp_path: Path) -> Iterator[Callable[..., Sender]]:
    made: list[Sender] = []

    def make(post: Post, rows: int, clock: StillClock | None = None) -> Sender:
        made.append(Sender(tmp_path / f"state{len(made)}", post, clock or StillClock(), rows))
        return made[-1]

    yield make
    for one in made:
        one.end()


def test_rows_arrive_complete_in_order_and_are_then_deleted(database: Database, sender: Callable[..., Sender]) -> None:
    one = sender(poster(database), rows=12_000)
    assert poll(lambda: one.turn() == 0)
    assert database.points == [line.encode() for line in lines(1, 12_000)]
    assert [len(post) for post in database.posts] == [5000, 5000, 2000]
    assert database.asked[0] == {"org": ["org"], "bucket": ["bucket"], "precision": ["ns"]}
    assert set(database.tokens) == {"Token secret"}
    assert one.told["history_unreachable"] == (False, "") and one.quarantined() == []


@pytest.mark.parametrize("status", [429, 500, 503, 401, 404, 200, 302])
def test_anything_but_204_deletes_nothing_and_is_tried_again(
    database: Database, sender: Callable[..., Sender], status: int
) -> None:
    # 200 too: something that is no time-series database, such as a log-in page, must not swallow rows.
    database.script = [status] * 7
    one = sender(poster(database), rows=10)
    assert poll(lambda: len(database.script) < 3)
    assert one.turn() == 10
    assert poll(lambda: one.turn() == 0)
    assert database.points == [line.encode() for line in lines(1, 10)] and one.quarantined() == []


def test_a_database_that_is_away_is_told_after_a_minute_and_told_again_when_it_is_back(
    database: Database, sender: Callable[..., Sender]
) -> None:
    clock = StillClock()
    database.script = [503] * 1_000_000
    one = sender(poster(database), rows=10, clock=clock)
    assert poll(lambda: len(database.posts) > 3)
    one.turn()
    assert "history_unreachable" not in one.told
    clock.go(61.0)
    assert poll(lambda: one.turn() == 10 and "history_unreachable" in one.told)
    assert one.told["history_unreachable"][0] is True and "503" in one.told["history_unreachable"][1]
    database.script = []
    assert poll(lambda: one.turn() == 0)
    assert poll(lambda: one.turn() == 0 and one.told["history_unreachable"][0] is False)


def test_nobody_at_the_address_is_told_in_words(sender: Callable[..., Sender]) -> None:
    clock = StillClock()
    one = sender(influx_poster("http://127.0.0.1:9", "o", "b", None), rows=1, clock=clock)
    assert poll(lambda: one.thread._failing is not None)
    clock.go(61.0)
    assert one.turn() == 1
    active, detail = one.told["history_unreachable"]
    assert active and "no answer" in detail and "refused" in detail


def test_a_database_that_hangs_is_left_after_the_time_limit(database: Database, sender: Callable[..., Sender]) -> None:
    database.hanging = True
    one = sender(poster(database, timeout_s=0.2), rows=3)
    assert poll(lambda: len(database.posts) >= 2)
    assert one.turn() == 3
    database.hanging = False
    database.hang.set()
    assert poll(lambda: one.turn() == 0)


@pytest.mark.parametrize("poison", [{1}, {777}, {5000}, {1, 2, 3, 2500, 4999}])
def test_a_poison_line_is_set_aside_with_its_reason_and_the_rest_goes_on(
    database: Database, sender: Callable[..., Sender], poison: set[int]
) -> None:
    bad = {f"o2_pct={n}.0 ".encode() for n in poison}
    database.poison = lambda line: any(one in line for one in bad)
    one = sender(poster(database), rows=5000)
    assert poll(lambda: one.turn() == 0, 30)
    assert [number for number, _ in one.quarantined()] == sorted(poison)
    assert all("400" in reason and "field type conflict" in reason for _, reason in one.quarantined())
    assert set(database.points) == {line.encode() for n, line in enumerate(lines(1, 5000), 1) if n not in poison}
    assert one.told["history_rows_refused"][0] is True
    assert one.told["history_unreachable"][0] is False


def test_a_database_that_refuses_everything_is_not_a_thousand_poison_lines(
    database: Database, sender: Callable[..., Sender]
) -> None:
    clock = StillClock()
    database.poison = lambda _line: True
    one = sender(poster(database), rows=1000, clock=clock)
    assert poll(lambda: one.thread._failing is not None)
    clock.go(61.0)
    assert one.turn() == 1000 and one.quarantined() == []
    assert "refuses every row" in one.told["history_unreachable"][1]
    database.poison = lambda _line: False
    assert poll(lambda: one.turn() == 0)


def test_an_error_of_ours_in_the_sender_loses_nothing(sender: Callable[..., Sender]) -> None:
    calls: list[str] = []

    def post(body: str) -> Answer:
        calls.append(body)
        if len(calls) < 4:
            raise RuntimeError("boom")
        return Answer(204, "")

    one = sender(post, rows=5)
    assert poll(lambda: one.turn() == 0)
    assert calls == ["\n".join(lines(1, 5))] * 4


def test_what_was_posted_and_not_yet_deleted_is_posted_again_after_a_kill(database: Database, tmp_path: Path) -> None:
    first = Sender(tmp_path, poster(database), StillClock(), rows=10)
    assert poll(lambda: len(database.points) == 10)
    first.end()  # the loop never took what was settled
    journal = Journal.open(tmp_path, "quillfen", "boot")
    assert journal.history_waiting == 10
    thread = History(journal.path, poster(database), StillClock().real_s, journal.history_first_id - 1)
    thread.start()
    assert poll(lambda: len(database.points) == 20)
    thread.stop(5.0)
    journal.close()
    assert len(set(database.points)) == 10  # the same points: same series, same time


# ------------------------------------------------------------------------------------------------ in the loop


def test_a_dead_database_neither_stops_nor_slows_a_turn_and_its_rows_arrive_later(database: Database, tmp_path: Path) -> None:
    database.hanging = True
    broker, clock = MemoryBroker(), StillClock()

    def make(journal: Journal) -> History:
        return History(journal.path, poster(database), clock.real_s, journal.history_first_id - 1)

    rig = Rig(tmp_path, broker, clock, history=make)
    for seq in range(1, 40):
        broker.say(READING, reading(seq))
    rig.run_until_quiet()  # while the database hangs
    assert len(broker.bodies("dosing/n1/nitrogen/request")) == 39
    assert rig.journal.history_waiting == 39
    database.hanging = False
    database.hang.set()

    def settled() -> bool:
        rig.loop.turn()
        return rig.journal.history_waiting == 0

    assert poll(settled)
    assert len(set(database.points)) == 39
    rig.loop.housekeeping.stop()
    rig.die()


def test_a_backlog_that_is_full_is_told_keeps_the_old_rows_and_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housekeeping, "BACKLOG_LINES_MAX", 20)
    monkeypatch.setattr(housekeeping, "BACKLOG_LINES_LOW", 10)
    broker, clock = MemoryBroker(), StillClock()
    taken: list[str] = []
    away = True

    def post(body: str) -> Answer:
        if not away:
            taken.extend(body.split("\n"))
        return Answer(503 if away else 204, "")

    def make(journal: Journal) -> History:
        return History(journal.path, post, clock.real_s, journal.history_first_id - 1)

    rig = Rig(tmp_path, broker, clock, history=make)
    for seq in range(1, 61):
        broker.say(READING, reading(seq))
    rig.run_until_quiet()
    assert 20 <= rig.journal.history_waiting <= 23
    assert ("history_backlog_full", True) in rig.engine.troubles
    away = False

    def settled() -> bool:
        rig.loop.turn()
        return rig.engine.troubles[-1] == ("history_backlog_full", False)

    assert poll(settled)
    assert len(taken) >= 20 and len(broker.bodies("dosing/n1/nitrogen/request")) == 60
    rig.loop.housekeeping.stop()
    rig.die()


def test_a_backlog_that_hovers_at_its_limit_does_not_flap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housekeeping, "BACKLOG_LINES_MAX", 20)
    monkeypatch.setattr(housekeeping, "BACKLOG_LINES_LOW", 10)
    clock = StillClock()
    rig = Rig(tmp_path, MemoryBroker(), clock, history=lambda one: History(one.path, refuse, clock.real_s, 0))
    keeping, told = rig.loop.housekeeping, []
    for waiting in (19, 20, 19, 21, 10, 9, 19, 20):
        monkeypatch.setattr(Journal, "history_waiting", property(lambda _self, waiting=waiting: waiting))
        keeping._hold_backlog(Batch(mark(1.0), lines=lines(1, 3)))
        keeping.tell()
        told += [one.active for one in rig.loop.troubles.take(clock.now()) if one.trouble == "history_backlog_full"]
    assert told == [False, True, False, True]
    rig.die()


def refuse(_lines: str) -> Answer:
    return Answer(503, "")
