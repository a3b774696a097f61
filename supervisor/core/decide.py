"""What gas an enclosure should get, decided once on each new sample. How it is given is `dosing`'s affair.

Every decision starts from the sample plus all that was given, or may have been, since it was taken.
"""

from supervisor.core import alarms, ledger, pulldown, reckoning, regulation, sources, venting
from supervisor.core.allocator import allocate
from supervisor.core.balance import Mixture, Unreachable, feed_of, swept
from supervisor.core.desk import Desk
from supervisor.core.enclosure import GASES_OF
from supervisor.core.reasons import Why, span
from supervisor.core.state import Enclosure, Sample
from supervisor.core.supply import DOSE_NL_MIN
from supervisor.core.transitions import trigger
from supervisor.core.tuning import holding_gains
from supervisor.settings import Recipe
from supervisor.values import GASES, Gas

SETPOINT_SHARE = 0.5  # a pull-down has arrived when both gases are within this share of their bands
DEADBAND_SHARE = 0.15  # inside this share of the band the sample's noise is not an error
NITROGEN_SHARE = 0.5  # how far into the upper half of its band a held oxygen may be left to the fruit
LEAST_V = 0.02  # volumes of a gas that are not worth a step of a pull-down
CHECK_V = 0.2  # volumes of nitrogen left open until one more sample has confirmed the decay
AHEAD_V = 0.8  # the most that is given ahead of a sample while pulling down
OFF_PLAN = (0.6, 1.7)  # apparent over known volume, outside of which the pull-down does not follow its plan
OFF_PLAN_DROP_PCT = 1.0  # a fall of oxygen smaller than this tells nothing about the volume
# How far apart, by sample time, two decisions are at least. A vent's are apart far enough to count as two samples.
BETWEEN_S = {"filling": 0.0, "pulling_down": 30.0, "holding": 300.0, "venting": 60.0, "faulted": 60.0}
INTERVAL_S_RANGE = (600.0, 5400.0)


def on_sample(desk: Desk, name: str) -> None:
    """Decides for one enclosure, if its newest sample is one that nothing was decided on yet."""
    kept, recipe = desk.enclosure(name)
    sample = kept.sample
    if sample is None or not_yet(desk, kept, sample) is not None:
        return
    if kept.decided_mono_s is not None and sample.taken_mono_s - kept.decided_mono_s < BETWEEN_S[kept.state]:
        return  # the later readings of a visit keep the sample young and are not worth a decision each
    _say_limits(desk, name, sample, recipe)
    if kept.state == "pulling_down":
        _pull_down(desk, name, kept, recipe, sample)
    elif kept.state == "holding":
        _hold(desk, name, kept, recipe, sample)
    elif kept.state == "venting":
        _vent(desk, name, kept, sample)
    kept.decided_mono_s = sample.taken_mono_s


def not_yet(desk: Desk, kept: Enclosure, sample: Sample) -> Why | None:
    """Why a sample says nothing about now: it is from before the start, or from before this state."""
    if sample.taken_mono_s < desk.state.trusted_mono_s:
        return Why("before_start", "its last sample is from before the start, or before the clock jumped")
    if sample.taken_mono_s < kept.since_mono_s:
        return Why("before_state", f"its last sample is from before it was {kept.state.replace('_', ' ')}")
    return None


def tell_standing(desk: Desk, name: str) -> None:
    """Why nothing at all is to be given, for whoever listens; nothing is told where something is wanted or runs."""
    kept = desk.state.enclosures[name]
    if not GASES_OF[kept.state]:
        filling = "filling: it is open to people"
        words = filling if kept.state == "filling" else f"faulted until a person has found and reset it: {kept.fault_reason}"
        desk.tell("not_given", name, None, Why("state", words))
    elif kept.sample is None:
        desk.tell("not_given", name, None, Why("no_sample", "no sample of it has come yet"))
    elif (why := not_yet(desk, kept, kept.sample)) is not None:
        desk.tell("not_given", name, None, why)
    elif not kept.running and all(nl <= 0.0 for nl in kept.wanted_nl.values()):
        desk.tell("not_given", name, None, Why("given", "nothing more is wanted until the next decision"))


