"""What a look at an enclosure is worth: how much one second without it costs now.

The measure is an enclosure that stands still: a pull-down that waits for this sample and nothing else, with none to come
after it, loses a second each second and counts 1. Divided by what the visit takes, this is the order that loses least
among things that wait (W. E. Smith 1956, from memory: cost of waiting over time of service).
"""

from supervisor.core import alarms, decide, ledger
from supervisor.core.balance import Mixture, feed_of, swept
from supervisor.core.desk import Desk
from supervisor.core.sample_bound import sampled_mono_s, unseen
from supervisor.core.state import Enclosure, Sample
from supervisor.core.supply import DOSE_NL_MIN
from supervisor.core.venting import GOOD_SAMPLES

# A pull-down that still has samples and gas to come is held up less by one of them than the one that is nearly done.
FIRST, MIDDLE, LAST = 0.5, 0.6, 1.0
CHECK = 0.4  # a pull-down whose nitrogen has not been seen to arrive
CHECK_V = 0.15  # volumes of nitrogen from which on that would show
CHECK_FALL_PCT = 1.0  # and the fall of oxygen that shows it
CHECK_AGAIN, CHECK_AGAIN_V = 0.05, 0.2  # and of one where it arrived: a hose may come off later, but only an idle analyser asks
CHECK_OFF, CHECK_OFF_V = 1.0, 0.05  # and of one that did not follow its plan at its last look
GROWS_S = 900.0  # what waits so long counts double, so that of two alike the older goes first
AFTER_S = 10.0  # after a dose's reckoned end, how long until it has surely ended and was reported
STILL_S = 120.0  # after a sample that led to no gas, the next is worth something only so much later
VENT_STILL_S = 300.0  # a vented enclosure is opened on a sample that is not older than some minutes
HELD_STILL_S = 300.0  # a held enclosure decides no more often than this
UNKNOWN_BANDS_H = 0.4  # how fast a held gas is taken to leave its band when nothing is known of it: bands an hour
UNKNOWN_BANDS_MAX = 0.4  # and no further than this without a sign of it
NEW_BANDS_H = 1.0  # just pulled down, CO2 goes into the fruit: nobody knows yet how fast
DOSE_ERROR = 0.2  # the share of a dose's effect that may turn out otherwise
WORTH_A_LOOK = 0.2  # bands of doubt from which a held enclosure is looked at
SUSPECT = 2.0  # how much faster an enclosure with one of these alarms is taken to drift
SUSPICIOUS = (
    "unexplained_move", "no_response", "pulldown_off_plan", "pulldown_spent", "out_of_band", "o2_below_floor",
    "co2_above_ceiling", "dose_failing",
)  # fmt: skip


def cost_of_waiting(desk: Desk, name: str, ahead_s: float) -> float:
    """What a second without a sample costs; 0 when a look is worth nothing yet. A sample asked for now is of the gas that
    leaves the enclosure `ahead_s` from now.
    """
    kept = desk.state.enclosures[name]
    if unseen(desk, kept):
        return FIRST * _grown(desk.now.mono_s - sampled_mono_s(desk, kept))
    if kept.doubt:  # nothing is given until a second look shows what is true
        return MIDDLE * _grown(desk.now.mono_s - sampled_mono_s(desk, kept))
    if kept.state in ("pulling_down", "venting") and kept.sample is not None:
        waiting = _waiting(desk, name, kept, kept.sample, ahead_s)
        if waiting > 0.0:
            return waiting
    doubt = min(1.0, bands_in_doubt(desk, name, ahead_s))
    return doubt * doubt if doubt >= WORTH_A_LOOK else 0.0


def settled_mono_s(desk: Desk, name: str) -> float | None:
    """When everything that was decided will be in: flow and what is left are known. None when it waits for something else
    than time (a permit, a source, its turn).
    """
    kept, flows = desk.state.enclosures[name], desk.site.enclosures[name].flow_nl_min_max
    left = {gas: nl for gas, nl in kept.wanted_nl.items() if nl >= DOSE_NL_MIN}
    open_doses = ledger.open_doses(desk, name)
    if left and not open_doses:
        return None
    ends = [min(one.until_mono_s, one.asked_mono_s + 60.0 * one.volume_nl / one.flow_nl_min) for one in open_doses]
    ends += [one.closed_mono_s for one in kept.doses.values() if one.closed_mono_s is not None]
    return max([kept.since_mono_s, *ends]) + sum(60.0 * nl / flows.of(gas) for gas, nl in left.items())


def _waiting(desk: Desk, name: str, kept: Enclosure, sample: Sample, ahead_s: float) -> float:
    """A pull-down or a vent that has its gas and waits to be told what it did."""
    if kept.state == "pulling_down" and (checked := _worth_a_check(desk, name, kept, sample)) > 0.0:
        return checked
    settled = settled_mono_s(desk, name)
    if settled is None:
        return 0.0
    venting = kept.state == "venting"
    if settled <= sample.taken_mono_s:  # nothing was given since: only time can have changed anything
        nearly = not venting or kept.breathable_samples == GOOD_SAMPLES - 1
        settled = sample.taken_mono_s + (STILL_S if nearly else VENT_STILL_S)
    early_s = settled + AFTER_S - desk.now.mono_s - ahead_s
    if early_s > 0.0:
        return 0.0
    if venting:
        return (LAST if kept.breathable_samples else MIDDLE) * _grown(-early_s)
    return (LAST if _has_its_co2(kept, sample) else MIDDLE) * _grown(-early_s)


