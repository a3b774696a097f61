"""Who gets gas first where it does not suffice for all: the line before each source.

A valve's place is the time since when it waits, less a head start for how urgent its enclosure is. So whoever waits gains on
everybody who comes later, and no urgency is worth more than `HEAD_S_MAX` of waiting: after that long nobody new can step in
front. A turn is at most `TURN_LEASES` leases; then the valve goes to the end of the line. Whoever is first and finds too little
left of the source holds up those behind, or small inlets would keep a large one out for ever. The bound that follows is
`longest_wait_s`.
"""

from math import log

from supervisor.core import ledger
from supervisor.core.balance import AIR_O2_PCT
from supervisor.core.desk import Desk
from supervisor.core.enclosure import GASES_OF
from supervisor.core.reasons import Why, span
from supervisor.core.state import Dose, Enclosure, Wait
from supervisor.settings import Recipe, SiteFile, Source
from supervisor.values import GASES, Gas

DOSE_NL_MIN = 2.0  # less than this is not worth a valve's stroke
FLOW_SHARE_MIN = 0.25  # a source that can give an inlet less than this share of its flow is left to others
TURN_LEASES = 12  # nearly a volume at a usual inlet, which is what is given ahead of a sample: few are served, and those fully

# Head starts in seconds of waiting. People wait for a vent. Held fruit out of its band loses quality, and what it needs is
# small; inside the band it can wait longer. A pull-down gains as it nears its end: half a purge is lost by waiting, and one
# that is done leaves the source to the others for weeks.
VENT_HEAD_S = 3 * 3600.0
OUT_OF_BAND_HEAD_S = 2 * 3600.0
IN_BAND_HEAD_S = 3600.0
PULL_DOWN_HEAD_S = 3600.0
NITROGEN_FIRST = Why("nitrogen_first", "nitrogen first: CO2 before it would be blown away")
NO_SOURCE = Why("no_source", "no source of it is piped to this enclosure")
HEAD_S_MAX: dict[Gas, float] = {"nitrogen": OUT_OF_BAND_HEAD_S, "co2": OUT_OF_BAND_HEAD_S, "air": VENT_HEAD_S}


# ------------------------------------------------------------------------------------------------ the line


def follow(desk: Desk, name: str) -> None:
    """Keeps an enclosure's places in the lines: who wants gas stands in one, who wants none any more leaves it."""
    kept, waits = desk.state.enclosures[name], desk.state.waits
    for gas in GASES:
        valve = f"{name}/{gas}"
        wants = kept.wanted_nl.get(gas, 0.0) >= DOSE_NL_MIN and gas in GASES_OF[kept.state]
        why_not = None
        if gas == "co2" and kept.state == "pulling_down" and kept.wanted_nl.get("nitrogen", 0.0) >= DOSE_NL_MIN:
            why_not = NITROGEN_FIRST if wants else None
            wants = False
        if not wants or desk.site.source_of(name, gas) is None:
            waits.pop(valve, None)
            if desk.told is not None and kept.wanted_nl.get(gas, 0.0) > 0.0:
                desk.tell("not_given", name, gas, why_not or _why_no_wait(desk, name, gas))
        elif valve not in waits:
            waits[valve] = Wait(desk.now.mono_s)


def _why_no_wait(desk: Desk, name: str, gas: Gas) -> Why:
    """Why a valve that is to give something stands in no line."""
    kept = desk.state.enclosures[name]
    if gas not in GASES_OF[kept.state]:
        return Why("state", f"an enclosure that is {kept.state} gets none")
    return NO_SOURCE if desk.site.source_of(name, gas) is None else too_little(kept.wanted_nl[gas])


def too_little(wanted_nl: float) -> Why:
    """Less is wanted than a stroke is worth."""
    words = f"less than {DOSE_NL_MIN:g} nl is not worth a valve's stroke"
    return Why("too_little", words, lambda: f"{words}: {max(wanted_nl, 0.0):.1f} nl is wanted")


