"""The whole process with the real engine, a real broker, a real mail server and a real web server: killed while it tells
people, and the commands that people use to see whether they are reached."""

import http.client
import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import Broker, poll
from notify_servers import Hook, Mailbox, free_port, write_addresses
from shellkit import EXAMPLE, TOP

from supervisor.shell.journal_file import FILE
from supervisor.shell.notify.words import CAUTION, REPEAT

PEOPLE = """
[notify]
addresses_file = "people.addresses.toml"
time_zone = "Europe/Dublin"
merge_over = 100
per_hour_max = 1000
[notify.chains.high]
steps = [["ada"], ["ben"]]
escalate_after_s = 600
[[notify.person]]
id = "ada"
[[notify.person]]
id = "ben"
duty = [{ days = ["mon"], begins = "06:00", ends = "18:00" }]
[notify.chains.critical]
steps = [["ada"]]
"""
HEARTBEAT = """
[notify.heartbeat]
url = "http://127.0.0.1:{port}/alive"
every_s = 5
"""


class Site:
    """A site file with people in a folder of its own, and runs of it."""

    def __init__(self, folder: Path, port: int, more: str = "") -> None:
        self.file, self.state, self._log = folder / "site.toml", folder / "state", folder / "log"
        text = EXAMPLE.read_text(encoding="utf-8").replace("start_grace_s = 120", "start_grace_s = 0")
        text = text.replace('[operators]\nfile = "quillfen.operators.json"\n', "")
        self.file.write_text(text + PEOPLE + more, encoding="utf-8")
        self.addresses = folder / "people.addresses.toml"
        self._port = port
        self.child: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        argv = [sys.executable, "-m", "supervisor", "run", str(self.file), "--state", str(self.state)]
        argv += ["--port", str(self._port)]
        with self._log.open("ab") as out:
            self.child = subprocess.Popen(argv, cwd=TOP, stdout=out, stderr=subprocess.STDOUT)

    def end(self, how: signal.Signals) -> int:
        child, self.child = self.child, None
        if child is None:
            return 0
        child.send_signal(how)
        return child.wait(20)

    def log(self) -> str:
        return self._log.read_text()

    def table(self, query: str) -> list[tuple]:
        db = sqlite3.connect(f"{(self.state / FILE).as_uri()}?mode=ro", uri=True)
        try:
            return db.execute(query).fetchall()
        except sqlite3.OperationalError:  # not made yet
            return []
        finally:
            db.close()

    def settled(self) -> bool:
        rows = self.table("SELECT ended FROM notify_messages")
        return bool(rows) and all(how == "sent" for (how,) in rows)


@pytest.fixture
def site(tmp_path: Path, make_broker: Callable[..., Broker]) -> Iterator[Callable[..., Site]]:
    made: list[Site] = []

    def make(more: str = "") -> Site:
        made.append(Site(tmp_path, make_broker("mosquitto").port, more))
        return made[-1]

    yield make
    for one in made:
        one.end(signal.SIGKILL)


def stillhold(*words: str) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "supervisor", *words]
    return subprocess.run(argv, cwd=TOP, capture_output=True, text=True, timeout=60)


def test_killed_while_it_sends_and_after_it_everybody_hears_once_or_is_told_of_the_repeat(
    site: Callable[..., Site], hook: Hook, mailbox: Mailbox
) -> None:
    one = site()
    write_addresses(one.addresses, {"ada": {"phone": hook.address(), "mail": mailbox.address("ada")}})
    hook.hanging = mailbox.refuse = True
    one.start()  # its rooms' air is not known: that is an alarm about people, at once
    assert poll(lambda: hook.tried > 0 and bool(one.table("SELECT id FROM notify_messages WHERE title LIKE '%Room air%'")), 30)
    one.end(signal.SIGKILL)
    begun = one.table("SELECT id FROM notify_messages WHERE ended IS NULL")
    assert begun
    hook.hanging = mailbox.refuse = False
    hook.go_on.set()
    one.start()
    assert poll(one.settled, 60), one.log()
    assert {f"{number}" for (number,) in begun} <= {number.rsplit("-", 1)[1] for number in hook.numbers()}
    air = [body["message"] for _, body in hook.got if "room_air_unknown-north" in body["message"]]
    assert air and all(CAUTION in text for text in air) and REPEAT in air[-1]
    seen: set[str] = set()  # what the hanging server answered to the dead process came twice, and says so
    for number, body in hook.got:
        assert number not in seen or REPEAT in body["message"]
        seen.add(number)

    one.end(signal.SIGKILL)
    before = air_told(hook, mailbox)
    one.start()
    assert poll(lambda: one.log().count('"event": "alarm_raised"') > 0 and one.log().count('"up": true') == 3, 30), one.log()
    assert one.end(signal.SIGTERM) == 0
    assert air_told(hook, mailbox) == before
    assert len({got["X-Stillhold-Message"] for got in mailbox.got}) == len(mailbox.got) > 0
    assert not [word for word in (one.log(), (one.state / FILE).read_bytes().decode("latin-1")) if "json://" in word]


