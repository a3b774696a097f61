"""What is drawn from the seed before a season: the crew's plan, the faults, and what they reach."""

import tomllib

import pytest
from inprocess import EXAMPLE, example
from rehearsalkit import SITE

from simulator.faults import targets_of
from simulator.kinds import Fault, FaultError
from simulator.library import LIBRARY, possible
from simulator.sitefile import read_site
from supervisor.rehearsal.cadence import pace_of
from supervisor.rehearsal.reach import reach
from supervisor.rehearsal.schedules import DAY_S, checked, scheduled
from supervisor.rehearsal.season import plan
from supervisor.settings import SiteFile

RAW = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
WHOLE, SMALL = SiteFile.model_validate(RAW), SiteFile.model_validate(tomllib.loads(SITE))
SPEC = read_site(RAW)


@pytest.mark.parametrize("days", [1.0, 2.0, 10.0, 100.0])
def test_every_enclosure_is_sealed_in_time_and_what_is_opened_is_sealed_again(days):
    plans = plan(WHOLE, 7, days)
    assert list(plans) == list(WHOLE.enclosures)
    first_s = sorted(fillings[0].seal_s for fillings in plans.values())
    assert first_s[-1] <= max(0.25, 0.2 * days + 0.5) * DAY_S
    assert min(later - earlier for earlier, later in zip(first_s, first_s[1:], strict=False)) >= 300.0, "one crew"
    for fillings in plans.values():
        for one, following in zip(fillings, fillings[1:], strict=False):
            assert one.keep_s is not None and following.seal_s >= one.seal_s + one.keep_s + one.empty_s - 1e-6
        assert all(one.seal_s + (one.keep_s or 0.0) < days * DAY_S for one in fillings)
    assert any(one.keep_s is not None for fillings in plans.values() for one in fillings), "something is opened in any season"


def test_an_enclosure_is_kept_alike_whatever_else_the_site_has():
    alone, among = plan(SMALL, 3, 100.0), plan(WHOLE, 3, 100.0)
    assert [one.keep_s for one in alone["s1"]][:1] == [one.keep_s for one in among["s1"]][:1]
    assert plan(WHOLE, 3, 100.0) == among != plan(WHOLE, 4, 100.0)


def test_a_harsh_season_has_every_kind_of_fault_that_the_site_can_have():
    faults = scheduled("harsh", SPEC, 1, 100.0)
    assert {one.name for one in faults} == set(possible(targets_of(SPEC)))
    assert len(faults) == 100 and faults == sorted(faults, key=lambda one: one.start_s)
    assert all(2 * DAY_S <= one.start_s < one.end_s < 100 * DAY_S for one in faults)
    assert scheduled("harsh", SPEC, 1, 100.0) == faults != scheduled("harsh", SPEC, 2, 100.0)


def test_a_calm_season_has_none_and_a_usual_one_few():
    assert scheduled("calm", SPEC, 1, 100.0) == []
    assert len(scheduled("usual", SPEC, 1, 100.0)) == 25 and len(scheduled("usual", SPEC, 1, 1.0)) == 1
    assert len(scheduled("harsh", SPEC, 1, 2.0)) == 8


def test_faults_that_the_site_cannot_have_are_refused_before_anything_runs(tmp_path):
    path = tmp_path / "faults.toml"
    for target, start_s, words in (("n9", 0.0, "'n9' is no enclosure"), ("n1", 2 * DAY_S, "after the season's end")):
        path.write_text(f'[[fault]]\nname = "leak"\ntarget = "{target}"\nstart_s = {start_s}\nsize = 1.0\n')
        with pytest.raises(FaultError, match=words):
            checked(str(path), SPEC, 1, 1.0)


@pytest.mark.parametrize(
    ("name", "target", "enclosures", "rooms"),
    [
        ("leak", "n1", {"n1"}, {"north"}),
        ("hose_off", "s1/co2", {"s1"}, {"south"}),
        ("sensor_silent", "south/south-door", {"s1", "s2", "s3", "s4", "s5", "s6"}, {"south"}),
        ("analyser_dead", "analyser-1", set(WHOLE.enclosures), {"north", "south"}),
        ("line_leak", "analyser-1/line-02", {"n2"}, {"north"}),
        ("line_leak", "analyser-1/gas-zero", set(), set()),
        ("source_off", "bank", set(WHOLE.enclosures), {"north", "south"}),
        ("calibration_gas_empty", "zero-n2", set(WHOLE.enclosures), {"north", "south"}),
        ("unit_off", "gateway-north", {"n1", "n2", "n3", "n4", "n5", "n6"}, {"north"}),
        ("co2_release", "north", {"n1", "n2", "n3", "n4", "n5", "n6"}, {"north"}),
    ],
)
def test_what_a_fault_reaches(name, target, enclosures, rooms):
    found = reach(WHOLE, Fault(name, target, 0.0, 1.0))
    assert (set(found.enclosures), set(found.rooms)) == (enclosures, rooms)


def test_every_kind_reaches_something_known():
    for kind in LIBRARY.values():
        for target in sorted(targets_of(SPEC).get(kind.on, ()))[:3]:
            found = reach(WHOLE, Fault(kind.name, target, 0.0, 1.0))
            assert set(found.enclosures) <= set(WHOLE.enclosures) and set(found.rooms) <= set(WHOLE.rooms)


def test_the_hardware_speaks_twice_within_each_limit_of_the_site_file():
    text = example("n1").replace("air_age_s_max = 30 ", "air_age_s_max = 12 ")
    for site in (WHOLE, SiteFile.model_validate(tomllib.loads(text))):
        pace, timing = pace_of(site), site.timing
        assert pace.cadence.air_s <= timing.air_age_s_max / 2 and pace.cadence.status_s <= timing.unit_silence_s_max / 2
        assert pace.step_s <= timing.permit_valid_s / 3 and pace.hear_s <= timing.clock_offset_s_max / 2
