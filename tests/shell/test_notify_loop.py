"""Notifications in the loop: written with the batch that raised the alarm, sent after it, and whole after a death anywhere.

The alarms here are the toy engine's: each reading raises one, or changes it, as its `boot` says.
"""

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import poll
from notify_servers import Hook, write_addresses
from notifykit import crew, status
from shellkit import StillClock, reading
from toy import READING, SITE, MemoryBroker, Rig, Toy

from supervisor.messages import AlarmStatus, AnalyserReading
from supervisor.settings_notify import Heartbeat
from supervisor.shell.batch import Outgoing
from supervisor.shell.journal import Batch, Journal
from supervisor.shell.journal_file import JournalError
from supervisor.shell.loop import EXIT_DONE, EXIT_FAILED
from supervisor.shell.notify import calls, desk, store, transport
from supervisor.shell.notify.desk import Notifier
from supervisor.values import Publish

CHAINS = {"high": {"steps": [["ada"], ["ben"]], "escalate_after_s": 300}}
NOTIFY = crew(person=[{"id": "ada"}, {"id": "ben"}], chains=CHAINS)


@pytest.fixture(autouse=True)
def alarms(quick_sender: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def alarm(self: Toy, body: AnalyserReading) -> list[Outgoing]:
        if body.boot == "poison":
            raise ZeroDivisionError("poison")
        return [Publish((f"unit_silent-u{body.seq}",), status(f"unit_silent-u{body.seq}", body.boot))]

    monkeypatch.setattr(Toy, "_reading", alarm)


class Site:
    """A state folder, an addresses file, a broker; `start` is a run of it, `kill` ends it as a kill does."""

    def __init__(self, folder: Path, hook: Hook) -> None:
        self.folder, self.broker, self.clock, self.hook = folder, MemoryBroker(), StillClock(), hook
        write_addresses(folder / "addresses.toml", {name: {"phone": hook.address(name)} for name in ("ada", "ben")})
        self.rig: Rig | None = None

    def start(self, notify: object = NOTIFY) -> Rig:
        """Up and with a link."""
        rig = self.make(notify)
        rig.loop.begin()
        rig.loop.turn()
        return rig

    def make(self, notify: object = NOTIFY) -> Rig:
        site = SITE.model_copy(update={"notify": notify})

        def make(rig: Rig) -> Notifier:
            return desk.make(site, self.folder, rig.journal.path, rig.journal.instance, self.clock, rig.log)  # type: ignore[return-value]

        self.rig = Rig(self.folder / "state", self.broker, self.clock, notify=make)
        return self.rig

    def kill(self) -> None:
        """What was being sent may arrive; that it did is not written down."""
        if self.rig is not None:
            self.rig.loop.notify.stop(10.0, self.clock.now())
            self.rig.die()
            self.rig = None

    def alarm(self, number: int, state: str = "unacknowledged") -> None:
        self.broker.say(READING, reading(number, boot=state))

    def turn_until(self, condition: Callable[[], bool]) -> bool:
        rig = self.rig

        def turned() -> bool:
            rig.loop.turn()  # type: ignore[union-attr]
            return condition()

        return poll(turned)

    def table(self, query: str) -> list[tuple]:
        db = sqlite3.connect(self.folder / "state" / "journal.sqlite")
        try:
            return db.execute(query).fetchall()
        finally:
            db.close()

    def titles(self) -> list[str]:
        return [body["title"].split(": ")[1] for _, body in self.hook.got]


@pytest.fixture
def site(tmp_path: Path, hook: Hook) -> Iterator[Site]:
    made = Site(tmp_path, hook)
    yield made
    hook.go_on.set()
    made.kill()


ENDED = "SELECT id, ended FROM notify_messages ORDER BY id"


def test_an_alarm_is_told_and_the_journal_says_to_whom_by_which_way_and_not_where(site: Site) -> None:
    site.start()
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    assert site.titles() == ["Alarm"] and site.hook.got[0][0].endswith("-1")
    assert site.table("SELECT person, way FROM notify_messages JOIN notify_ways ON message = id") == [("ada", "phone")]
    whole = b"".join(path.read_bytes() for path in (site.folder / "state").iterdir())
    assert b"json://" not in whole and b"unit_silent-u1" in whole
    assert not any("json://" in line for line in site.rig.lines)  # type: ignore[union-attr]
    assert site.rig.logged("notification_sent")[0]["person"] == "ada"  # type: ignore[union-attr]


def test_nothing_is_sent_when_the_commit_fails(site: Site) -> None:
    rig = site.make()
    site.alarm(1)
    commit = rig.journal.commit

    def full(batch: Batch) -> None:
        if batch.notify:
            raise JournalError("database or disk is full")
        commit(batch)

    rig.journal.commit = full  # type: ignore[method-assign]
    assert rig.loop.run() == EXIT_FAILED and rig.logged("journal_failed")
    assert rig.loop.notify._sender._jobs == [] and site.hook.tried == 0  # type: ignore[attr-defined]


def test_what_the_program_died_over_does_not_swallow_the_alarm_before_it(site: Site) -> None:
    rig = site.make()
    site.alarm(1)
    site.broker.say(READING, reading(2, boot="poison"))
    assert rig.loop.run() == EXIT_FAILED and rig.logged("engine_failed")
    site.kill()
    site.start()
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])


