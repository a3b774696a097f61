"""Did it pass? Each criterion with what was measured, its bound, and where the bound comes from; over all seeds the worst."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from supervisor.rehearsal.outcome import FaultSeen, Season
from supervisor.settings import SiteFile
from supervisor.shell.audit.report_targets import beside_targets

HOUR_S, DAY_S = 3600.0, 86_400.0
CALM_IN_BAND_PCT = 99.0
IN_BAND_PCT = {"calm": 99.0, "usual": 97.0, "harsh": 90.0}
IN_BAND_PCT_ELSE = 90.0
PULL_DOWN_H_MAX = 24.0
RECOVERY_H_MAX = 24.0
OURS = "ours, no source"
RULES = (
    "no nitrogen or CO2 for an enclosure that is filling, venting or faulted",
    "no nitrogen or CO2 in a room that is not clear; air only where nobody is",
    "no request on a sample that is stale, unsettled, invalid, or from another line",
    "no request beyond the limits per request, hour and day, the source's capacity and valves",
    "no nitrogen or CO2 under the recipe's floor, no CO2 above its ceiling",
    "every request expires, an id is never used twice, an epoch never goes down",
    "unknown is unsafe: after a start no gas until a sample taken after it; no gas through a silent unit or a dead link",
    "an alarm never vanishes; personnel alarms end only when the cause is gone and a named person has acknowledged",
)
# Of the published figures for alarm systems, those that are held against a bound here; the rest compare shapes.
ALARM_FIGURES = (
    "alarms per day", "alarms per hour", "alarms per 10 minutes", "most alarms in 10 minutes", "time in flood",
    "alarms that chatter", "stale alarms (over 24 h), most in a day",
)  # fmt: skip
Naming = Literal["rightly", "late", "otherwise", "not found", "need not be", "never showed"]


@dataclass(frozen=True)
class Criterion:
    """`met` None: there is no bound, the figure is for comparison. `by_seed` are the figures of the single seasons."""

    group: str
    name: str
    measured: str
    bound: str
    source: str
    met: bool | None
    by_seed: tuple[str, ...] = ()
    note: str = ""


def naming(one: FaultSeen) -> Naming:
    """What became of finding it."""
    if one.found_s is not None:
        late = one.must and not one.stood_before and one.found_s > (one.shows_s or 0.0) + (one.bound_s or 0.0) + one.slack_s
        return "late" if late else "rightly"
    if not one.must:
        return "need not be" if one.bound_s is None else "never showed"
    return "otherwise" if one.others else "not found"


def recovered_h(one: FaultSeen) -> float | None:
    """How long after its end all was well."""
    return None if one.recovered_s is None else max(0.0, one.recovered_s - one.fault.end_s) / HOUR_S


def in_band_pct(season: Season, calm: bool = False) -> float | None:
    """Of all looks at held enclosures; None where there was none."""
    looks = sum(one.calm_looks if calm else one.looks for one in season.held.values())
    good = sum(one.calm_in_band if calm else one.in_band for one in season.held.values())
    return 100.0 * good / looks if looks else None


def gas_per_day_nl(season: Season, gas: str) -> float:
    """Of one gas, for each enclosure and day sealed."""
    days = sum(season.sealed_s.values()) / DAY_S
    total = sum(nl for given in season.gas_nl.values() for which, nl in given.items() if which.partition(",")[0] == gas)
    return total / days if days else 0.0


def criteria(site: SiteFile, seasons: Sequence[Season], schedule: str) -> list[Criterion]:
    """In the order in which they are reported."""
    return [
        *_rules(seasons), *_gas_held(seasons, schedule), *_pull_downs(seasons), *_samples(site, seasons), *_alarms(seasons),
        *_faults(seasons), *_use(site, seasons),
    ]  # fmt: skip


def all_met(found: Iterable[Criterion]) -> bool:
    return all(one.met is not False for one in found)


# ------------------------------------------------------------------------------------------------ one after the other


def _counted(group: str, name: str, counts: Sequence[int], bound: str, source: str, note: str = "") -> Criterion:
    """Something that must not happen."""
    return Criterion(group, name, str(sum(counts)), bound, source, sum(counts) == 0, tuple(map(str, counts)), note)


def _rules(seasons: Sequence[Season]) -> list[Criterion]:
    group = "Safety rules"
    watched = sum(one.witnessed for one in seasons)
    found = []
    for number, words in enumerate(RULES, start=1):
        counts = [one.broken_count.get(number, 0) for one in seasons]
        first = next((broken.words for one in seasons for broken in one.broken if broken.rule == number), "")
        found.append(_counted(group, f"Rule {number}: {words}", counts, "0 breaches", "the nine rules, DEVELOPERS.md", first))
    found.append(Criterion(
        group, "Rule 9: it says what it is not", "said", "said", "the nine rules, DEVELOPERS.md", True,
        note=f"rules 1 to 8 by a witness with books of its own, over {watched} requests and permits",
    ))  # fmt: skip
    refusals = [sum(one.calm_refusals.values()) for one in seasons]
    rules = sorted({rule for one in seasons for rule in one.calm_refusals})
    every = sum(sum(one.refusals.values()) for one in seasons)
    note = f"{', '.join(rules) or 'none'}; with faults {every} in all"
    found.append(_counted(group, "Guard refusals where no fault reaches", refusals, "0", OURS, note))
    faulted = [sum(one.calm_faulted.values()) for one in seasons]
    names = sorted({name for one in seasons for name in one.calm_faulted})
    found.append(_counted(group, "Enclosures faulted where no fault reaches", faulted, "0", OURS, ", ".join(names)))
    return found


def _least(
    group: str, name: str, values: Sequence[float | None], least: float, unit: str, source: str, note: str = ""
) -> Criterion:
    known = [one for one in values if one is not None]
    by_seed = tuple("none" if one is None else f"{one:.2f} {unit}" for one in values)
    if not known:
        return Criterion(group, name, "nothing to measure", f"at least {least:g} {unit}", source, None, by_seed, note)
    worst = min(known)
    return Criterion(group, name, f"{worst:.2f} {unit}", f"at least {least:g} {unit}", source, worst >= least, by_seed, note)


def _gas_held(seasons: Sequence[Season], schedule: str) -> list[Criterion]:
    group = "Gas at the fruit"
    least = IN_BAND_PCT.get(schedule, IN_BAND_PCT_ELSE)
    truth = "by the plant's truth, both gases, of the time held"
    found = [
        _least(group, "Time in band where no fault reaches", [in_band_pct(one, True) for one in seasons], CALM_IN_BAND_PCT,
               "%", OURS, truth),
        _least(group, "Time in band, all in all", [in_band_pct(one) for one in seasons], least, "%", OURS, truth),
    ]  # fmt: skip
    for name, which, extreme in (
        ("Fruit below its oxygen floor", "below_floor_min", "lowest_o2_pct"),
        ("Fruit above its CO2 ceiling", "above_ceiling_min", "highest_co2_pct"),
    ):
        sums = [sum(getattr(harm, which) for harm in one.harm.values()) for one in seasons]
        harmed = [harm for one in seasons for harm in one.harm.values() if getattr(harm, which) > 0.0]
        note = "; ".join(f"{one.enclosure} {getattr(one, which):.0f} min, to {getattr(one, extreme):.2f} %" for one in harmed)
        by_seed = tuple(f"{one:.0f} min" for one in sums)
        found.append(Criterion(group, name, f"{sum(sums):.0f} min", "never", "the site file's recipes", not any(sums), by_seed,
                               note))  # fmt: skip
    return found


def _pull_downs(seasons: Sequence[Season]) -> list[Criterion]:
    group = "Pull-downs"
    every = [one for season in seasons for one in season.pull_downs]
    took_h = [one.took_s / HOUR_S for one in every if one.took_s is not None]
    free_h = [one.took_s / HOUR_S for one in every if one.took_s is not None and not one.touched]

    def told(hours: list[float]) -> str:
        return f"{min(hours):.1f} to {max(hours):.1f} h" if hours else "none"

    by_seed = tuple(told([one.took_s / HOUR_S for one in season.pull_downs if one.took_s is not None]) for season in seasons)
    return [
        Criterion(group, "Fastest and slowest that no fault reached", told(free_h), f"at most {PULL_DOWN_H_MAX:g} h",
                  "sealed and down within a day of picking: common practice, no source",
                  max(free_h) <= PULL_DOWN_H_MAX if free_h else None, note=f"{len(free_h)} of {len(every)} pull-downs"),
        Criterion(group, "Fastest and slowest of all", told(took_h), "", "", None, by_seed,
                  f"{len(every) - len(took_h)} had not ended at a vent, a fault or the season's end; "
                  f"{sum(one.openings for one in seasons)} enclosures were vented and opened"),
    ]  # fmt: skip


def _samples(site: SiteFile, seasons: Sequence[Season]) -> list[Criterion]:
    group = "Samples"
    worst = max(seasons, key=lambda one: one.worst_calm_age_share)
    oldest = max(seasons, key=lambda one: one.worst_age_s)
    return [
        Criterion(group, "Oldest sample of a held enclosure that no fault reaches, over the bound kept for it",
                  f"{100.0 * worst.worst_calm_age_share:.0f} %", "at most 100 %", "the supervisor's own bound",
                  worst.worst_calm_age_share <= 1.0, tuple(f"{100.0 * one.worst_calm_age_share:.0f} %" for one in seasons),
                  worst.worst_calm_age),
        Criterion(group, "Oldest sample of any sealed enclosure, faults and all", f"{oldest.worst_age_s / 60.0:.0f} min",
                  "", "", None, tuple(f"{one.worst_age_s / 60.0:.0f} min" for one in seasons),
                  f"{oldest.worst_age}; no gas rests on one older than {site.timing.sample_age_s_max / 60.0:g} min"),
    ]  # fmt: skip


def _alarms(seasons: Sequence[Season]) -> list[Criterion]:
    group = "Alarms"
    lines = [beside_targets(one.performance) for one in seasons]
    found = []
    for place, line in enumerate(lines[0]):
        if line.target.name not in ALARM_FIGURES:
            continue
        every = [one[place] for one in lines]
        worst = max(every, key=lambda one: one.measured)
        unit = f" {line.target.unit}" if line.target.unit else ""
        source = "ISA-18.2-2016 / IEC 62682" + (", from memory" if line.target.from_memory else "")
        found.append(Criterion(
            group, line.target.name.capitalize(), f"{worst.measured:.3g}{unit}", line.target.words, source,
            all(one.standing != "above" for one in every), tuple(f"{one.measured:.3g}{unit}" for one in every),
        ))  # fmt: skip
    calm = sum((one.calm_alarms for one in seasons), start=type(seasons[0].calm_alarms)())
    told = ", ".join(f"{alarm} ({count})" for alarm, count in sorted(calm.items(), key=lambda one: (-one[1], one[0]))[:8])
    found.append(Criterion(group, "Alarms about what no fault reaches", str(sum(calm.values())), "", "", None,
                           tuple(str(sum(one.calm_alarms.values())) for one in seasons), told))  # fmt: skip
    return found


def _faults(seasons: Sequence[Season]) -> list[Criterion]:
    group = "Faults"
    every = [[one for one in season.faults] for season in seasons]
    flat = [one for faults in every for one in faults]
    if not flat:
        return [Criterion(group, "Faults", "none", "", "", None)]

    def each(name: str, wrong: str, of: str, bound: str, source: str, note: str = "") -> Criterion:
        def bad(faults: list[FaultSeen]) -> list[FaultSeen]:
            return [one for one in faults if _wrong(one, wrong)]

        due = sum(_due(one, of) for one in flat)
        numbers = ", ".join(
            f"{one.number} ({one.fault.name})" + (f" of seed {season.seed}" if len(seasons) > 1 else "")
            for season, faults in zip(seasons, every, strict=True) for one in bad(faults)
        )  # fmt: skip
        by_seed = tuple(f"{sum(_due(one, of) for one in faults) - len(bad(faults))} of {sum(_due(one, of) for one in faults)}"
                        for faults in every)  # fmt: skip
        count = due - len(bad(flat))
        return Criterion(group, name, f"{count} of {due}", bound, source, count == due if due else None, by_seed,
                         f"not: {numbers}" if numbers else note)  # fmt: skip

    needless = sum(naming(one) in ("need not be", "never showed") for one in flat)
    slowest = max((recovered_h(one) or 0.0 for one in flat), default=0.0)
    return [
        each("Found and named rightly in time", "found", "found", "all that have to be", "the rehearsal's table of faults",
             f"{needless} more had not to be found: harmless, not to be found at all, or over before they showed"),
        each("Consequence taken in time and kept", "taken", "taken", "all", "the rehearsal's table of faults"),
        each("Recovered from within a day of its end", "recovered", "recovered", f"within {RECOVERY_H_MAX:g} h", OURS,
             f"slowest {slowest:.1f} h"),
    ]  # fmt: skip


def _due(one: FaultSeen, what: str) -> bool:
    match what:
        case "found":
            return one.bound_s is not None and naming(one) != "never showed"
        case "taken":
            return one.taken is not None
    return True


def _wrong(one: FaultSeen, what: str) -> bool:
    match what:
        case "found":
            return _due(one, what) and naming(one) != "rightly"
        case "taken":
            return one.taken is False
    hours = recovered_h(one)
    return hours is None or hours > RECOVERY_H_MAX


def _use(site: SiteFile, seasons: Sequence[Season]) -> list[Criterion]:
    group = "Gas used"
    found = []
    for gas, called in (("nitrogen", "Nitrogen"), ("co2", "CO2"), ("air", "Make-up and venting air")):
        values = [gas_per_day_nl(one, gas) for one in seasons]
        found.append(Criterion(group, f"{called}, for each enclosure and day sealed", f"{max(values):.1f} nl", "", "", None,
                               tuple(f"{one:.1f} nl" for one in values)))  # fmt: skip
    for source in site.source:
        left = [one.stock_kg[source.id] for one in seasons if source.id in one.stock_kg]
        if left:
            found.append(Criterion(
                group, f"Stock of {source.id} at the end", f"{min(left):.0f} kg",
                f"above the reserve, {source.reserve_kg:g} kg", "the site file", min(left) > source.reserve_kg,
                tuple(f"{one:.0f} kg" for one in left),
            ))  # fmt: skip
    return found