def projected(desk: Desk, name: str, sample: Sample) -> Mixture:
    """Where the gas stands once everything that was given since the sample, or may have been, is in."""
    volume_nl = desk.site.enclosures[name].free_volume_nl
    gas_now = Mixture(sample.o2_pct, sample.co2_pct)
    for gas, fed_nl in ledger.given_nl(desk, name, sample.taken_mono_s):
        gas_now = swept(gas_now, feed_of(gas, nitrogen_o2_pct(desk, name)), fed_nl, volume_nl)
    return gas_now


def nitrogen_o2_pct(desk: Desk, name: str) -> float:
    """The nitrogen's residual oxygen: what the source says now, else what the site file says. While it is off purity nothing is
    asked of it, so that what is planned meanwhile is planned for when it is pure again."""
    source = desk.site.source_of(name, "nitrogen")
    if source is None:
        return 0.0
    said = desk.state.sources[source.id].o2_pct
    return max(0.0, said) if said is not None and sources.pure(desk, source) else source.o2_pct


def _pull_down(desk: Desk, name: str, kept: Enclosure, recipe: Recipe, sample: Sample) -> None:
    _judge_decay(desk, name, kept, sample)
    here = projected(desk, name, sample)
    target = Mixture(recipe.o2_pct, recipe.co2_pct)
    quiet = not ledger.open_doses(desk, name)
    o2_off_pct, co2_off_pct = sample.o2_pct - recipe.o2_pct, sample.co2_pct - recipe.co2_pct
    arrived = (
        abs(o2_off_pct) <= SETPOINT_SHARE * recipe.o2_band_pct and abs(co2_off_pct) <= SETPOINT_SHARE * recipe.co2_band_pct
    )
    if arrived and quiet:
        desk.tell("decided", name, None, Why("arrived", "", lambda: f"{_seen(desk, kept, sample, here)}; at its set-points"))
        trigger(desk, name, "at_setpoint", f"at {sample.o2_pct:.2f} % O2 and {sample.co2_pct:.2f} % CO2")
        return
    volume_nl = desk.site.enclosures[name].free_volume_nl
    try:
        plan = pulldown.plan(here, target, nitrogen_o2_pct(desk, name), volume_nl)
    except Unreachable as why:
        alarms.condition(desk, "nitrogen_impure", name, True, str(why))
        kept.wanted_nl = {}
        words = str(why)
        desk.tell("decided", name, None, Why(
            "unreachable", words, lambda: f"{_seen(desk, kept, sample, here)}; {words} -> nothing",
        ))  # fmt: skip
        return
    alarms.condition(desk, "nitrogen_impure", name, False)
    kept.phase, kept.wanted_nl, kept.why = _next_step(desk, name, sample, here, plan)
    _decided(desk, name, kept, sample, here, kept.why)