def test_a_death_while_it_is_sent_sends_it_again_under_the_same_number_as_a_possible_repeat(site: Site) -> None:
    site.hook.hanging = True
    site.start()
    site.alarm(1)
    assert site.turn_until(lambda: site.hook.tried == 1)
    site.hook.hanging = False
    site.hook.go_on.set()
    assert poll(lambda: len(site.hook.got) == 1)  # it has arrived, and as the loop does not turn that is not on disk
    site.kill()
    site.start()
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    (first, before), (second, after) = site.hook.got
    assert first == second and transport.REPEAT not in before["message"] and transport.REPEAT in after["message"]
    assert site.rig.logged("notifications_sent_again")[0]["messages"] == 1  # type: ignore[union-attr]


def test_after_what_was_sent_is_written_down_a_death_repeats_nothing(site: Site) -> None:
    site.start()
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    for _ in range(3):
        site.kill()
        rig = site.start()
        site.alarm(1)  # the whole picture is published again
        rig.loop.turn()
        rig.loop.turn()
    assert len(site.hook.got) == 1 and site.table("SELECT alarm FROM notify_calls") == [("unit_silent-u1",)]


def test_the_escalation_goes_on_where_it_stood_after_a_restart(site: Site) -> None:
    site.start()
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    site.kill()
    site.clock.go(200.0)
    rig = site.start()
    rig.loop.turn()
    assert len(site.hook.got) == 1
    site.clock.go(100.0)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent"), (2, "sent")])
    assert site.titles() == ["Alarm", "Alarm that nobody has acknowledged"]


def test_an_end_in_order_writes_down_what_was_sent_and_the_next_start_repeats_nothing(site: Site) -> None:
    rig = site.start()
    site.alarm(1)
    rig.loop.turn()
    assert rig.loop._end_in_order() == EXIT_DONE  # what `run` comes to when it is asked to stop
    assert site.table(ENDED) == [(1, "sent")]
    site.rig = None
    rig.die()
    site.start().loop.turn()
    assert len(site.hook.got) == 1


@pytest.mark.parametrize("dies_after", range(1, 9))
def test_killed_after_any_turn_everybody_hears_of_every_alarm(site: Site, dies_after: int) -> None:
    """Eight alarms, a kill after some turn, and again after each second one from there: nothing is lost, and what comes
    twice says so."""
    site.start()
    for number in range(1, 9):
        site.alarm(number)
    turns = 0
    while site.broker.inbox or site.broker.unacknowledged:
        site.rig.loop.turn()  # type: ignore[union-attr]
        turns += 1
        if turns >= dies_after and (turns - dies_after) % 2 == 0:
            site.kill()
            site.start()
    waiting = "SELECT (SELECT count(*) FROM notify_notes) + (SELECT count(*) FROM notify_messages WHERE ended IS NULL)"
    assert site.turn_until(lambda: site.table(waiting) == [(0,)])
    told = " ".join(body["message"] for _, body in site.hook.got)
    assert all(f"unit_silent-u{number}" in told for number in range(1, 9))
    seen: set[str] = set()
    for number, body in site.hook.got:
        assert number not in seen or transport.REPEAT in body["message"]
        seen.add(number)


def test_a_hanging_server_does_not_slow_a_turn(site: Site) -> None:
    site.hook.hanging = True
    rig = site.start()
    for number in range(1, 60):
        site.alarm(number)
    while site.broker.inbox:
        rig.loop.turn()  # this ends while the server holds every connection open
    assert site.hook.got == [] and rig.journal.seq > 59


def test_delivery_that_fails_for_a_minute_is_an_alarm_and_its_end_ends_it(site: Site) -> None:
    rig = site.start()
    site.hook.script = [500] * 10_000
    site.alarm(1)
    assert site.turn_until(lambda: site.hook.tried > 2)
    assert ("notification_failing", True) not in rig.engine.troubles
    site.clock.go(61.0)
    assert site.turn_until(lambda: ("notification_failing", True) in rig.engine.troubles)
    site.hook.script = []
    assert site.turn_until(lambda: rig.engine.troubles[-1] == ("notification_failing", False))
    assert site.table(ENDED) == [(1, "sent")]


def test_somebody_without_an_address_is_an_alarm_before_anything_has_to_be_told(site: Site) -> None:
    book = site.folder / "addresses.toml"
    write_addresses(book, {"ada": {"phone": site.hook.address()}})
    rig = site.start()
    rig.loop.turn()
    assert ("notification_failing", True) in rig.engine.troubles
    write_addresses(book, {"ada": {"phone": site.hook.address()}, "ben": {"phone": site.hook.address()}})
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    site.clock.go(61.0)
    rig.loop.turn()
    assert rig.engine.troubles[-1] == ("notification_failing", False)


