"""From a wanted volume to requests: short leases, one per valve, within limits, capacity, stock and permits.

This looks before it asks, so that the guard has nothing to refuse; the guard looks again for itself.
"""

from supervisor.core import alarms, entry, ledger, sources, supply, venting
from supervisor.core.desk import Desk
from supervisor.core.enclosure import GASES_OF
from supervisor.core.reasons import Why, span
from supervisor.core.state import Dose, Enclosure, Sample
from supervisor.core.transitions import stop
from supervisor.core.units import usable
from supervisor.settings import Source
from supervisor.values import Gas, RequestDose, SampleRef

LEASE_SHARE = 0.9  # of its lease, how much a dose may need at its flow; the rest is for the messages on their way
REFUSED_PAUSE_S = 30.0
STOP_AGAIN_S = 10.0  # a valve that does not say that it has stopped is told again
LIMIT_SLACK_NL = 1e-6  # so that two sums of the same doses, taken in different order, agree about a limit
VENT_WAITS = "waits to vent"


def serve(desk: Desk, names: list[str], sweeping: bool = True) -> None:
    """Sends what is due, the most urgent first. `names` have news; whoever waits is looked at as well, so that nobody gets gas
    before his turn by having news. Why the others get none is told with each sweep."""
    for name in names:
        supply.follow(desk, name)
    held_up: dict[str, list[str]] = {}
    for valve in supply.in_order(desk, [valve for valve in desk.state.waits if _may_ask(desk, valve)]):
        name, gas = valve.split("/")
        kept, source = desk.state.enclosures[name], desk.site.source_of(name, gas)  # type: ignore[arg-type]
        if kept.sample is None or source is None or (not sweeping and source.id in held_up):
            continue
        why_not = _why_not(desk, name, source, kept, kept.sample)
        desk.state.waits[valve].ready = why_not is None
        if why_not is None and source.id in held_up:
            desk.tell("not_given", name, source.gas, supply.turn_waits(desk, valve, source, held_up[source.id]))
            held_up[source.id].append(name)
        elif why_not is None:
            left_nl = _hour_left_nl(desk, name, source.gas)
            offer = supply.offer(desk, name, source)
            if left_nl < supply.DOSE_NL_MIN:
                words = f"{gas} is at its limit of {desk.site.limits.of(source.gas).per_hour_nl:g} nl an hour"
                why_not = Why("hour_limit", words)
            elif isinstance(offer, Why):
                desk.tell("not_given", name, source.gas, offer)
                held_up[source.id] = [name]
            else:
                _request(desk, name, kept, kept.sample, source, offer, left_nl)
        if why_not is not None:
            kept.hold_reason, kept.hold_until_mono_s = why_not.words, desk.now.mono_s + desk.site.timing.tick_s
            desk.tell("not_given", name, source.gas, why_not)


def _may_ask(desk: Desk, valve: str) -> bool:
    """Whether a valve is at rest and wants gas still: what its enclosure wants may have changed since it took its place."""
    name, _, gas = valve.partition("/")
    why_not = _at_work(desk, name, gas)  # type: ignore[arg-type]
    if why_not is not None:
        desk.tell("not_given", name, gas, why_not)  # type: ignore[arg-type]
    return why_not is None


def _at_work(desk: Desk, name: str, gas: Gas) -> Why | None:
    """Why a valve is not at rest, or wants nothing; None when it may be asked."""
    kept = desk.state.enclosures[name]
    if gas in kept.running:
        return Why("running", "a dose of it runs")
    pause_s = kept.pauses_mono_s.get(gas, 0.0) - desk.now.mono_s
    if pause_s > 0.0:
        return Why("rests", "its valve rests", lambda: f"its valve rests for {pause_s:.0f} s more: {kept.hold_reason}")
    if gas not in GASES_OF[kept.state]:
        return Why("state", f"an enclosure that is {kept.state} gets none")
    wanted_nl = kept.wanted_nl.get(gas, 0.0)
    return None if wanted_nl >= supply.DOSE_NL_MIN else supply.too_little(wanted_nl)