def had_lease(desk: Desk, name: str, gas: Gas) -> None:
    """A request has left for this valve; after a full turn it begins to wait anew."""
    wait = desk.state.waits.get(f"{name}/{gas}")
    if wait is not None:
        wait.leases += 1
        if wait.leases >= TURN_LEASES:
            wait.since_mono_s, wait.leases = desk.now.mono_s, 0


def in_order(desk: Desk, names: list[str]) -> list[str]:
    """Waiting valves, `<enclosure>/<gas>`, whoever goes first in front. Alike go by name."""


    def place(valve: str) -> tuple[float, str, int]:
        name, gas = valve.split("/")
        return desk.state.waits[valve].since_mono_s - head_start_s(desk, name), name, GASES.index(gas)  # type: ignore[arg-type]

    return sorted(names, key=place)


def head_start_s(desk: Desk, name: str) -> float:
    """How much waiting this enclosure's state is worth."""
    kept, recipe = desk.enclosure(name)
    if kept.state == "venting":
        return VENT_HEAD_S
    if kept.state == "holding":
        return OUT_OF_BAND_HEAD_S if _out_of_band(kept, recipe) else IN_BAND_HEAD_S
    return PULL_DOWN_HEAD_S * _purged_share(kept, recipe)


def _out_of_band(kept: Enclosure, recipe: Recipe) -> bool:
    sample = kept.sample
    return sample is not None and (
        abs(sample.o2_pct - recipe.o2_pct) > recipe.o2_band_pct or abs(sample.co2_pct - recipe.co2_pct) > recipe.co2_band_pct
    )


def _purged_share(kept: Enclosure, recipe: Recipe) -> float:
    """The share of a purge from air that is behind it, by the last sample: volumes go by the logarithm of oxygen."""
    if kept.sample is None or kept.sample.o2_pct >= AIR_O2_PCT:
        return 0.0
    return log(AIR_O2_PCT / max(kept.sample.o2_pct, recipe.o2_pct)) / log(AIR_O2_PCT / recipe.o2_pct)


def longest_wait_s(site: SiteFile, source: Source) -> float:
    """The longest that a valve which may be served waits for its next lease, while the source gives its capacity.

    Nobody who comes `HEAD_S_MAX` later goes first. The others on this source have one turn each by then, and as many at once as
    fit; each lease holds its flow until it is over, its last word was waited for, and the next tick has come.
    """
    inlets = [one.flow_nl_min_max.of(source.gas) for one in site.enclosure if one.sources.of(source.gas) == source.id]
    if len(inlets) < 2:
        return site.timing.tick_s
    least_nl_min = min([source.capacity_nl_min, *(one.flow_nl_min for one in source.purity)])
    at_once = max(1, int(least_nl_min / max(inlets)))
    if source.valves_at_once is not None:
        at_once = min(at_once, source.valves_at_once)
    turn_s = TURN_LEASES * (site.timing.lease_s + ledger.SETTLE_S + site.timing.tick_s)
    return HEAD_S_MAX[source.gas] + turn_s * (len(inlets) - 1) / at_once + site.timing.tick_s


def overdue(desk: Desk, source: Source, well_since_mono_s: float) -> str:
    """Who has waited beyond the bound although this source has been well for as long and nothing of their own is in the way;
    in words, or nothing."""
    now_s = desk.now.mono_s
    if now_s - well_since_mono_s <= HEAD_S_MAX[source.gas]:
        return ""
    bound_s, late = longest_wait_s(desk.site, source), []
    for valve, wait in desk.state.waits.items():
        name, _, gas = valve.partition("/")
        kept = desk.state.enclosures[name]
        mine = gas == source.gas and desk.site.enclosures[name].sources.of(source.gas) == source.id
        waits_s = now_s - max(wait.since_mono_s, well_since_mono_s)
        if mine and waits_s > bound_s and wait.ready and gas not in kept.running:
            late.append((waits_s, name))
    if not late:
        return ""
    waits_s, name = max(late)
    return f"{name} waits for {waits_s / 3600.0:.1f} h, {len(late)} in all; at most {bound_s / 3600.0:.1f} h at full capacity"


