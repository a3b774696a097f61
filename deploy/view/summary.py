"""What a run came to: one dictionary for a file, and the same as text."""

from collections import Counter
from typing import Any, NamedTuple

from deploy.view.picture import Picture
from deploy.view.words import UNKNOWN, day_and_clock, duration, percent, plain
from supervisor.caution import CAUTION
from supervisor.values import GASES


class Run(NamedTuple):
    """What the processes know of a run. Times: `real_s` the machine's, `began_s` and `ended_s` the site's, UTC."""

    speed: float
    real_s: float
    began_s: float
    ended_s: float
    ended_by: str
    restarts: dict[str, int]


def summarise(picture: Picture, run: Run) -> dict[str, Any]:
    """Everything that the summary tells, ready for JSON. Gas in normal litres, ages and times in the site's seconds."""
    states = Counter("unknown" if one is None else one.state for one in picture.enclosures.values())
    enclosures = {name: _enclosure(picture, name) for name in picture.enclosures}
    oldest = {name: one["worst_sample_age_s"] for name, one in enclosures.items() if one["worst_sample_age_s"] is not None}
    worst = max(oldest, key=lambda name: oldest[name], default=None)
    return {
        "caution": CAUTION,
        "site": picture.site.site.id,
        "speed": run.speed,
        "real_s": round(run.real_s, 1),
        "site_s": round(run.ended_s - run.began_s, 1),
        "began_at": day_and_clock(run.began_s),
        "ended_at": day_and_clock(run.ended_s),
        "ended_by": run.ended_by,
        "restarts": run.restarts,
        "enclosures_by_state": dict(states),
        "enclosures": enclosures,
        "rooms": {name: "unknown" if one.entry is None else one.entry.status for name, one in picture.rooms.items()},
        "gas_nl": {gas: round(sum(one.gas_nl[gas] for one in picture.tally.values()), 1) for gas in GASES},
        "alarms_raised_by_priority": picture.alarm_tally.by_priority(),
        "alarms_standing": [
            {"alarm": name, "priority": one.priority, "state": one.state, "subject": one.subject, "text": one.text}
            for name, one in picture.standing_alarms()
        ],
        "worst_sample_age_s": {"enclosure": worst, "age_s": None if worst is None else oldest[worst]},
        "messages": {"heard": picture.messages, "unreadable": picture.unreadable, "rejected": picture.rejected},
    }


def _enclosure(picture: Picture, name: str) -> dict[str, Any]:
    state, tally = picture.enclosures[name], picture.tally[name]
    return {
        "state": "unknown" if state is None else state.state,
        "recipe": None if state is None else state.recipe,
        "o2_pct": None if state is None else state.o2_pct,
        "o2_setpoint_pct": None if state is None else state.o2_setpoint_pct,
        "co2_pct": None if state is None else state.co2_pct,
        "co2_setpoint_pct": None if state is None else state.co2_setpoint_pct,
        "time_to_hold_s": _rounded(tally.time_to_hold_s),
        "worst_sample_age_s": _rounded(tally.worst_sample_age_s),
        "gas_nl": {gas: round(tally.gas_nl[gas], 1) for gas in GASES},
    }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)


def as_text(summary: dict[str, Any]) -> list[str]:
    """The summary as lines."""
    states = ", ".join(f"{count} {plain(state)}" for state, count in summary["enclosures_by_state"].items())
    raised = ", ".join(f"{count} {priority}" for priority, count in summary["alarms_raised_by_priority"].items() if count)
    restarts = ", ".join(f"{name} {count}" for name, count in summary["restarts"].items())
    worst = summary["worst_sample_age_s"]
    lines = [
        f"Site {summary['site']}: {duration(summary['site_s'])} of the site's time in {duration(summary['real_s'])}"
        f" at {summary['speed']:g} x; ended by {summary['ended_by']}",
        f"Enclosures: {states}",
        f"  {'':10} {'state':14} {'O2 / set %':>12} {'CO2 / set %':>12} {'to hold':>8} {'worst sample':>12}"
        f" {'N2 nl':>7} {'CO2 nl':>7} {'air nl':>7}",
    ]
    for name, one in summary["enclosures"].items():
        gas = " ".join(f"{one['gas_nl'][gas]:7.0f}" for gas in GASES)
        lines.append(
            f"  {name:10} {plain(one['state']):14} {_of(one, 'o2'):>12} {_of(one, 'co2'):>12}"
            f" {duration(one['time_to_hold_s']):>8} {duration(one['worst_sample_age_s']):>12} {gas}"
        )
    lines += [
        "Rooms: " + ", ".join(f"{name} {status}" for name, status in summary["rooms"].items()),
        f"Alarms raised: {raised or 'none'}; standing: {len(summary['alarms_standing']) or 'none'}",
        *(
            f"  {one['priority']}: {one['subject']}: {one['text']} ({plain(one['state'])})"
            for one in summary["alarms_standing"]
        ),
        f"Oldest sample: {duration(worst['age_s'])}" + (f" ({worst['enclosure']})" if worst["enclosure"] else ""),
        f"Restarts: {restarts}; messages: {summary['messages']['heard']} heard,"
        f" {summary['messages']['rejected']} rejected by the supervisor, {summary['messages']['unreadable']} unreadable here",
        summary["caution"],
    ]
    return lines


def _of(one: dict[str, Any], gas: str) -> str:
    setpoint = one[f"{gas}_setpoint_pct"]
    return UNKNOWN if setpoint is None else f"{percent(one[f'{gas}_pct'])} / {setpoint:g}"