def _why_not(desk: Desk, name: str, source: Source, kept: Enclosure, sample: Sample) -> Why | None:
    """The first thing in the way; None when the way is free."""
    timing, state, enclosure, gas = desk.site.timing, desk.state, desk.site.enclosures[name], source.gas
    room, recipe = state.rooms[enclosure.room], desk.site.recipe_of(name)
    if not state.link_up or state.stopping or state.overtaken:
        return Why("no_way_out", "no link, stopping, or another supervisor at work", lambda: _no_way_out(desk))
    if not (room.air_permitted if gas == "air" else room.dosing_permitted):
        words = f"room {enclosure.room} has no permit for {gas}"
        return Why("no_permit", words, lambda: f"{words}: {entry.why_no_permit(desk, enclosure.room, gas)}")
    age_s = desk.now.mono_s - sample.taken_mono_s
    if sample.taken_mono_s < state.trusted_mono_s or age_s > timing.sample_age_s_max:
        words = "its sample is too old"
        return Why("old_sample", words, lambda: f"{words}: {span(age_s)}, at most {span(timing.sample_age_s_max)}")
    if kept.doubt:
        return Why("doubted", f"its newest reading is not believed: {kept.doubt}")
    if gas != "air" and state.consequences.get(name, "none") != "none":
        words = "an alarm of this enclosure keeps its gas off"
        return Why("alarm", words, lambda: f"{words}: {', '.join(alarms.problems(desk, name))}")
    # Corrected or as read, whichever is worse: the guard knows no corrections.
    o2_pct = min(sample.o2_pct, sample.read_o2_pct or sample.o2_pct)
    if gas != "air" and o2_pct < recipe.o2_floor_pct:
        words = "oxygen is below the floor"
        return Why("floor", words, lambda: f"{words}: {o2_pct:.2f} %, floor {recipe.o2_floor_pct:g} %")
    co2_pct = max(sample.co2_pct, sample.read_co2_pct or 0.0)
    if gas == "co2" and co2_pct > recipe.co2_ceiling_pct:
        words = "CO2 is above the ceiling"
        return Why("ceiling", words, lambda: f"{words}: {co2_pct:.2f} %, ceiling {recipe.co2_ceiling_pct:g} %")
    if gas == "air" and kept.state == "venting":
        names, why = venting.admitted(desk, enclosure.room)
        if name not in names:
            return Why("vent_waits", f"{VENT_WAITS}: {why}")
    units = (enclosure.unit, source.unit, desk.site.analysers[sample.analyser].unit)
    if (why := next((why for unit in units if (why := usable(desk, unit))), None)) is not None:
        return Why("unit", why)
    found = sources.trouble(desk, source)
    return None if found is None else Why("source", found.words)


def _no_way_out(desk: Desk) -> str:
    if not desk.state.link_up:
        return "there is no link to the broker"
    return "the supervisor is stopping" if desk.state.stopping else "another supervisor is at work on this site"


def _hour_left_nl(desk: Desk, name: str, gas: Gas) -> float:
    """How much of this gas the enclosure may still get within its hour. The limit a day is the guard's alone: to come to that
    is no plan but a leak, and the alarm about its refusals says so."""
    given_nl = ledger.within_nl(desk, name, gas, 3600.0)
    return desk.site.limits.of(gas).per_hour_nl - given_nl - LIMIT_SLACK_NL


