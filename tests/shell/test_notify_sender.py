"""The sending threads: what was put arrives by every way, dead servers are tried again and hold up nobody else."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import poll
from notify_servers import Hook, Mailbox, free_port, message, write_addresses
from shellkit import StillClock

from supervisor.shell.notify import sender as sender_module
from supervisor.shell.notify import transport
from supervisor.shell.notify.addresses import AddressError, Addresses
from supervisor.shell.notify.sender import Ended, Sender
from supervisor.shell.notify.store import Message

NOWHERE = {"nobody": {"mail": "mailto://127.0.0.1:1/?from=a@b.example&to=c@d.example"}}


pytestmark = pytest.mark.usefixtures("quick_sender")


class Desk:
    """A sender on an addresses file, and all that it ended."""

    def __init__(self, path: Path, people: dict[str, dict[str, str]], send: transport.Transport = transport.send) -> None:
        self.path = write_addresses(path, people)
        self.clock = StillClock()
        self.sender = Sender(Addresses(path).of, send, self.clock.real_s)
        self.ended: list[Ended] = []
        self.sender.start()

    def how(self, number: int) -> str | None:
        """How the message ended, None while it has not."""
        self.ended += self.sender.take()
        return next((one.how for one in self.ended if one.way is None and one.message.id == number), None)

    def fails(self, person: str, way: str | None) -> bool:
        line = self.sender._lines.get((person, way))
        return line is not None and line.failing_s is not None

    def ways(self, number: int) -> set[tuple[str, str]]:
        return {(one.way, one.how) for one in self.ended if one.way is not None and one.message.id == number}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    made: list[Desk] = []

    def make(people: dict[str, dict[str, str]], **options: object) -> Desk:
        made.append(Desk(tmp_path / "addresses.toml", people, **options))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.sender.stop(10.0)
        assert not any(thread.is_alive() for thread in one.sender._threads)


def test_a_message_goes_out_by_every_way_of_a_person_once(mailbox: Mailbox, hook: Hook, desk: Callable[..., Desk]) -> None:
    one = desk({"ada": {"mail": mailbox.address("ada"), "phone": hook.address()}, "ben": {"mail": mailbox.address("ben")}})
    one.sender.put([message(1), message(2, "ben")])
    assert poll(lambda: one.how(1) == one.how(2) == "sent")
    assert one.ways(1) == {("mail", "sent"), ("phone", "sent")} and one.ways(2) == {("mail", "sent")}
    assert sorted(got["X-Stillhold-Message"] for got in mailbox.got) == ["inst-1", "inst-2"] and hook.numbers() == ["inst-1"]
    assert one.sender.failing() == "" and one.sender.stuck() == set()


def test_a_server_that_refuses_is_tried_again_under_the_same_number(hook: Hook, desk: Callable[..., Desk]) -> None:
    hook.script = [500, 503, 429]
    one = desk({"ada": {"phone": hook.address()}})
    one.sender.put([message(1)])
    assert poll(lambda: one.how(1) == "sent")
    assert hook.numbers() == ["inst-1"] and hook.tried == 4
    assert transport.REPEAT in hook.got[0][1]["message"]


def test_a_way_that_has_it_is_left_alone_while_another_is_tried_again(
    mailbox: Mailbox, hook: Hook, desk: Callable[..., Desk]
) -> None:
    mailbox.refuse = True
    one = desk({"ada": {"mail": mailbox.address("ada"), "phone": hook.address()}})
    one.sender.put([message(1)])
    assert poll(lambda: one.how(1) is None and one.ways(1) == {("phone", "sent")} and one.fails("ada", "mail"))
    one.clock.go(61.0)
    assert poll(lambda: "ada by mail: not reached, or not taken, for 1 min; 1 messages wait" == one.sender.failing())
    assert one.how(1) is None and one.sender.stuck() == set()  # one way has it: nobody is stuck
    mailbox.refuse = False
    assert poll(lambda: one.how(1) == "sent")
    assert len(hook.got) == 1 and len(mailbox.got) == 1 and one.sender.failing() == ""


def test_a_dead_way_is_let_go_after_an_hour_when_another_had_the_message(hook: Hook, desk: Callable[..., Desk]) -> None:
    one = desk({"ada": {"mail": f"json://127.0.0.1:{free_port()}/", "phone": hook.address()}})
    one.sender.put([message(1)])
    assert poll(lambda: one.how(1) is None and ("phone", "sent") in one.ways(1))
    one.clock.go(3601.0)
    assert poll(lambda: one.how(1) == "sent")
    assert one.ways(1) == {("phone", "sent"), ("mail", "dropped")}


def test_what_nobody_takes_for_a_day_is_given_up_and_said_so(desk: Callable[..., Desk]) -> None:
    one = desk({"ada": {"mail": f"json://127.0.0.1:{free_port()}/"}})
    one.sender.put([message(1)])
    one.clock.go(31.0)
    assert poll(lambda: one.sender.stuck() == {"ada"})
    one.clock.go(3600.0)
    assert one.how(1) is None
    one.clock.go(86_400.0)
    assert poll(lambda: one.how(1) == "given_up")
    assert one.sender.stuck() == set()


def test_dead_and_hanging_servers_of_others_hold_up_nobody(hook: Hook, desk: Callable[..., Desk]) -> None:
    """More people with dead servers than there are threads, and the first attempts at them under way."""
    go_on = threading.Event()

    def send(address: str, one: Message, again: bool) -> str | None:
        if "dead" in address:
            go_on.wait(30)
            return "not reached"
        return transport.send(address, one, again)

    people = {f"p{n}": {"mail": f"json://dead{n}/"} for n in range(12)}
    one = desk({**people, "ada": {"phone": hook.address()}}, send=send)
    try:
        # Known to fail from before, so that one thread is kept.
        for n in range(12):
            one.sender._lines[(f"p{n}", "mail")] = sender_module._Line(failing_s=one.clock.real_s(), why="not reached")
        one.sender.put([message(n, f"p{n}", priority="critical") for n in range(12)])
        one.sender.put([message(100, "ada", priority="low")])
        assert poll(lambda: one.how(100) == "sent")
    finally:
        go_on.set()


def test_the_worst_goes_first(desk: Callable[..., Desk]) -> None:
    gate, order = threading.Event(), []

    def send(_address: str, one: Message, _again: bool) -> str | None:
        gate.wait(30)
        order.append(one.id)
        return None

    one = desk({"ada": {"mail": "json://x/"}}, send=send)
    one.sender.put([message(1, priority="low")])
    assert poll(lambda: any(line.busy for line in one.sender._lines.values()))
    one.sender.put([message(2, priority="low"), message(3, priority="high"), message(4, priority="critical")])
    assert poll(lambda: all(job.way for job in one.sender._jobs))
    gate.set()
    assert poll(lambda: len(order) == 4)
    assert order == [1, 4, 3, 2]


def test_an_error_of_ours_in_the_transport_loses_nothing(desk: Callable[..., Desk]) -> None:
    calls: list[int] = []

    def send(_address: str, one: Message, _again: bool) -> str | None:
        calls.append(one.id)
        if len(calls) < 4:
            raise ZeroDivisionError("secret")
        return None

    one = desk({"ada": {"mail": "json://x/"}}, send=send)
    one.sender.put([message(1)])
    assert poll(lambda: one.how(1) == "sent") and calls == [1] * 4


# ------------------------------------------------------------------------------------------------ the addresses file


def test_a_broken_addresses_file_is_told_in_words_and_a_mended_one_is_taken_without_a_restart(
    hook: Hook, desk: Callable[..., Desk], tmp_path: Path
) -> None:
    one = desk({"ben": {"phone": hook.address()}})
    one.sender.put([message(1)])
    assert poll(lambda: one.fails("ada", None))
    one.clock.go(61.0)
    assert "addresses.toml: nothing about ada: add the table [ada]" in (one.sender.failing() or "")
    write_addresses(one.path, {"ada": {"phone": hook.address()}})
    assert poll(lambda: one.how(1) == "sent")
    assert one.sender.failing() == "" and hook.numbers() == ["inst-1"]


def test_a_way_that_was_renamed_or_mended_is_taken_up_while_a_message_waits(hook: Hook, desk: Callable[..., Desk]) -> None:
    one = desk({"ada": {"mail": f"json://127.0.0.1:{free_port()}/"}})
    one.sender.put([message(1)])
    assert poll(lambda: one.fails("ada", "mail"))
    write_addresses(one.path, {"ada": {"phone": hook.address()}})
    assert poll(lambda: one.how(1) == "sent")
    one.clock.go(61.0)
    assert hook.numbers() == ["inst-1"] and one.sender.failing() == ""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[ada]\nmail = secretword", "not TOML"),
        ('ada = "secretword"', "ada: not a table"),
        ('[ada]\nmail = "secretword"', "ada.mail: not an address"),
        ("[ada]\nmail = 7", "ada.mail: not an address"),
        ("[ada]", "nothing about ada"),
        ("\x00", "not TOML"),
    ],
)
def test_a_mistake_in_it_names_file_place_and_mend_and_no_secret(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "addresses.toml"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(AddressError) as told:
        Addresses(path).of("ada")
    assert words in str(told.value) and str(path) in str(told.value) and "secretword" not in str(told.value)


def test_one_that_others_can_read_is_refused(tmp_path: Path) -> None:
    path = write_addresses(tmp_path / "addresses.toml", NOWHERE)
    assert Addresses(path).of("nobody")
    for mode in (0o640, 0o604, 0o620):
        path.chmod(mode)
        with pytest.raises(AddressError, match="chmod 600"):
            Addresses(path).of("nobody")


def test_one_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(AddressError, match="cannot be read .No such file"):
        Addresses(tmp_path / "none.toml").of("ada")
