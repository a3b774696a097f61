"""Each fault of the network does what its row says, to whom it says, while it stands; and the same again for the same seed."""

import json
from collections import Counter

import pytest
from brokers import Broker, Peer, poll
from sim_plants import IDLE, STILL, small_site

from simulator.kinds import Fault, FaultError
from simulator.mqtt import PlantOnMqtt
from simulator.network import NOTICED_S, Message, Network, Way
from simulator.network_faults import NETWORK
from simulator.network_links import Links
from simulator.site import Plant
from simulator.sitefile import read_site

COUNT = 400
START_S, END_S = 100.0, 500.0  # one message a second is put from 0 to 600
UNITS = ("near", "far")


def sent(*faults: Fault, link: str = "near", up: bool = True, seed: int = 1, report: bool = False) -> list[tuple[int, Message]]:
    """(when it came, which it was by its number) of one message each second."""
    way, out = Way(Network(UNITS, faults, seed), up=up), []
    topic = "dosing/e1/nitrogen/report" if report else "hardware/near/status"
    for second in range(1200):
        if second < 600:
            way.put(second, link, Message(topic, json.dumps({"number": second}).encode(), False))
        out += [(second, one) for one in way.take(second)]
    return out


def numbers(out: list[tuple[int, Message]]) -> list[int]:
    return [json.loads(one.payload)["number"] for _, one in out]


def fault(name: str, size: float = 0.0, target: str = "near", end_s: float = END_S) -> Fault:
    return Fault(name, "broker" if NETWORK[name].on == "broker" else target, START_S, end_s, size)


def test_without_faults_all_comes_at_once_and_as_it_was() -> None:
    assert numbers(sent()) == list(range(600)) and all(at_s == n for (at_s, _), n in zip(sent(), range(600), strict=True))


def test_doubled_is_at_least_once_and_only_while_it_stands() -> None:
    count = Counter(numbers(sent(fault("messages_doubled", 0.5))))
    assert set(count) == set(range(600)) and set(count.values()) == {1, 2}
    twice = [one for one, times in count.items() if times == 2]
    assert 0.35 * COUNT < len(twice) < 0.65 * COUNT and min(twice) >= START_S and max(twice) < END_S


def test_reordered_loses_nothing_and_late_keeps_the_order() -> None:
    mixed = numbers(sent(fault("messages_reordered", 30.0)))
    assert sorted(mixed) == list(range(600)) and mixed != sorted(mixed)
    late = sent(fault("messages_late", 60.0))
    assert numbers(late) == list(range(600)), "one connection keeps its order, also when it is quick again"
    assert {at_s - number for (at_s, _), number in zip(late, numbers(late), strict=True) if 100 <= number < 500} == {60}


@pytest.mark.parametrize(("name", "link"), [("messages_lost", "near"), ("broker_lossy", "near"), ("broker_lossy", "far")])
def test_lost_is_a_share(name: str, link: str) -> None:
    came = numbers(sent(fault(name, 0.5), link=link))
    assert len(came) == len(set(came)) and 0.35 * COUNT < 600 - len(came) < 0.65 * COUNT
    assert {one for one in range(600) if not START_S <= one < END_S} <= set(came)


@pytest.mark.parametrize("name", ["messages_cut", "messages_garbled"])
def test_spoilt_ones_come_and_are_not_what_was_sent(name: str) -> None:
    came = [(at_s, one.payload) for at_s, one in sent(fault(name, 0.5))]
    wrong = [at_s for at_s, payload in came if payload != json.dumps({"number": at_s}).encode()]
    assert len(came) == 600 and 0.3 * COUNT < len(wrong) < 0.65 * COUNT and START_S <= min(wrong) and max(wrong) < END_S


@pytest.mark.parametrize("name", ["network_split", "broker_down", "broker_forgets"])
def test_a_cut_keeps_what_was_not_acknowledged_and_reports(name: str) -> None:
    out = sent(fault(name))
    came = numbers(out)
    assert came == [*range(100 + int(NOTICED_S) + 1), *range(500, 600)]
    assert min(at_s for (at_s, _), number in zip(out, came, strict=True) if 100 <= number < 500) == END_S
    assert numbers(sent(fault(name), report=True)) == list(range(600)), "dose reports wait"
    assert numbers(sent(fault(name), up=False)) == [*range(100), *range(500, 600)]
    blink = fault(name, end_s=START_S + 15.0)
    assert numbers(sent(blink, up=False)) == list(range(600)), "nobody noticed, and it all comes late"


