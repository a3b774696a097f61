"""The plant as a whole: deterministic, speaking the contract, importing nothing of the supervisor."""

import ast
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sim_plants import Hand, small, small_site

import simulator
from simulator.clock import ScaledClock
from simulator.scheduler import Scheduler
from simulator.site import Plant
from simulator.sitefile import SiteFileError, load_site, read_site
from simulator.stamp import to_ms, to_text
from supervisor.messages import INBOUND

HERE = Path(simulator.__file__).parent
EXAMPLE = HERE.parent / "config" / "quillfen.toml"


def example() -> dict[str, Any]:
    return tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))


def story(plant: Plant, step_s: float) -> list[tuple[str, dict[str, Any], bool]]:
    """Half an hour with permits, doses and samples, moved on in steps of a size."""
    hand = Hand(plant)
    for minute in range(30):
        for room in ("north", "south"):
            hand.permit(room=room)
        hand.ask(f"n{minute}", "n1/nitrogen", 40.0)
        hand.ask(f"c{minute}", "s1/co2", 10.0)
        hand.give("sampling/analyser-1/select", request_id="s", line=f"line-{minute % 12 + 1:02d}", valid_until=hand.at(59.0))
        end_s = hand.plant.now_s + 60.0
        while hand.plant.now_s < end_s:
            hand.go(min(step_s, end_s - hand.plant.now_s))
    return hand.said


def test_same_seed_same_bytes_and_however_time_is_cut() -> None:
    one, other, cut = (json.dumps(story(Plant(example(), 7), step_s)).encode() for step_s in (60.0, 60.0, 0.7))
    assert one == other == cut


def test_another_seed_another_noise_and_other_leaks() -> None:
    one, other = Plant(example(), 7), Plant(example(), 8)
    assert story(one, 60.0) != story(other, 60.0)
    assert one.enclosures["n1"].leak_nl_min != other.enclosures["n1"].leak_nl_min


def test_everything_that_is_said_validates_against_the_supervisors_contract() -> None:
    patterns = [(re.compile(re.sub(r"\{\w+\}", "[^/]+", model.TOPIC)), model) for model in INBOUND]
    seen = set()
    for topic, payload, retain in story(Plant(example(), 7), 60.0):
        model = next(model for pattern, model in patterns if pattern.fullmatch(topic))
        model.model_validate_json(json.dumps(payload))
        assert retain == model.RETAINED, topic
        seen.add(model.__name__)
    assert seen == {model.__name__ for model in INBOUND}


def test_a_pull_down_by_messages_alone_reaches_three_and_eighteen() -> None:
    """Nitrogen first, CO2 last, in the published proportions (1.7451 V and 0.1985 V from 20.95 %).

    The bag first takes 60 nl, then passes on as much as it gets: 60 + 1260 ln(20.946 / 1.05 / 3.6585) nl of nitrogen.
    """
    site = small_site()
    site["source"][1]["stock_kg"], site["source"][0]["o2_pct"] = 5.0, 0.0
    hand = small(site=site)
    for gas, flow_nl_min, volume_nl in (("nitrogen", 50.0, 60.0 + 1260.0 * 1.6964), ("co2", 20.0, 1260.0 * 0.1985)):
        number, left_nl = 0, volume_nl
        while left_nl > 1e-6:
            dose_nl = min(40.0, left_nl)
            number, left_nl = number + 1, left_nl - dose_nl
            hand.permit()
            hand.ask(f"{gas}-{number}", f"a/{gas}", dose_nl)
            hand.hold(60.0 * dose_nl / flow_nl_min + 0.01)
            assert hand.reports(f"{gas}-{number}", f"a/{gas}")[-1][:2] == ("delivered", pytest.approx(dose_nl, abs=1e-3))
        if gas == "nitrogen":
            assert hand.plant.gas("a")[0] == pytest.approx(3.6585, abs=2e-3)
    assert hand.plant.gas("a") == pytest.approx((3.0, 18.0), abs=0.02)
    assert hand.plant.enclosures["a"].fill_pct == pytest.approx(105.0)


