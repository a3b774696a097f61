"""The crew: it seals in turn, insists while nobody answers, and opens only what it was granted."""

import hmac
from pathlib import Path

import pytest
from sim_plants import Hand, small, small_site

from simulator.crew import Act, CrewError, Schedule, load_schedule
from simulator.signing import CrewKey, KeyFileError, load_key
from simulator.site import Plant


def hand_with(*acts: Act, **how: float) -> Hand:
    return Hand(Plant(small_site(), 1, crew=Schedule(acts, **how)))


def commands(hand: Hand) -> list[tuple[str, str, str]]:
    return [(one["command_id"], one["action"], one["target"]) for one in hand.on("operator/command")]


def test_by_default_every_enclosure_is_sealed_one_after_another() -> None:
    hand = Hand(Plant(small_site(), 1, boot="b"))
    hand.to(179.0)
    assert commands(hand) == [] and hand.plant.enclosures["a"].open
    hand.to(181.0)
    assert commands(hand) == [("crew-b-1", "seal", "a")]
    assert not hand.plant.enclosures["a"].open and hand.plant.enclosures["b"].open
    hand.give("operator/outcome", command_id="crew-b-1", accepted=True, reason="")
    hand.to(500.0)
    assert commands(hand)[:2] == [("crew-b-1", "seal", "a"), ("crew-b-2", "seal", "b")]
    assert hand.on("operator/command")[0]["issued_at"] == "2026-03-01T00:03:00.000Z"


def test_while_nobody_answers_it_asks_again_under_the_same_id() -> None:
    hand = hand_with(Act(10.0, "seal", "a"))
    hand.to(200.0)
    assert commands(hand) == [("crew-boot-1", "seal", "a")] * 4
    hand.give("operator/outcome", command_id="crew-boot-1", accepted=True, reason="")
    hand.to(600.0)
    assert len(commands(hand)) == 4


def test_a_refused_opening_is_asked_for_anew_and_the_bag_stays_shut_until_it_is_granted() -> None:
    hand = hand_with(Act(0.0, "seal", "a"), Act(10.0, "open", "a"))
    hand.to(15.0)
    hand.give("operator/outcome", command_id="crew-boot-1", accepted=True, reason="")
    hand.give("operator/outcome", command_id="crew-boot-2", accepted=False, reason="not breathable")
    hand.to(80.0)
    assert commands(hand)[-1] == ("crew-boot-3", "open", "a")
    assert not hand.plant.enclosures["a"].open
    hand.give("operator/outcome", command_id="crew-boot-3", accepted=True, reason="")
    assert hand.plant.enclosures["a"].open


NEEDS_PERMIT = "opening counts as entry: sign in (enter) room r with an entry permit first"


def answer(hand: Hand, accepted: bool, reason: str = "") -> None:
    """To whatever the crew asked last."""
    hand.give("operator/outcome", command_id=commands(hand)[-1][0], accepted=accepted, reason=reason)


def asked_to_open(hand: Hand) -> None:
    hand.to(15.0)
    hand.give("operator/outcome", command_id="crew-boot-1", accepted=True, reason="")
    answer(hand, False, NEEDS_PERMIT)


def test_for_an_opening_one_signs_in_with_another_outside_opens_and_signs_out() -> None:
    hand = hand_with(Act(0.0, "seal", "a"), Act(10.0, "open", "a"))
    asked_to_open(hand)
    entered = hand.on("operator/command")[-1]
    assert (entered["action"], entered["target"], entered["minutes"]) == ("enter", "r", 10)
    assert len(entered["people"]) == 1 and entered["standby"] not in entered["people"]
    answer(hand, True)
    assert commands(hand)[-1][1:] == ("open", "a") and not hand.plant.enclosures["a"].open
    answer(hand, True)
    assert hand.plant.enclosures["a"].open
    hand.to(60.0)
    assert commands(hand)[-1][1] == "open", "there is work to do inside"
    hand.to(140.0)
    left = hand.on("operator/command")[-1]
    assert (left["action"], left["target"], left["people"]) == ("leave", "r", entered["people"])
    answer(hand, True)
    count = len(commands(hand))
    hand.to(600.0)
    assert len(commands(hand)) == count


