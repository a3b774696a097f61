"""From a wanted volume to requests: short leases, one per valve, within limits, capacity, stock and permits.

This looks before it asks, so that the guard has nothing to refuse; the guard looks again for itself.
"""

from supervisor.core import alarms, ledger, venting
from supervisor.core.desk import Desk
from supervisor.core.enclosure import GASES_OF
from supervisor.core.state import Dose, Enclosure, Sample
from supervisor.core.transitions import stop
from supervisor.core.units import usable
from supervisor.settings import Source
from supervisor.values import GASES, Gas, RequestDose, SampleRef

DOSE_NL_MIN = 2.0  # less than this is not worth a valve's stroke
FLOW_SHARE_MIN = 0.25  # a source that can give an inlet less than this share of its flow is left to others
LEASE_SHARE = 0.9  # of its lease, how much a dose may need at its flow; the rest is for the messages on their way
SOURCE_AGE_S_MAX = 120.0
CO2_KG_PER_NL = 1.9768e-3  # CoolProp, CO2 at 0 degC and 101.325 kPa
REFUSED_PAUSE_S = 30.0
VENT_WAITS = "waits to vent"


def give(desk: Desk, name: str, gas: Gas) -> None:
    """Sends the next lease of one gas to one enclosure, if everything allows it. Says nothing where nothing is wanted."""
    kept = desk.state.enclosures[name]
    wanted_nl = kept.wanted_nl.get(gas, 0.0)
    if wanted_nl < DOSE_NL_MIN or gas not in GASES_OF[kept.state] or desk.now.mono_s < kept.hold_until_mono_s:
        return
    if ledger.running(desk, name, gas) is not None:
        return
    if gas == "co2" and kept.wanted_nl.get("nitrogen", 0.0) >= DOSE_NL_MIN and kept.state == "pulling_down":
        return  # nitrogen first: CO2 before it would be blown away
    sample, source = kept.sample, desk.site.source_of(name, gas)
    if sample is None or source is None:
        return
    why_not = _why_not(desk, name, gas, kept, sample, source)
    if why_not is not None:
        kept.hold_reason, kept.hold_until_mono_s = why_not, desk.now.mono_s + desk.site.timing.tick_s
        return
    if (flow_nl_min := _flow_nl_min(desk, name, gas, source)) > 0.0:
        _request(desk, name, gas, kept, sample, source, wanted_nl, flow_nl_min)


def _why_not(desk: Desk, name: str, gas: Gas, kept: Enclosure, sample: Sample, source: Source) -> str | None:
    """The first thing in the way, in words; None when the way is free."""
    timing, state, enclosure = desk.site.timing, desk.state, desk.site.enclosures[name]
    room, recipe = state.rooms[enclosure.room], desk.site.recipe_of(name)
    if not state.link_up or state.stopping or state.overtaken:
        return "no link, stopping, or another supervisor at work"
    if not (room.air_permitted if gas == "air" else room.dosing_permitted):
        return f"room {enclosure.room} has no permit for {gas}"
    if sample.taken_mono_s < state.trusted_mono_s or desk.now.mono_s - sample.taken_mono_s > timing.sample_age_s_max:
        return "its sample is too old"
    if gas != "air" and state.consequences.get(name, "none") != "none":
        return "an alarm of this enclosure keeps its gas off"
    if gas != "air" and sample.o2_pct < recipe.o2_floor_pct:
        return "oxygen is below the floor"
    if gas == "co2" and sample.co2_pct > recipe.co2_ceiling_pct:
        return "CO2 is above the ceiling"
    if gas == "air" and kept.state == "venting":
        names, why = venting.admitted(desk, enclosure.room)
        if name not in names:
            return f"{VENT_WAITS}: {why}"
    units = (enclosure.unit, source.unit, desk.site.analysers[sample.analyser].unit)
    return next((why for unit in units if (why := usable(desk, unit))), None) or source_trouble(desk, source)


def source_trouble(desk: Desk, source: Source) -> str | None:
    """Why a source gives nothing now, or None."""
    said = desk.state.sources[source.id]
    if not desk.fresh(said.heard_mono_s, SOURCE_AGE_S_MAX):
        return f"source {source.id} has not told its status for {SOURCE_AGE_S_MAX:g} s"
    if said.available is not True:
        return f"source {source.id} is not available"
    if source.stock_kg is not None and stock_left_kg(desk, source) <= source.reserve_kg:
        return f"source {source.id} is at its reserve of {source.reserve_kg:g} kg"
    return None


def stock_left_kg(desk: Desk, source: Source) -> float:
    """The stock as the source tells it, less what open requests may still draw. Unknown is none."""
    said_kg = desk.state.sources[source.id].stock_kg
    if said_kg is None:
        return 0.0
    enclosures = desk.state.enclosures
    doses = (enclosures[where].doses[request_id] for request_id, where in desk.state.open_doses.items())
    return said_kg - CO2_KG_PER_NL * sum(one.volume_nl for one in doses if one.source == source.id)