def test_the_hardware_speaks_at_the_agreed_pace() -> None:
    hand = Hand(Plant(example(), 1))
    hand.to(600.0)
    pace = {
        "hardware/gateway-north/status": 10,
        "analyser/analyser-1/reading": 5,
        "room/north/air/north-door": 5,
        "room/south/climate": 60,
        "enclosure/n1/pulp": 60,
        "enclosure/s6/bag": 60,
        "dosing/s6/air/flow": 60,
        "source/bank/status": 30,
    }
    for topic, period_s in pace.items():
        assert len(hand.on(topic)) in (600 // period_s, 600 // period_s + 1), topic


def test_the_simulator_imports_nothing_of_the_supervisor() -> None:
    for file in HERE.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(name.split(".")[0] == "supervisor" for name in names), file.name


def test_nothing_in_the_plant_asks_a_clock_or_chance_of_the_machine() -> None:
    outside = {"mqtt.py", "cli.py", "clock.py", "__main__.py"}
    for file in HERE.glob("*.py"):
        text = file.read_text(encoding="utf-8")
        assert file.name in outside or not re.search(r"\bimport time\b|\bnow\(\)|random\.(gauss|random|uniform)\(", text)


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.integers(10**300, 10**400)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["x", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59Z", "2026-03-01T00:00:30Z", "la"]),
    lambda inner: st.lists(inner, max_size=2),
    max_leaves=3,
)
KEYS = [
    "request_id",
    "epoch",
    "volume_nl",
    "max_flow_nl_min",
    "valid_until",
    "source",
    "dosing_permitted",
    "air_permitted",
    "line",
    "command_id",
    "accepted",
    "alarm",
    "occurrence",
    "state",
]
TOPICS = [
    "dosing/a/nitrogen/request",
    "dosing/a/co2/stop",
    "room/r/permit",
    "sampling/an/select",
    "operator/outcome",
    "alarm/x",
    "",
    "dosing",
    "//",
]
GOOD = {
    "request_id": "x",
    "epoch": 1,
    "volume_nl": 5.0,
    "max_flow_nl_min": 20.0,
    "valid_until": "2026-03-01T00:00:30Z",
    "dosing_permitted": True,
    "air_permitted": True,
    "line": "la",
}


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(TOPICS), st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=3), st.booleans()),
        max_size=12,
    )
)
def test_no_message_breaks_the_plant(messages: list[tuple[str, dict[str, Any], bool]]) -> None:
    """Good messages with up to three keys spoiled: whatever comes, the plant goes on and says only valid JSON."""
    hand = small()
    hand.permit()
    for topic, spoiled, retained in messages:
        hand.plant.deliver(topic, json.dumps({**GOOD, **spoiled}).encode(), retained)
        hand.go(7.0)
    hand.go(120.0)
    json.dumps(hand.said, allow_nan=False)
    assert not hand.plant.valves["a/nitrogen"].open
    assert 0.0 <= hand.plant.gas("a")[0] <= 21.0


def test_a_site_file_that_lacks_something_is_named(tmp_path: Path) -> None:
    with pytest.raises(SiteFileError, match="none.toml"):
        load_site(tmp_path / "none.toml")
    for spoil, named in (
        (lambda s: s.pop("site"), "[site]"),
        (lambda s: s["room"][0].pop("volume_m3"), "volume_m3"),
        (lambda s: s["enclosure"][1].update(free_volume_nl="big"), "[[enclosure]] b"),
        (lambda s: s.update(source=3), "source"),
    ):
        site = small_site()
        spoil(site)
        with pytest.raises(SiteFileError, match=re.escape(named)):
            read_site(site)


def test_the_root_is_the_sites_or_as_given() -> None:
    site = small_site()
    assert read_site(site).root == "stillhold/small"
    site["site"]["topic_root"] = "yard/7"
    assert read_site(site).root == "yard/7"


def test_instants_go_there_and_back() -> None:
    for unix_ms in (0, 1_772_323_200_000, 1_772_323_199_999, 951_782_400_123):
        assert to_ms(to_text(unix_ms)) == unix_ms
    assert to_text(951_782_400_123) == "2000-02-29T00:00:00.123Z"
    assert to_ms("2000-02-29T02:00:00.123+02:00") == 951_782_400_123
    for bad in ("2000-02-29T00:00:00", "yesterday", 12, None):
        with pytest.raises(ValueError, match="instant|isoformat"):
            to_ms(bad)


def test_scaled_clocks_that_share_start_and_speed_agree() -> None:
    real = 1000.0
    first = ScaledClock(900.0, 60.0, steady=lambda: real + 5.0, wall=lambda: real)
    assert first.now_s() == pytest.approx(900.0 + 100.0 * 60.0)
    real = 1001.0
    second = ScaledClock(900.0, 60.0, steady=lambda: real - 700.0, wall=lambda: real)
    assert first.now_s() == pytest.approx(900.0 + 101.0 * 60.0) == second.now_s()
    for speed in (0.0, -1.0, float("nan"), 1e7):
        with pytest.raises(ValueError, match="--speed"):
            ScaledClock(0.0, speed)


def test_the_scheduler_keeps_time_and_order() -> None:
    scheduler, done = Scheduler(100), []
    scheduler.at(200, lambda: done.append("b"))
    scheduler.at(150, lambda: (done.append("a"), scheduler.at(0, lambda: done.append("late")))[0])
    scheduler.at(200, lambda: done.append("c"))
    scheduler.run_until(199)
    assert done == ["a", "late"] and scheduler.now_ms == 199
    scheduler.run_until(200)
    scheduler.run_until(50)
    assert done == ["a", "late", "b", "c"] and scheduler.now_ms == 200
