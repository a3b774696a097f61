"""Room air at the selector valve while enclosures are pulled down: samples read too much oxygen, and no fruit pays for it."""

from inprocess import InProcess, acts, example

from simulator.faults import Fault

HOUR_S = 3600.0
FRUIT_PCT = 0.4  # what the fruit itself may have used up meanwhile, which the volumes know nothing of


def test_no_enclosure_is_purged_below_its_floor_by_samples_that_hold_room_air() -> None:
    leak = Fault("analyser_selector_leak", "analyser-1", 900.0, 900.0 + 2.5 * HOUR_S, 0.2)
    site = InProcess(example("n1", "n2", "s1"), crew=acts((180, "seal", "n1"), (420, "seal", "n2"), (660, "seal", "s1")),
                     faults=[leak])  # fmt: skip
    lowest = dict.fromkeys(site.site.enclosures, 100.0)
    for minute in range(1, int(5 * 60)):
        site.run_to(60.0 * minute)
        for name in lowest:
            lowest[name] = min(lowest[name], site.plant.gas(name)[0])
    floors = {name: site.site.recipe_of(name).o2_floor_pct - FRUIT_PCT for name in lowest}
    assert all(lowest[name] >= floors[name] for name in lowest), lowest
    raised = {str(one.figures["alarm"]).split("-")[0] for one in site.events("alarm_raised")}
    assert raised & {"pulldown_spent", "analyser_untrue", "line_suspect"}, raised
