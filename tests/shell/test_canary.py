"""A broker that lets through what nobody may say is found out at each new link, and told once it is one no more."""

from pathlib import Path

from shellkit import StillClock
from toy import SITE, MemoryBroker, Rig

from supervisor.shell.canary import Canary


def rig_with_canary(folder: Path, broker: MemoryBroker) -> Rig:
    rig = Rig(folder, broker, StillClock())
    rig.loop.canary = Canary(SITE, "i1")
    rig.loop.begin()
    return rig


def test_a_canary_that_comes_back_is_a_trouble_and_no_message(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = rig_with_canary(tmp_path, broker)
    rig.loop.turn()
    sent = [(topic, payload) for topic, payload, retained in broker.published if topic.startswith(f"{SITE.root}/canary/")]
    assert len(sent) == 1 and ("broker_open", False) in rig.engine.troubles
    broker.say(*sent[0])
    rig.loop.turn()
    assert rig.engine.troubles[-1] == ("broker_open", True)
    assert not [row for _, row in rig.journal.inputs_after(0) if "canary" in row.topic]
    rig.die()


def test_each_new_link_is_tried_anew(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = rig_with_canary(tmp_path, broker)
    rig.loop.turn()
    broker.say(*[one[:2] for one in broker.published if "/canary/" in one[0]][0])
    rig.loop.turn()
    rig.bus.down = True
    rig.loop.turn()
    rig.bus.down = False
    rig.loop.turn(), rig.loop.turn()
    assert len([topic for topic, _, _ in broker.published if "/canary/" in topic]) == 2
    assert rig.engine.troubles[-1] == ("broker_open", False)
    rig.die()


def test_without_a_gate_nothing_is_tried(tmp_path: Path) -> None:
    broker = MemoryBroker()
    rig = Rig(tmp_path, broker, StillClock())
    rig.run_until_quiet()
    assert not [topic for topic, _, _ in broker.published if "canary" in topic]
    assert "broker_open" not in [trouble for trouble, _ in rig.engine.troubles]
    rig.die()
