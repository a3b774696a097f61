"""Does a room's air move further than dosing explains? Found before any limit is reached, from its own sensors alone.

Whatever is let into an enclosure pushes as much of its mixture out into the room. By one-zone dilution, of `v` normal litres
with a share `x` of CO2 the room's CO2 can rise by no more than 100 x v / V: fresh air only lowers that. The share is taken
from the recipe (its ceiling, its floor, and a little) and not from the analyser, which has no say where people are concerned.
What the worst sensor does beyond that and a margin above its noise is gas that came another way: a burst hose, a supply line,
a torn enclosure. A slow leak of nitrogen stays within the account; the watch finds that by the enclosure's own answer.
"""

from supervisor.core import ledger
from supervisor.core.balance import AIR_O2_PCT
from supervisor.core.desk import Desk
from supervisor.core.room_air import Air
from supervisor.core.room_balance import hours_to_pct
from supervisor.core.state import Account, AirMinute, Dose

MINUTE_S = 60.0
MINUTES = 15  # how far back a movement is looked for
GAP_S = 120.0  # after so long without a look the account begins anew
AHEAD_H = 2.0  # what is further off than this is not worth a word
SHARE_SLACK = 1.1  # what is held may stand a little beyond its ceiling or its floor
SHARE_MORE_PCT = 1.0


def follow(desk: Desk, name: str, air: Air) -> str:
    """Counts what was seen since the last look; returns what moves and why that is not explained, or nothing."""
    account = desk.state.rooms[name].account
    passed_s = desk.age_s(account.counted_mono_s)
    account.counted_mono_s = desk.now.mono_s
    if air.doubts or passed_s is None or passed_s > GAP_S:
        account.minutes, account.open = [], AirMinute()  # from unknown to known is no movement; what was found stands
        return account.moving
    _count(desk, name, account.open, air, passed_s)
    if account.open.lasted_s >= MINUTE_S:
        lasted_s = account.open.lasted_s
        account.open.o2_pct /= lasted_s
        account.open.co2_pct /= lasted_s
        account.minutes = [*account.minutes, account.open][-MINUTES:]
        account.open = AirMinute()
        account.moving = _moving(desk, name, account)
    return account.moving


def _count(desk: Desk, name: str, minute: AirMinute, air: Air, passed_s: float) -> None:
    minute.lasted_s += passed_s
    minute.o2_pct += min(one.o2_pct for _, one in air.heard) * passed_s
    minute.co2_pct += max(one.co2_pct for _, one in air.heard) * passed_s
    for enclosure in desk.site.enclosures_of_room[name]:
        flow_nl_min = sum(dose.flow_nl_min for dose in ledger.open_doses(desk, enclosure))
        recipe, let_in_nl = desk.site.recipe_of(enclosure), flow_nl_min * passed_s / 60.0
        co2_pct_max = SHARE_SLACK * recipe.co2_ceiling_pct + SHARE_MORE_PCT
        minute.co2_in_nl += let_in_nl * co2_pct_max / 100.0
        minute.o2_out_nl += let_in_nl * (AIR_O2_PCT - recipe.o2_floor_pct / SHARE_SLACK) / 100.0


def _moving(desk: Desk, name: str, account: Account) -> str:
    """The movement that lies furthest beyond its explanation, in words; nothing when all is explained."""
    room, last = desk.site.rooms[name], account.minutes[-1]
    volume_nl = 1000.0 * room.volume_m3
    worst, found = 1.0, ""  # how many margins lie between what moved and what explains it
    for start in reversed(range(len(account.minutes))):
        span = account.minutes[start:]
        before = span[0]
        for gas, moved_pct, explained_nl, margin_pct in (
            ("CO2 rose", last.co2_pct - before.co2_pct, sum(one.co2_in_nl for one in span), room.moving_co2_pct_max),
            ("oxygen sank", before.o2_pct - last.o2_pct, sum(one.o2_out_nl for one in span), room.moving_o2_pct_max),
        ):
            explained_pct = 100.0 * explained_nl / volume_nl
            beyond = (moved_pct - explained_pct) / margin_pct
            if beyond > worst:
                worst = beyond
                found = f"{gas} by {moved_pct:.3f} % in {len(span) - 1} min, dosing explains at most {explained_pct:.3f} %"
    return f"{found}{_ahead(desk, name, account)}; {_dosed_last(desk, name)}" if found else ""


def _ahead(desk: Desk, name: str, account: Account) -> str:
    """How long until CO2 passes its limit if it goes on like this: as from pure CO2 into a closed room."""
    room, last = desk.site.rooms[name], account.minutes[-1]
    before = account.minutes[-2] if len(account.minutes) > 1 else last
    inflow_m3_h = room.volume_m3 * (last.co2_pct - before.co2_pct) * 3600.0 / last.lasted_s / (100.0 - last.co2_pct)
    limit_pct = room.limits.co2_clear_max.pct
    hours = hours_to_pct(last.co2_pct, limit_pct, 100.0, inflow_m3_h, room.volume_m3)
    return f", {limit_pct:g} % CO2 in {60.0 * hours:.0f} min if it goes on" if hours is not None and hours < AHEAD_H else ""


def _dosed_last(desk: Desk, name: str) -> str:
    doses = [
        dose for enclosure in desk.site.enclosures_of_room[name] for dose in desk.state.enclosures[enclosure].doses.values()
    ]
    if not doses:
        return "nothing was dosed in this room lately"
    last: Dose = max(doses, key=lambda dose: (dose.asked_mono_s, dose.request_id))
    return f"dosed last: {last.enclosure} with {last.gas}, {desk.now.mono_s - last.asked_mono_s:.0f} s ago"