@pytest.mark.parametrize("refused", ["enter", "open"])
def test_whoever_is_refused_on_the_way_signs_out_and_comes_again_later(refused: str) -> None:
    hand = hand_with(Act(0.0, "seal", "a"), Act(10.0, "open", "a"))
    asked_to_open(hand)
    if refused == "open":
        answer(hand, True)
    answer(hand, False, "room r is forbidden")
    hand.to(20.0)
    assert commands(hand)[-1][1:] == ("leave", "r") and not hand.plant.enclosures["a"].open
    answer(hand, True)
    hand.to(80.0)
    assert commands(hand)[-1][1:] == ("open", "a")
    answer(hand, False, NEEDS_PERMIT)
    assert commands(hand)[-1][1:] == ("enter", "r")


def test_other_refusals_are_taken() -> None:
    hand = hand_with(Act(0.0, "vent", "a"))
    hand.give("operator/outcome", command_id="crew-boot-1", accepted=False, reason="no")
    hand.to(600.0)
    assert len(commands(hand)) == 1


def test_it_acknowledges_each_occurrence_once_if_told_to() -> None:
    hand = hand_with(acknowledge_after_s=30.0)
    alarm = {"alarm": "co2-high-north", "occurrence": 3, "state": "unacknowledged"}
    for _ in range(2):
        hand.give("alarm/co2-high-north", **alarm)
    hand.give("alarm/other", alarm="other", occurrence=1, state="acknowledged")
    hand.to(29.0)
    assert commands(hand) == []
    hand.to(40.0)
    (command,) = hand.on("operator/command")
    assert (command["action"], command["target"], command["occurrence"]) == ("acknowledge", "co2-high-north", 3)


def test_it_acknowledges_nothing_by_default() -> None:
    hand = small()
    hand.give("alarm/x", alarm="x", occurrence=3, state="unacknowledged")
    hand.to(600.0)
    assert hand.on("operator/command") == []


def test_more_goes_into_the_command_and_unknown_targets_do_no_harm() -> None:
    hand = hand_with(Act(1.0, "enter", "r", {"people": ["Ada"], "standby": "Ben", "minutes": 20}), Act(2.0, "seal", "zz"))
    hand.to(5.0)
    assert hand.on("operator/command")[0]["people"] == ["Ada"]
    assert hand.plant.dropped["the crew found no such enclosure"] == 1


def test_a_schedule_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "crew.toml"
    file.write_text('acknowledge_after_s = 60\n[[act]]\nat_s = 5\naction = "enter"\ntarget = "r"\npeople = ["Ada"]\n')
    assert load_schedule(file) == Schedule((Act(5.0, "enter", "r", {"people": ["Ada"]}),), 60)
    for text in ('[[act]]\naction = "seal"\ntarget = "a"\n', 'acknowledge_after_s = "soon"\n', "[[act"):
        file.write_text(text)
        with pytest.raises(CrewError, match="crew.toml"):
            load_schedule(file)


# ------------------------------------------------------------------------------------------------ signing

KEY = CrewKey("crew", bytes(range(32)))


def test_its_commands_are_signed_over_all_that_they_say() -> None:
    hand = Hand(Plant(small_site(), 1, crew=Schedule((Act(1.0, "seal", "a", {"note": "caf\u00e9"}),)), crew_key=KEY))
    hand.to(5.0)
    (sent,) = hand.on("operator/command")
    # Typed by hand; the contract's canonical form: sorted, no spaces, UTF-8.
    text = (
        '{"action":"seal","command_id":"crew-boot-1","issued_at":"2026-03-01T00:00:01.000Z","note":"caf\u00e9",'
        '"operator":"crew","target":"a"}'
    )
    assert sent["signature"] == hmac.new(bytes(range(32)), text.encode(), "sha256").hexdigest()
    assert KEY.key.hex() not in repr(KEY)


def test_what_grew_old_on_its_way_is_said_anew() -> None:
    hand = hand_with(Act(0.0, "vent", "a"))
    hand.give("operator/outcome", command_id="crew-boot-1", accepted=False, reason="issued 90 s ago by its own time, ...")
    hand.to(70.0)
    (first, second) = hand.on("operator/command")
    assert second["command_id"] == "crew-boot-2" and second["issued_at"] > first["issued_at"]


def test_a_key_file_is_read_as_it_is_written(tmp_path: Path) -> None:
    file = tmp_path / "crew.key"
    file.write_text('{"site": "s", "operator": "crew", "key": "' + bytes(range(32)).hex() + '"}')
    assert load_key(file) == KEY
    for text in ("", "{}", '{"operator": "crew", "key": "zz"}', "[]"):
        file.write_text(text)
        with pytest.raises(KeyFileError, match="crew.key"):
            load_key(file)