def _next_step(
    desk: Desk, name: str, sample: Sample, here: Mixture, plan: pulldown.Plan
) -> tuple[str, dict[Gas, float], str]:
    """The phase that a pull-down is in, what is wanted now, and why in words."""
    recipe, volume_nl = desk.site.recipe_of(name), desk.site.enclosures[name].free_volume_nl
    least_nl = LEAST_V * volume_nl
    left_nl = reckoning.nitrogen_left_nl(desk, name, nitrogen_o2_pct(desk, name))
    spent = plan.nitrogen_nl > least_nl and left_nl <= least_nl
    by_volumes = f"by the volumes given since the seal it is at the floor of {recipe.o2_floor_pct:g} %"
    alarms.condition(
        desk, "pulldown_spent", name, spent, f"oxygen {sample.o2_pct:.2f} % by the analyser; {by_volumes}"
    )  # fmt: skip
    if here.o2_pct < recipe.o2_floor_pct and desk.site.source_of(name, "air") is not None:
        # Under the floor neither nitrogen nor CO2 may be given: it would stand there until a person came.
        lifted = Mixture(recipe.o2_pct, here.co2_pct)
        why = f"air to {recipe.o2_pct:g} % O2, out of what is under the floor of {recipe.o2_floor_pct:g} %"
        return "air", allocate(here, lifted, {"air": feed_of("air", 0.0)}, volume_nl), why
    if spent:
        return "nitrogen", {}, f"no more nitrogen for {sample.o2_pct:.2f} % oxygen: {by_volumes}"
    if plan.nitrogen_nl > least_nl:
        why = f"purge to {plan.switch_o2_pct:.2f} % O2, {plan.nitrogen_nl:.0f} nl left"
        if plan.nitrogen_nl <= min(CHECK_V * volume_nl, left_nl):
            # The decay is confirmed and little is left: nitrogen to the switching point, then CO2, without another pause.
            return "nitrogen", {"nitrogen": plan.nitrogen_nl, "co2": plan.co2_nl}, why
        wanted_nl = min(max(plan.nitrogen_nl - CHECK_V * volume_nl / 2.0, least_nl), AHEAD_V * volume_nl, left_nl)
        return "nitrogen", {"nitrogen": wanted_nl}, why
    if recipe.co2_pct - here.co2_pct > SETPOINT_SHARE * recipe.co2_band_pct and plan.co2_nl > least_nl:
        return "co2", {"co2": plan.co2_nl}, f"CO2 to {recipe.co2_pct:g} %, {plan.co2_nl:.0f} nl left"
    feeds = _feeds(desk, name, no_nitrogen=here.o2_pct < recipe.o2_pct)
    return "trim", allocate(here, Mixture(recipe.o2_pct, recipe.co2_pct), feeds, volume_nl), "trim to the set-points"


def _judge_decay(desk: Desk, name: str, kept: Enclosure, sample: Sample) -> None:
    """Compares the measured decay with the plan's: where they part, a hose, a valve, a leak shows within minutes."""
    before = kept.before
    if kept.phase != "nitrogen" or before is None or before.taken_mono_s < kept.since_mono_s:
        return
    given = ledger.given_nl(desk, name, before.taken_mono_s)
    after = ledger.given_nl(desk, name, sample.taken_mono_s)
    nitrogen_nl = sum(nl for gas, nl in given if gas == "nitrogen") - sum(nl for gas, nl in after if gas == "nitrogen")
    known_nl = desk.site.enclosures[name].free_volume_nl
    expected = swept(Mixture(before.o2_pct, 0.0), feed_of("nitrogen", nitrogen_o2_pct(desk, name)), nitrogen_nl, known_nl)
    if before.o2_pct - expected.o2_pct < OFF_PLAN_DROP_PCT:
        return
    apparent_nl = pulldown.apparent_volume_nl(
        Mixture(before.o2_pct, 0.0), Mixture(sample.o2_pct, 0.0), nitrogen_nl, nitrogen_o2_pct(desk, name)
    )
    ratio = None if apparent_nl is None else apparent_nl / known_nl
    kept.off_plan = 0 if ratio is not None and OFF_PLAN[0] <= ratio <= OFF_PLAN[1] else kept.off_plan + 1
    told = "did not fall" if apparent_nl is None else f"fell as in {apparent_nl:.0f} nl"
    alarms.condition(
        desk, "pulldown_off_plan", name, kept.off_plan >= 2,
        f"{nitrogen_nl:.0f} nl nitrogen from {before.o2_pct:.2f} % O2: expected {expected.o2_pct:.2f} %, measured "
        f"{sample.o2_pct:.2f} %; oxygen {told}, the site file says {known_nl:.0f} nl",
    )  # fmt: skip