def _flow_nl_min(desk: Desk, name: str, gas: Gas, source: Source) -> float:
    """What this inlet may draw of the source now; 0 when it has to wait for others."""
    inlet_nl_min = desk.site.enclosures[name].flow_nl_min_max.of(gas)
    said_nl_min = desk.state.sources[source.id].capacity_nl_min
    capacity_nl_min = source.capacity_nl_min if said_nl_min is None else min(source.capacity_nl_min, said_nl_min)
    left_nl_min = capacity_nl_min - ledger.flow_taken_nl_min(desk, source.id)
    flow_nl_min = min(inlet_nl_min, left_nl_min)
    return flow_nl_min if flow_nl_min >= FLOW_SHARE_MIN * min(inlet_nl_min, capacity_nl_min) else 0.0


def _request(
    desk: Desk, name: str, gas: Gas, kept: Enclosure, sample: Sample, source: Source, wanted_nl: float, flow_nl_min: float
) -> None:
    timing = desk.site.timing
    lease_s = timing.lease_s
    volume_nl = min(
        wanted_nl,
        desk.site.limits.of(gas).per_request_nl,
        flow_nl_min * LEASE_SHARE * lease_s / 60.0,
    )
    request_id = f"{desk.state.epoch}-{desk.state.next_id}"
    desk.state.next_id += 1
    desk.state.epoch_used = True
    dose = Dose(request_id, name, gas, source.id, volume_nl, flow_nl_min, desk.now.mono_s, desk.now.mono_s + lease_s)
    ledger.enter(desk, dose)
    kept.wanted_nl[gas] = wanted_nl - volume_nl
    kept.hold_reason = ""
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
    kept.hold_until_mono_s = desk.now.mono_s + REFUSED_PAUSE_S
    kept.hold_reason = f"guard refused {gas}: {rule}, {measured}, limit {limit}"
    desk.say("guard_refused", "warning", enclosure=name, gas=gas, rule=rule, measured=measured, limit=limit,
             request_id=request_id)  # fmt: skip


def judge(desk: Desk, name: str) -> None:
    """Ages the requests of an enclosure, stops what a newer sample forbids, and sends what is due."""
    kept, recipe = desk.enclosure(name)
    if kept.running:
        ledger.age(desk, name)
    sample = kept.sample
    if sample is not None and kept.running:
        for dose in ledger.open_doses(desk, name):
            low = dose.gas != "air" and sample.o2_pct < recipe.o2_floor_pct
            high = dose.gas == "co2" and sample.co2_pct > recipe.co2_ceiling_pct
            if (low or high) and sample.taken_mono_s > dose.asked_mono_s:
                stop(desk, name, dose.gas, "oxygen is below the floor" if low else "CO2 is above the ceiling")
    alarms.condition(desk, "dose_failing", name, kept.failures >= 4, kept.hold_reason)
    refused = kept.hold_reason.startswith("guard refused") and desk.now.mono_s < kept.hold_until_mono_s + 1.0
    alarms.condition(desk, "guard_refusals", name, refused, kept.hold_reason)
    waits = kept.hold_reason.startswith(VENT_WAITS) and desk.now.mono_s < kept.hold_until_mono_s + 1.0
    alarms.condition(desk, "vent_waits", name, waits, kept.hold_reason)
    if any(volume_nl >= DOSE_NL_MIN for volume_nl in kept.wanted_nl.values()):
        for gas in GASES:
            give(desk, name, gas)


def urgency(desk: Desk, name: str) -> tuple[int, float, str]:
    """Who goes first: what is vented or held needs little, then the pull-down that has least left."""
    kept = desk.state.enclosures[name]
    rank = {"venting": 0, "holding": 1, "pulling_down": 2}.get(kept.state, 3)
    return rank, sum(kept.wanted_nl.values()) if kept.phase != "" else 0.0, name


def judge_source(desk: Desk, name: str) -> None:
    source = desk.site.gas_sources[name]
    why = source_trouble(desk, source)
    told = source.stock_kg is not None and desk.state.sources[name].stock_kg is not None
    left_kg = stock_left_kg(desk, source)
    reserve_kg = source.reserve_kg + alarms.deadband(desk, "co2_stock_low", name)
    low = told and left_kg <= reserve_kg  # as last told: silence fills no bank
    alarms.condition(desk, "co2_stock_low", name, low, f"{left_kg:.1f} kg left, reserve {source.reserve_kg:g} kg")
    gone = why is not None and not (low and "reserve" in why)
    alarms.missing(desk, "source_unavailable", name, gone, why or "")