def _worth_a_check(desk: Desk, name: str, kept: Enclosure, sample: Sample) -> float:
    """Whether so much nitrogen has gone in since the sample that it should be seen to arrive: a hose that is off must show
    within minutes and not when all the gas is in the room. Little is enough as long as no pair of samples has shown it.
    """
    if kept.phase != "nitrogen":
        return 0.0
    before, volume_nl = kept.before, desk.site.enclosures[name].free_volume_nl
    fall_pct = before.o2_pct - sample.o2_pct if before is not None and before.taken_mono_s >= kept.since_mono_s else 0.0
    given_nl = sum(nl for gas, nl in ledger.given_nl(desk, name, sample.taken_mono_s) if gas == "nitrogen")
    if kept.off_plan:
        return CHECK_OFF if given_nl >= CHECK_OFF_V * volume_nl else 0.0
    if fall_pct >= CHECK_FALL_PCT:
        return CHECK_AGAIN if given_nl >= CHECK_AGAIN_V * volume_nl else 0.0
    return CHECK if given_nl >= CHECK_V * volume_nl else 0.0


def _has_its_co2(kept: Enclosure, sample: Sample) -> bool:
    """Whether CO2, which comes last, was given since the sample: the next one can end the pull-down."""
    return kept.phase != "nitrogen" or any(
        dose.gas == "co2" and dose.asked_mono_s >= sample.taken_mono_s for dose in kept.doses.values()
    )


def _grown(waited_s: float) -> float:
    return 1.0 + max(0.0, waited_s) / GROWS_S


# ------------------------------------------------------------------------------------------------ drift


def bands_in_doubt(desk: Desk, name: str, ahead_s: float) -> float:
    """How far a gas may have strayed unseen, in bands of its recipe: by time, by the drift that was learned or seen, and by
    what was given since the sample.
    """
    kept = desk.state.enclosures[name]
    seen_mono_s = max(sampled_mono_s(desk, kept), kept.visited_mono_s or 0.0)
    hours = (desk.now.mono_s - seen_mono_s) / 3600.0
    suspect = any(one in SUSPICIOUS for one in alarms.problems(desk, name))
    unknown = hours * UNKNOWN_BANDS_H * (SUSPECT if suspect else 1.0)
    if not suspect:
        unknown = min(unknown, UNKNOWN_BANDS_MAX)
    if kept.state != "holding" or kept.sample is None or hours * 3600.0 < HELD_STILL_S:
        return unknown
    return unknown + hours * drift_bands_h(desk, name) + _dose_in_doubt(desk, name, kept, kept.sample, ahead_s)


def drift_bands_h(desk: Desk, name: str) -> float:
    """How fast a held gas moves by itself, in bands an hour: what its loop has learned to stand against, or what showed
    between its last two visits when that is more.
    """
    kept, recipe = desk.enclosure(name)
    o2_pct_h, co2_pct_h = abs(kept.o2_loop.integral_pct_h), abs(kept.co2_loop.integral_pct_h)
    before, sample = kept.before, kept.sample
    if before is None or sample is None or before.taken_mono_s < kept.since_mono_s:
        seen = Mixture(NEW_BANDS_H * recipe.o2_band_pct, NEW_BANDS_H * recipe.co2_band_pct)
    else:
        seen = _seen_pct_h(desk, name, before, sample)
    return max(max(o2_pct_h, seen.o2_pct) / recipe.o2_band_pct, max(co2_pct_h, seen.co2_pct) / recipe.co2_band_pct)


def _seen_pct_h(desk: Desk, name: str, before: Sample, sample: Sample) -> Mixture:
    """What moved between two samples and no dose explains, percent an hour."""
    hours = (sample.taken_mono_s - before.taken_mono_s) / 3600.0
    if hours * 3600.0 < HELD_STILL_S:
        return Mixture(0.0, 0.0)
    late = dict.fromkeys(("nitrogen", "co2", "air"), 0.0)
    for gas, nl in ledger.given_nl(desk, name, sample.taken_mono_s):
        late[gas] += nl
    there = Mixture(before.o2_pct, before.co2_pct)
    for gas, nl in ledger.given_nl(desk, name, before.taken_mono_s):
        since_nl = min(late[gas], nl)
        late[gas] -= since_nl
        feed = feed_of(gas, decide.nitrogen_o2_pct(desk, name))
        there = swept(there, feed, nl - since_nl, desk.site.enclosures[name].free_volume_nl)
    return Mixture(abs(sample.o2_pct - there.o2_pct) / hours, abs(sample.co2_pct - there.co2_pct) / hours)


def _dose_in_doubt(desk: Desk, name: str, kept: Enclosure, sample: Sample, ahead_s: float) -> float:
    """What was given since the sample, once it is in, may have done more or less than was reckoned."""
    settled, recipe = settled_mono_s(desk, name), desk.site.recipe_of(name)
    if settled is None or settled > desk.now.mono_s + ahead_s or settled <= sample.taken_mono_s:
        return 0.0
    here = decide.projected(desk, name, sample)
    o2_pct, co2_pct = abs(here.o2_pct - sample.o2_pct), abs(here.co2_pct - sample.co2_pct)
    return DOSE_ERROR * max(o2_pct / recipe.o2_band_pct, co2_pct / recipe.co2_band_pct)