def test_a_full_broker_takes_nothing_and_a_slow_one_holds_it() -> None:
    assert numbers(sent(fault("broker_full"), report=True)) == [*range(100), *range(500, 600)]
    assert numbers(sent(fault("broker_full"), up=False)) == list(range(600)), "what it has it still gives"
    slow = sent(fault("broker_slow", 10.0))
    assert numbers(slow) == list(range(600)) and {at_s - n for at_s, n in zip([a for a, _ in slow][100:500], range(100, 500), strict=True)} == {10}  # fmt: skip  # noqa: E501


@pytest.mark.parametrize("name", [name for name, kind in NETWORK.items() if kind.on == "link"])
def test_another_link_is_none_the_worse_unless_all_are_meant(name: str) -> None:
    size = NETWORK[name].size.usual[-1] if NETWORK[name].size else 0.0
    assert sent(fault(name, size), link="far") == sent(link="far")
    assert sent(fault(name, size, target="all"), link="far") != sent(link="far")


@pytest.mark.parametrize("name", NETWORK)
def test_a_seed_repeats_itself_and_another_one_does_not(name: str) -> None:
    size = NETWORK[name].size.usual[0] if NETWORK[name].size else 0.0
    once = sent(fault(name, size), seed=7)
    assert once == sent(fault(name, size), seed=7)
    drawn = name not in ("messages_late", "network_split", "broker_down", "broker_forgets", "broker_full", "broker_slow")
    assert (once != sent(fault(name, size), seed=8)) is drawn


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (Fault("leak", "near"), "none of the network"),
        (Fault("messages_lost", "elsewhere", size=0.5), "is no link"),
        (Fault("broker_down", "near"), "is no broker"),
        (Fault("messages_lost", "near", size=1.5), "allowed is 0 to 1"),
        (Fault("network_split", "near", 5.0, 5.0), "start_s must lie before end_s"),
    ],
)
def test_a_fault_that_cannot_be_is_refused_with_the_mend(wrong: Fault, words: str) -> None:
    with pytest.raises(FaultError, match=words):
        Network(UNITS, [wrong], 1)


def test_who_speaks_and_who_hears() -> None:
    links = Links(read_site(small_site()))
    spec = read_site(small_site())
    one = spec.enclosures[0]
    assert links.hearers(f"dosing/{one.id}/nitrogen/request") == (one.unit,)
    assert one.unit in links.hearers(f"room/{one.room}/permit")
    assert links.sender(f"dosing/{one.id}/nitrogen/report") == one.unit
    assert links.hearers("operator/outcome") == links.hearers("alarm/link_lost-site") == ("crew",)
    assert links.sender("operator/command") == "crew" and links.hearers(f"enclosure/{one.id}/state") == ()


def test_what_the_live_plant_sends_is_befallen_too(broker: Broker) -> None:
    plant = Plant(small_site(), 1, crew=IDLE, assumptions=STILL)
    unit = plant.spec.units[0]
    network = Network(plant.spec.units, [Fault("messages_late", unit, 0.0, 1000.0, 40.0)], 1, plant.now_s)
    bus, peer = PlantOnMqtt(plant, broker.host, broker.port, network), Peer(broker)
    peer.subscribe(f"stillhold/small/hardware/{unit}/status")
    bus.start()
    start_s = plant.now_s

    def online() -> bool:
        bus.wait(0.01)
        bus.step(plant.now_s)
        return any(json.loads(payload)["online"] for _, payload, kept in list(peer.heard) if not kept)

    try:
        for name, link in bus._links.items():
            assert poll(lambda link=link: link.client.is_connected(), within_s=10.0), name
        bus.step(start_s + 10.0)
        bus.step(start_s + 49.0)
        assert not online(), "all that it said is still under way"
        bus.step(start_s + 51.0)
        assert poll(online, within_s=10.0)
    finally:
        bus.close()
        peer.close()