def air_told(hook: Hook, mailbox: Mailbox) -> list[str]:
    """The link to the broker is lost anew with each start; the air is the same alarm still."""
    titles = [body["title"] for _, body in hook.got] + [got["Subject"] for got in mailbox.got]
    return [one for one in titles if "Room air" in one]


def test_the_outward_sign_of_life_is_there_while_the_loop_turns_and_not_when_it_is_stopped(
    site: Callable[..., Site], hook: Hook
) -> None:
    one = site(HEARTBEAT.format(port=hook.port))
    write_addresses(one.addresses, {"ada": {"phone": hook.address()}, "ben": {"phone": hook.address()}})
    one.start()
    assert poll(lambda: ("/alive", {}) in hook.got, 30), one.log()
    assert one.end(signal.SIGTERM) == 0


# ------------------------------------------------------------------------------------------------ the commands


def test_a_test_message_goes_out_by_every_way_and_what_fails_is_said(site: Callable[..., Site], hook: Hook) -> None:
    one = site()
    write_addresses(one.addresses, {"ada": {"phone": hook.address(), "mail": f"json://127.0.0.1:{free_port()}/"}})
    told = stillhold("notify", "test", str(one.file), "ada")
    assert told.returncode == 1
    assert "ada by phone: taken by the server" in told.stdout and "ada by mail: not reached" in told.stdout
    ((number, body),) = hook.got
    assert number.startswith("test-") and "Nothing has happened" in body["message"] and CAUTION in body["message"]
    write_addresses(one.addresses, {"ada": {"phone": hook.address()}})
    told = stillhold("notify", "test", str(one.file), "ada", "--json")
    assert told.returncode == 0 and json.loads(told.stdout)["ways"] == {"phone": "sent"} and len(hook.got) == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("test", "SITE", "zoe"), "nobody has the id zoe: ada, ben"),
        (("test", "SITE", "ben"), "nothing about ben: add the table [ben]"),
        (("test", str(EXAMPLE), "ada"), "has no table notify"),
        (("who", "SITE", "--at", "yesterday"), "--at yesterday: no time"),
        (("who", "SITE", "--at", "2026-08-31T10:00:00"), "without an offset"),
    ],
)
def test_what_cannot_be_done_is_said_with_its_mend(site: Callable[..., Site], words: tuple[str, ...], said: str) -> None:
    one = site()
    write_addresses(one.addresses, {"ada": {"phone": "json://127.0.0.1:1/"}})
    told = stillhold("notify", *(str(one.file) if word == "SITE" else word for word in words))
    assert told.returncode == 2 and said in told.stderr and told.stdout == ""


def test_who_is_told_at_an_hour(site: Callable[..., Site]) -> None:
    one = site()
    told = stillhold("notify", "who", str(one.file), "--at", "2026-08-31T10:00:00+01:00")
    assert told.returncode == 0 and "on duty: ada, ben" in told.stdout and "high: ada, then ben" in told.stdout
    night = json.loads(stillhold("notify", "who", str(one.file), "--at", "2026-08-31T23:00:00+01:00", "--json").stdout)
    assert night["on_duty"] == ["ada"] and night["chains"]["high"] == [["ada"], []]


def test_the_web_server_of_these_tests_answers_as_one_does(hook: Hook) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", hook.port, timeout=5)
    connection.request("GET", "/x")
    assert connection.getresponse().status == 200 and os.path.basename(hook.got[0][0]) == "x"
    connection.close()
