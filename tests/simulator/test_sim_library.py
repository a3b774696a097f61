"""The library of faults: every row can be drawn, stands within its own limits, and says in words what is wrong."""

import random
from pathlib import Path

import pytest
from sim_plants import small, small_site

from simulator.cli import run
from simulator.faults import Fault, FaultError, targets_of
from simulator.kinds import Kind, Size, table
from simulator.library import LIBRARY, drawn, kind_of, possible, sentence
from simulator.network_faults import NETWORK
from simulator.sitefile import read_site

EXAMPLE = Path(__file__).resolve().parents[2] / "config" / "quillfen.toml"
TARGETS = targets_of(read_site(small_site()))


@pytest.mark.parametrize("name", LIBRARY)
def test_what_is_drawn_is_within_the_limits_differs_by_seed_and_repeats(name: str) -> None:
    faults = [drawn(name, TARGETS, random.Random(seed), 100.0) for seed in range(40)]
    assert faults == [drawn(name, TARGETS, random.Random(seed), 100.0) for seed in range(40)]
    assert len(set(faults)) > 30
    kind = kind_of(name)
    for fault in faults:
        kind.refuse(fault, TARGETS[kind.on])
        assert kind.usual_s[0] * 0.999 <= fault.end_s - fault.start_s <= kind.usual_s[1] * 1.001
        assert fault.start_s == 100.0
    if kind.size is not None:
        assert min(abs(one.size) for one in faults) >= 0.999 * min(abs(one) for one in kind.size.usual)
        assert max(abs(one.size) for one in faults) <= 1.001 * max(abs(one) for one in kind.size.usual)
    small(faults=faults[:1])


@pytest.mark.parametrize("name", LIBRARY)
def test_every_sentence_names_what_is_wrong_where_and_how_much(name: str) -> None:
    kind = kind_of(name)
    for target in TARGETS[kind.on]:
        said = sentence(Fault(name, target, size=0.25))
        assert all(half in said for half in target.replace("+", "/").split("/")), said
        assert (kind.size is None) or "0.25" in said, said
        assert said[0].isupper() or said.startswith("0.25"), said
        assert "{" not in said and not said.endswith("."), said


def test_each_way_of_drawing() -> None:
    def sizes(*usual: float, drawn: str) -> list[float]:
        kind = Kind("x", "room", "x {target}", (1.0, 2.0), Size("x", -9e9, 9e9, usual, drawn))  # type: ignore[arg-type]
        rng = random.Random(1)
        return [kind.draw(["r"], rng, 0.0).size for _ in range(400)]

    assert set(sizes(1.0, 5.0, 7.0, drawn="one_of")) == {1.0, 5.0, 7.0}
    evenly = sizes(1.0, 101.0, drawn="evenly")
    assert sum(one < 51.0 for one in evenly) == pytest.approx(200, abs=40)
    by_ratio = sizes(1.0, 100.0, drawn="by_ratio")
    assert sum(one < 10.0 for one in by_ratio) == pytest.approx(200, abs=40)
    signed = sizes(1.0, 100.0, drawn="either_sign")
    assert sum(one < 0.0 for one in signed) == pytest.approx(200, abs=40) and min(map(abs, signed)) >= 1.0


def test_a_site_without_a_target_has_no_such_fault() -> None:
    bare = {**TARGETS, "calibration gas": set()}
    assert set(possible(TARGETS)) == set(LIBRARY)
    assert set(LIBRARY) - set(possible(bare)) == {name for name, one in LIBRARY.items() if one.on == "calibration gas"}
    with pytest.raises(FaultError, match="calibration_gas_empty: this site has no calibration gas"):
        drawn("calibration_gas_empty", bare, random.Random(1), 0.0)
    with pytest.raises(FaultError, match="gremlin"):
        drawn("gremlin", TARGETS, random.Random(1), 0.0)


def test_a_name_that_comes_twice_is_refused() -> None:
    one = Kind("x", "room", "x", (1.0, 2.0))
    with pytest.raises(ValueError, match="one name"):
        table(one, one)


def test_the_list_for_a_site_has_every_fault_with_its_targets_and_sizes(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([str(EXAMPLE), "--list-faults"]) == 0
    said = capsys.readouterr().out
    assert [line for line in said.splitlines() if not line.startswith(" ")] == [*LIBRARY, *NETWORK]
    assert "target: valve: n1/air, n1/co2, n1/nitrogen and 33 more" in said
    assert "size: share of its flow that is left; 0 to 1, usually 0.1, 0.7" in said


def test_a_plant_tells_of_each_fault_when_it_begins_and_ends_and_of_what_comes_with_it() -> None:
    told: list[str] = []
    hand = small(
        faults=[Fault("power_cut_room", "r", 10.0, 20.0)],
        tell=lambda fault, stands: told.append(f"{'begins' if stands else 'ends'}: {sentence(fault)}"),
    )
    hand.to(15.0)
    assert told[-1].startswith("begins: Room r has no power") and "begins: Unit u has no power" in told
    hand.to(30.0)
    assert len(told) == 2 * len(set(one.partition(": ")[2] for one in told))
