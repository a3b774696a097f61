"""Every cell of the table of alarm states: ISA-18.2-2016 / IEC 62682. The names of the states are confirmed in published
texts, the ways between them are from memory."""

import itertools

import pytest

from supervisor.core.alarm_life import STATES, after, back

A, B, C, D = "normal", "unacknowledged", "acknowledged", "returned_unacknowledged"
E, F = "latched_unacknowledged", "latched_acknowledged"
G, H, I = "shelved", "suppressed_by_design", "out_of_service"  # noqa: E741 the standard's letters

PLAIN = {
    (A, "occurs"): B, (D, "occurs"): B, (E, "occurs"): B, (F, "occurs"): B,
    (B, "clears"): D, (C, "clears"): A,
    (B, "acknowledge"): C, (D, "acknowledge"): A, (E, "acknowledge"): F, (F, "acknowledge"): A,
    (A, "shelve"): G, (B, "shelve"): G, (C, "shelve"): G, (D, "shelve"): G, (E, "shelve"): G, (F, "shelve"): G,
    (G, "shelve"): G, (H, "shelve"): G,
    (A, "suppress"): H,
    (A, "take_out"): I, (B, "take_out"): I, (C, "take_out"): I, (D, "take_out"): I, (E, "take_out"): I, (F, "take_out"): I,
    (G, "take_out"): I, (H, "take_out"): I, (I, "take_out"): I,
}  # fmt: skip
LATCHING = {**PLAIN, (B, "clears"): E, (C, "clears"): F}
WORDS = ("occurs", "clears", "acknowledge", "shelve", "suppress", "take_out")


def test_there_are_nine_states() -> None:
    assert STATES == (A, B, C, D, E, F, G, H, I)


@pytest.mark.parametrize(("state", "word"), list(itertools.product(STATES, WORDS)))
def test_what_a_word_makes_of_a_state(state: str, word: str) -> None:
    assert after(state, word, latches=False) == PLAIN.get((state, word))
    assert after(state, word, latches=True) == LATCHING.get((state, word))


@pytest.mark.parametrize(("condition", "latched", "expected"), [
    (True, False, B), (True, True, B), (False, False, A), (False, True, E),
])  # fmt: skip
def test_what_was_away_comes_back_to_where_its_condition_and_its_latch_put_it(condition, latched, expected) -> None:
    assert back(condition, latched) == expected