def _hold(desk: Desk, name: str, kept: Enclosure, recipe: Recipe, sample: Sample) -> None:
    if kept.decided_mono_s is not None:
        low_s, high_s = INTERVAL_S_RANGE
        kept.interval_s = min(max(sample.taken_mono_s - kept.decided_mono_s, low_s), high_s)
    line = desk.site.lines[desk.site.enclosures[name].line]
    gains = holding_gains(kept.interval_s, line.transport_s + line.settling_s)
    here = projected(desk, name, sample)
    mono_s = sample.taken_mono_s
    learned = kept.o2_loop.integral_pct_h, kept.co2_loop.integral_pct_h
    carried_out = all(nl < DOSE_NL_MIN for nl in kept.wanted_nl.values())
    o2_move = regulation.wanted_move_pct(
        kept.o2_loop, recipe.o2_pct, here.o2_pct, DEADBAND_SHARE * recipe.o2_band_pct, gains, mono_s, kept.interval_s
    )
    co2_move = regulation.wanted_move_pct(
        kept.co2_loop, recipe.co2_pct, here.co2_pct, DEADBAND_SHARE * recipe.co2_band_pct, gains, mono_s, kept.interval_s
    )
    goal = Mixture(here.o2_pct + o2_move, here.co2_pct + co2_move)
    low_o2 = here.o2_pct < recipe.o2_pct
    # A little too much oxygen is the fruit's to use up: nitrogen for it is gas for nothing, and drags CO2 out besides. But
    # where the loop has learned that oxygen rises by itself, there is a leak, and nobody uses it up; and where CO2 stands too
    # high, nitrogen is what takes it out without bringing oxygen in.
    little = here.o2_pct < recipe.o2_pct + NITROGEN_SHARE * recipe.o2_band_pct
    high_co2 = here.co2_pct > recipe.co2_pct + NITROGEN_SHARE * recipe.co2_band_pct
    feeds = _feeds(desk, name, no_nitrogen=low_o2 or (little and not high_co2 and learned[0] >= 0.0))
    volume_nl = desk.site.enclosures[name].free_volume_nl
    kept.wanted_nl = allocate(here, goal, feeds, volume_nl)
    there = here
    for gas, fed_nl in kept.wanted_nl.items():
        there = swept(there, feeds[gas], fed_nl, volume_nl)
    regulation.unlearn(kept.o2_loop, learned[0], o2_move, there.o2_pct - here.o2_pct if carried_out else 0.0)
    regulation.unlearn(kept.co2_loop, learned[1], co2_move, there.co2_pct - here.co2_pct if carried_out else 0.0)
    kept.why = f"hold: move O2 by {o2_move:+.2f} %, CO2 by {co2_move:+.2f} %"
    no_air = low_o2 and desk.site.source_of(name, "air") is None
    alarms.condition(
        desk, "o2_low_no_air", name, no_air and here.o2_pct < recipe.o2_pct - recipe.o2_band_pct,
        f"oxygen {here.o2_pct:.2f} %, set-point {recipe.o2_pct:g} %; command: vent",
    )  # fmt: skip
    if desk.site.source_of(name, "nitrogen") is None:
        left_out = ""
    elif low_o2:
        left_out = "; no nitrogen: oxygen is below its set-point"
    else:
        left_out = "" if "nitrogen" in feeds else "; no nitrogen: so little oxygen too much is the fruit's to use up"
    near = abs(o2_move) < 0.005 and abs(co2_move) < 0.005
    wants = "both gases are near enough" if near else f"wants {o2_move:+.2f} % O2, {co2_move:+.2f} % CO2{left_out}"
    _decided(desk, name, kept, sample, here, wants)


def _feeds(desk: Desk, name: str, no_nitrogen: bool) -> dict[Gas, Mixture]:
    """The sources to choose from. Oxygen too low is answered with air, never with nitrogen."""
    impure_pct = nitrogen_o2_pct(desk, name)
    return {
        gas: feed_of(gas, impure_pct)
        for gas in GASES
        if desk.site.source_of(name, gas) is not None and not (no_nitrogen and gas == "nitrogen")
    }


def _vent(desk: Desk, name: str, kept: Enclosure, sample: Sample) -> None:
    enclosure = desk.site.enclosures[name]
    limits = desk.site.rooms[enclosure.room].limits
    if venting.breathable(sample, limits):
        kept.breathable_samples += 1
    else:
        kept.breathable_samples = 0
    if kept.breathable_samples == venting.GOOD_SAMPLES:
        trigger(desk, name, "breathable", f"at {sample.o2_pct:.2f} % O2 and {sample.co2_pct:.2f} % CO2, may be opened")
    air_nl = venting.air_nl(sample, limits, enclosure.free_volume_nl)
    given_nl = sum(nl for _, nl in ledger.given_nl(desk, name, sample.taken_mono_s))
    kept.wanted_nl = {"air": max(0.0, air_nl - given_nl)} if desk.site.source_of(name, "air") is not None else {}
    kept.why = f"vent: CO2 {sample.co2_pct:.2f} %, O2 {sample.o2_pct:.2f} %"
    if desk.told is not None:
        good = f", breathable {kept.breathable_samples} times of {venting.GOOD_SAMPLES}" if kept.breathable_samples else ""
        words = f"{_seen(desk, kept, sample, None)}; wants air until it can be breathed{good}{_volumes(kept)}"
        desk.tell("decided", name, None, Why("vent", words))