def test_the_outward_sign_of_life_vouches_for_the_loop_and_its_failing_is_an_alarm(site: Site) -> None:
    url = f"http://127.0.0.1:{site.hook.port}/alive"
    rig = site.start(NOTIFY.model_copy(update={"heartbeat": Heartbeat(url=url, every_s=3600.0)}))
    heart = rig.loop.notify.heartbeat  # type: ignore[attr-defined]
    assert poll(lambda: heart.succeeded)
    site.clock.go(31.0)  # and no turn
    assert heart.beat() is False
    rig.loop.turn()
    assert heart.beat() is True
    site.hook.script = [500] * 3
    for _ in range(3):
        heart.beat()
    rig.loop.turn()
    assert rig.engine.troubles[-1] == ("heartbeat_failing", True)
    heart.beat()
    rig.loop.turn()
    assert rig.engine.troubles[-1] == ("heartbeat_failing", False)


def test_a_mistake_of_ours_is_an_alarm_and_control_goes_on(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = site.start()
    take = calls.take

    def failing(desk: object, rules: object, alarm: AlarmStatus, now: object) -> None:
        if alarm.alarm == "unit_silent-u1":
            raise ZeroDivisionError("nothing")
        take(desk, rules, alarm, now)  # type: ignore[arg-type]

    monkeypatch.setattr(calls, "take", failing)
    site.alarm(1)
    site.alarm(2)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    assert "unit_silent-u2" in site.hook.got[0][1]["message"]
    assert ("notification_failing", True) in rig.engine.troubles
    assert "test_notify_loop" in rig.logged("notifications_broken")[0]["where"]


def test_who_was_taken_out_of_the_site_file_gets_nothing_that_waited(site: Site) -> None:
    site.start()
    site.hook.script = [500] * 10_000
    site.alarm(1)
    assert site.turn_until(lambda: site.hook.tried > 0)
    site.kill()
    site.hook.script = []
    site.start(crew(person=[{"id": "ben"}], chains={"high": {"steps": [["ben"]]}}))
    assert site.turn_until(lambda: site.table(ENDED)[0] == (1, "person_gone"))
    site.alarm(1)
    site.rig.loop.turn()  # type: ignore[union-attr]
    assert site.hook.got == []


def test_a_journal_of_an_older_format_gets_the_tables_and_keeps_what_it_has(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path, "quillfen", "boot")
    instance = journal.instance
    journal.close()
    db = sqlite3.connect(tmp_path / "journal.sqlite")
    for table in ("notify_calls", "notify_notes", "notify_messages", "notify_ways", "runs", "settings"):
        db.execute(f"DROP TABLE {table}")
    for table, column in (("decisions", "own"), ("snapshots", "mono_s")):
        db.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    db.execute("UPDATE meta SET value = '2' WHERE key = 'format'")
    db.commit()
    db.close()
    again = Journal.open(tmp_path, "quillfen", "boot")
    assert again.instance == instance and store.load(again.path, instance, 0.0).calls.calls == {}
    again.close()


def test_what_another_version_wrote_and_this_one_cannot_read_keeps_no_site_from_being_run(site: Site) -> None:
    site.start()
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    site.kill()
    db = sqlite3.connect(site.folder / "state" / "journal.sqlite")
    db.execute("UPDATE notify_calls SET what = '{\"alarm\": 7}'")
    db.execute("INSERT INTO notify_notes VALUES ('ada', 'unit_silent-u9', 'rubbish')")
    db.commit()
    db.close()
    rig = site.start()
    assert rig.logged("notifications_unreadable")[0]["rows"] == ["unit_silent-u1", "unit_silent-u9 for ada"]
    site.clock.go(2.0)
    rig.loop.turn()
    assert site.table("SELECT count(*) FROM notify_calls UNION ALL SELECT count(*) FROM notify_notes") == [(0,), (0,)]
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent"), (2, "sent")])


def test_old_messages_are_forgotten_and_numbers_never_come_again(site: Site) -> None:
    site.start()
    site.alarm(1)
    assert site.turn_until(lambda: site.table(ENDED) == [(1, "sent")])
    site.clock.go(store.KEEP_S + 4000.0)
    site.alarm(2)
    assert site.turn_until(lambda: len(site.table(ENDED)) >= 2 and all(how for _, how in site.table(ENDED)))
    site.clock.go(4000.0)
    site.alarm(3)
    assert site.turn_until(lambda: 1 not in [number for number, _ in site.table(ENDED)])
    assert len(set(site.hook.numbers())) == len(site.hook.numbers())
    assert json.loads(json.dumps(site.table("SELECT count(*) FROM notify_ways WHERE message = 1"))) == [[0]]


def test_the_threads_end_with_the_loop(site: Site) -> None:
    site.start()
    site.kill()
    assert not [one for one in threading.enumerate() if one.name.startswith("notify-")]