# ------------------------------------------------------------------------------------------------ the share


def turn_waits(desk: Desk, valve: str, source: Source, before: list[str]) -> Why:
    """Why a valve whose way is free is not served: others stand before it, and the source has no more to give now."""

    def detail() -> str:
        well_s = desk.state.sources[source.id].well_since_mono_s
        since_s = max(desk.state.waits[valve].since_mono_s, 0.0 if well_s is None else well_s)
        left_s = max(0.0, longest_wait_s(desk.site, source) - (desk.now.mono_s - since_s))
        return f"waits for its turn at {source.id}, {len(before)} before it, at most {span(left_s)} more at full capacity"

    return Why("turn", "waits for its turn", detail)


def offer(desk: Desk, name: str, source: Source) -> float | Why:
    """What this inlet may draw of the source now, normal litres a minute; a reason when it has to wait for others."""
    inlet_nl_min = desk.site.enclosures[name].flow_nl_min_max.of(source.gas)
    others = ledger.drawing(desk, source.id)
    if source.valves_at_once is not None and len(others) >= source.valves_at_once:
        return Why(
            "valves_at_once", "waits for a valve to close",
            lambda: f"{len(others)} valves stand open on {source.id} ({_names(others)}), {source.valves_at_once} at once",
        )  # fmt: skip
    said_nl_min = desk.state.sources[source.id].capacity_nl_min
    most_nl_min = source.capacity_nl_min if said_nl_min is None else min(source.capacity_nl_min, said_nl_min)
    if source.purity:
        for one in (name, *(dose.enclosure for dose in others)):
            most_nl_min = min(most_nl_min, best_flow_nl_min(desk, one, source))
    left_nl_min = most_nl_min - sum(dose.flow_nl_min for dose in others)
    flow_nl_min = min(inlet_nl_min, left_nl_min)
    if flow_nl_min > 0.0 and flow_nl_min >= FLOW_SHARE_MIN * min(inlet_nl_min, most_nl_min):
        return flow_nl_min
    return Why(
        "capacity", "waits for others on its source",
        lambda: f"first in line at {source.id}, which can give {most_nl_min:.0f} nl/min now: {_names(others) or 'nobody'} "
        f"{'draw' if len(others) > 1 else 'draws'} {sum(dose.flow_nl_min for dose in others):.0f} of it",
    )  # fmt: skip


def _names(doses: list[Dose]) -> str:
    return ", ".join(dict.fromkeys(one.enclosure for one in doses))


def best_flow_nl_min(desk: Desk, name: str, source: Source) -> float:
    """The flow in all at which a generator brings this enclosure down fastest: more flow is more gas and worse gas.

    A purge from o to t with nitrogen of x % oxygen takes ln((o - x) / (t - x)) volumes. Far from its set-point an enclosure
    gains by flow, near to it by purity.
    """
    kept, recipe = desk.enclosure(name)
    target_pct = recipe.o2_pct
    if kept.state == "pulling_down":
        target_pct = recipe.o2_pct / (1.0 - recipe.co2_pct / 100.0)
    here_pct = kept.sample.o2_pct if kept.sample is not None else AIR_O2_PCT
    here_pct = max(here_pct, target_pct + recipe.o2_band_pct)

    def headway(flow_nl_min: float, impure_pct: float) -> float:
        if impure_pct >= target_pct:
            return 0.0
        return flow_nl_min / log((here_pct - impure_pct) / (target_pct - impure_pct))

    best = max(source.purity, key=lambda one: (headway(one.flow_nl_min, one.o2_pct), -one.flow_nl_min))
    return best.flow_nl_min