def _seen(desk: Desk, kept: Enclosure, sample: Sample, here: Mixture | None) -> str:
    """The sample that is decided on, and where the gas will stand with what was given since."""
    age = span(desk.now.mono_s - sample.taken_mono_s)
    quality = "doubted since" if kept.doubt else "good"
    words = f"sample {sample.o2_pct:.2f} % O2, {sample.co2_pct:.2f} % CO2, {age} old, {quality}"
    moved = here is not None and max(abs(here.o2_pct - sample.o2_pct), abs(here.co2_pct - sample.co2_pct)) >= 0.005
    return f"{words}; with what is given since {here.o2_pct:.2f} %, {here.co2_pct:.2f} %" if moved else words  # type: ignore


def _volumes(kept: Enclosure) -> str:
    given = [f"{nl:.1f} nl {gas}" for gas, nl in kept.wanted_nl.items() if nl > 0.0]
    return f" -> {', '.join(given) or 'nothing'}"


def _decided(desk: Desk, name: str, kept: Enclosure, sample: Sample, here: Mixture, wants: str) -> None:
    if desk.told is not None:
        words = f"{_seen(desk, kept, sample, here)}; {wants}{_volumes(kept)}"
        desk.tell("decided", name, None, Why(kept.phase or "hold", words))
    desk.say(
        "decided", enclosure=name, state=kept.state, o2_pct=round(sample.o2_pct, 3), co2_pct=round(sample.co2_pct, 3),
        projected_o2_pct=round(here.o2_pct, 3), projected_co2_pct=round(here.co2_pct, 3), why=kept.why,
        **{f"{gas}_nl": round(nl, 1) for gas, nl in kept.wanted_nl.items()},
    )  # fmt: skip


def _say_limits(desk: Desk, name: str, sample: Sample, recipe: Recipe) -> None:
    """The recipe's floor and ceiling, and how long the gas has been out of its band."""
    kept = desk.state.enclosures[name]
    sealed = (kept.faulted_from if kept.state == "faulted" else kept.state) in ("pulling_down", "holding")
    floor_pct = recipe.o2_floor_pct + alarms.deadband(desk, "o2_below_floor", name)
    alarms.condition(desk, "o2_below_floor", name, sealed and sample.o2_pct < floor_pct,
                     f"{sample.o2_pct:.2f} %, floor {recipe.o2_floor_pct:g} %")  # fmt: skip
    ceiling_pct = recipe.co2_ceiling_pct - alarms.deadband(desk, "co2_above_ceiling", name)
    alarms.condition(desk, "co2_above_ceiling", name, sealed and sample.co2_pct > ceiling_pct,
                     f"{sample.co2_pct:.2f} %, ceiling {recipe.co2_ceiling_pct:g} %")  # fmt: skip
    better_pct = alarms.deadband(desk, "out_of_band", name)
    o2_off_pct, co2_off_pct = abs(sample.o2_pct - recipe.o2_pct), abs(sample.co2_pct - recipe.co2_pct)
    out = o2_off_pct > recipe.o2_band_pct - better_pct or co2_off_pct > recipe.co2_band_pct - better_pct
    alarms.condition(desk, "out_of_band", name, kept.state == "holding" and out,
                     f"O2 {sample.o2_pct:.2f} % (set-point {recipe.o2_pct:g} +- {recipe.o2_band_pct:g}), "
                     f"CO2 {sample.co2_pct:.2f} % (set-point {recipe.co2_pct:g} +- {recipe.co2_band_pct:g})")  # fmt: skip