def _request(
    desk: Desk, name: str, kept: Enclosure, sample: Sample, source: Source, flow_nl_min: float, most_nl: float
) -> None:
    lease_s, gas = desk.site.timing.lease_s, source.gas
    wanted_nl = kept.wanted_nl[gas]
    volume_nl = min(
        wanted_nl,
        desk.site.limits.of(gas).per_request_nl,
        flow_nl_min * LEASE_SHARE * lease_s / 60.0,
        most_nl,
    )
    request_id = f"{desk.state.epoch}-{desk.state.next_id}"
    desk.state.next_id += 1
    desk.state.epoch_used = True
    dose = Dose(request_id, name, gas, source.id, volume_nl, flow_nl_min, desk.now.mono_s, desk.now.mono_s + lease_s)
    ledger.enter(desk, dose)
    supply.had_lease(desk, name, gas)
    kept.wanted_nl[gas] = wanted_nl - volume_nl
    kept.hold_reason = ""
    left = f"; {wanted_nl - volume_nl:.1f} nl more are wanted" if wanted_nl - volume_nl >= supply.DOSE_NL_MIN else ""
    words = f"{volume_nl:.1f} nl from {source.id} at {flow_nl_min:.0f} nl/min"
    desk.tell("asked", name, gas, Why("asked", words, lambda: f"{words}, request {request_id}{left}", volume_nl))
    desk.effects.append(
        RequestDose(
            name, gas, source.id, request_id, desk.state.epoch, volume_nl, flow_nl_min, desk.now.wall_s + lease_s,
            desk.state.units[desk.site.enclosures[name].unit].clock_offset_s,
            SampleRef(sample.analyser, sample.boot, sample.seq), kept.why,
        )
    )  # fmt: skip


def on_refused(desk: Desk, name: str, gas: Gas, request_id: str, rule: str, measured: str, limit: str) -> None:
    """The guard said no: the volume is wanted still, and asked for again after a pause."""
    kept = desk.state.enclosures[name]
    dose = kept.doses.get(request_id)
    if dose is None:
        return
    kept.wanted_nl[gas] = kept.wanted_nl.get(gas, 0.0) + dose.volume_nl
    ledger.strike(desk, name, request_id)
    kept.hold_until_mono_s = kept.pauses_mono_s[gas] = desk.now.mono_s + REFUSED_PAUSE_S
    kept.hold_reason = f"guard refused {gas}: {rule}, {measured}, limit {limit}"
    words = f"the guard refused: {rule}, {measured}, limit {limit}; asked again in {REFUSED_PAUSE_S:g} s"
    desk.tell("refused", name, gas, Why("guard", words))
    desk.say("guard_refused", "warning", enclosure=name, gas=gas, rule=rule, measured=measured, limit=limit,
             request_id=request_id)  # fmt: skip


def judge(desk: Desk, name: str) -> None:
    """Ages the requests of an enclosure, and stops what must not go on."""
    kept = desk.state.enclosures[name]
    if kept.running:
        ledger.age(desk, name)
        for dose in ledger.open_doses(desk, name):
            why = _why_stop(desk, name, dose)
            if why is not None and (dose.stopped_mono_s is None or desk.now.mono_s - dose.stopped_mono_s >= STOP_AGAIN_S):
                stop(desk, name, dose.gas, why)
                desk.tell("stopped", name, dose.gas, Why("stopped", why))
    alarms.condition(desk, "dose_failing", name, kept.failures >= 4, kept.hold_reason)
    refused = kept.hold_reason.startswith("guard refused") and desk.now.mono_s < kept.hold_until_mono_s + 1.0
    alarms.condition(desk, "guard_refusals", name, refused, kept.hold_reason)
    waits = kept.hold_reason.startswith(VENT_WAITS) and desk.now.mono_s < kept.hold_until_mono_s + 1.0
    alarms.condition(desk, "vent_waits", name, waits, kept.hold_reason)


def _why_stop(desk: Desk, name: str, dose: Dose) -> str | None:
    """Why a dose that runs must end before it is full, or None: what a newer sample forbids, and gas that does no good."""
    kept, recipe = desk.enclosure(name)
    sample = kept.sample
    if sample is not None and sample.taken_mono_s > dose.asked_mono_s:
        if dose.gas != "air" and sample.o2_pct < recipe.o2_floor_pct:
            return "oxygen is below the floor"
        if dose.gas == "co2" and sample.co2_pct > recipe.co2_ceiling_pct:
            return "CO2 is above the ceiling"
    source = desk.site.gas_sources.get(dose.source)
    if dose.gas == "nitrogen" and source is not None and source.o2_pct_max is not None:
        said_pct = desk.state.sources[dose.source].o2_pct
        if said_pct is not None and said_pct > source.o2_pct_max and said_pct >= recipe.o2_pct:
            return f"source {dose.source} gives {said_pct:.2f} % oxygen, and the recipe needs less than {recipe.o2_pct:g} %"
    return None
