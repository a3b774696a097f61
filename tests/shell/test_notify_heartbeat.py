"""The outward sign of life: called while the loop turns, silent when it stands, told when nobody answers. A real server."""

import pytest
from brokers import poll
from notify_servers import Hook, Mailbox, free_port
from shellkit import StillClock

from supervisor.shell.notify.heartbeat import Heartbeat


class Beating:
    def __init__(self, url: str, every_s: float = 0.01) -> None:
        self.clock = StillClock()
        self.turned_s = self.clock.real_s()
        self.heart = Heartbeat(url, every_s, 30.0, lambda: self.turned_s, self.clock.real_s)


def test_it_is_called_again_and_again_while_the_loop_turns(hook: Hook) -> None:
    one = Beating(f"http://127.0.0.1:{hook.port}/alive?token=x")
    one.heart.start()
    assert poll(lambda: len(hook.got) >= 3)
    one.heart.stop(5.0)
    assert not one.heart.is_alive() and set(hook.numbers()) == {"/alive?token=x"} and one.heart.failing() == ""


def test_a_loop_that_stands_still_is_not_vouched_for(hook: Hook) -> None:
    one = Beating(f"http://127.0.0.1:{hook.port}/alive")
    one.clock.go(30.0)
    assert one.heart.beat() is True
    one.clock.go(0.1)
    assert one.heart.beat() is False and len(hook.got) == 1
    one.turned_s = one.clock.real_s()
    assert one.heart.beat() is True and len(hook.got) == 2


@pytest.mark.parametrize("status", [500, 404, 429])
def test_three_bad_answers_in_a_row_are_a_finding_and_a_good_one_ends_it(hook: Hook, status: int) -> None:
    one = Beating(f"http://127.0.0.1:{hook.port}/secrettoken")
    assert one.heart.failing() is None  # nothing is known yet
    hook.script = [status, status, 200, status, status, status]
    told = []
    for _ in range(7):
        one.heart.beat()
        told.append(one.heart.failing())
    assert told == [None, None, "", "", "", f"3 calls in a row: answered with status {status}", ""]


def test_nobody_at_the_address_is_told_without_the_address() -> None:
    port = free_port()
    one = Beating(f"http://127.0.0.1:{port}/secrettoken")
    for _ in range(3):
        assert one.heart.beat() is False
    words = one.heart.failing()
    assert words and "not reached (ConnectionRefusedError)" in words and "secret" not in words and str(port) not in words


def test_a_connection_that_is_closed_without_a_word_ends_no_thread(hook: Hook) -> None:
    hook.hanging = True
    hook.go_on.set()
    one = Beating(f"http://127.0.0.1:{hook.port}/")
    one.heart.start()
    assert poll(lambda: one.heart.failures >= 3)
    assert one.heart.is_alive()
    hook.hanging = False
    assert poll(lambda: one.heart.failing() == "")
    one.heart.stop(5.0)


def test_an_answer_that_is_no_web_servers_is_a_failure_in_words(mailbox: Mailbox) -> None:
    one = Beating(f"http://127.0.0.1:{mailbox.port}/")
    assert [one.heart.beat() for _ in range(3)] == [False] * 3
    assert one.heart.failing() == "3 calls in a row: not reached (BadStatusLine)"
