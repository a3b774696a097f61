"""How fast alarms come: one that chatters, the first of a burst, and a flood of them.

Chatter is an alarm that comes three times within a minute (ISA-18.2-2016). A flood begins with more than ten new alarms in
ten minutes and ends when there are fewer than five (ISA-18.2-2016; the end from memory).
"""

from collections import Counter

from supervisor.core.desk import Desk
from supervisor.core.state import Alarm

CHATTER_TRIPS = 3
CHATTER_S = 60.0
BURST_S = 60.0  # common practice, no source: what comes after a minute's silence begins a burst
FLOOD_S = 600.0
FLOOD_BEGINS = 11
FLOOD_ENDS = 5
GROUPS_TOLD = 6


def trip(desk: Desk, key: str, alarm: Alarm, unseen: bool) -> bool:
    """Notes that this alarm comes. True when it is only one more trip of an occurrence that chatters and that nobody has
    acknowledged: people are not told anew. Else it counts as new, in this minute and in these ten.
    """
    now_s = desk.now.mono_s
    alarm.trips_mono_s = [one for one in alarm.trips_mono_s if one > now_s - CHATTER_S] + [now_s]
    if len(alarm.trips_mono_s) >= CHATTER_TRIPS and not alarm.chattering:
        alarm.chattering = True
        desk.say("alarm_chattering", "warning", alarm=key, occurrence=alarm.occurrence, trips=alarm.trips + 1)
    if alarm.chattering and unseen:
        alarm.trips += 1
        return True
    alarm.trips = 1
    alarm.first = all(at_s <= now_s - BURST_S for at_s, _ in desk.state.announced)
    if alarm.name != "alarm_flood":
        desk.state.announced.append((now_s, key))
    return False


def calm(desk: Desk, key: str, alarm: Alarm) -> None:
    """A minute without a trip ends the chatter."""
    if alarm.chattering and desk.now.mono_s - alarm.trips_mono_s[-1] >= CHATTER_S:
        alarm.chattering, alarm.trips_mono_s = False, []
        desk.say("alarm_calm", alarm=key, occurrence=alarm.occurrence, trips=alarm.trips, state=alarm.state)


def away(desk: Desk, key: str, alarm: Alarm) -> None:
    """Notes that an alarm comes that is away, and says so. One that chatters there is said once more and then no more."""
    now_s = desk.now.mono_s
    alarm.away_trips_mono_s = [one for one in alarm.away_trips_mono_s if one > now_s - CHATTER_S] + [now_s]
    if alarm.away_trips:
        alarm.away_trips += 1
    elif len(alarm.away_trips_mono_s) >= CHATTER_TRIPS:
        alarm.away_trips = CHATTER_TRIPS
        desk.say("alarm_away_chattering", alarm=key, trips=CHATTER_TRIPS, state=alarm.state)
    else:
        desk.say("alarm_unannounced", alarm=key, condition=True, state=alarm.state, text=alarm.text)


def away_calm(desk: Desk, key: str, alarm: Alarm, back: bool = False) -> None:
    """A minute without a trip, or coming back, ends the chatter of an alarm that is away; how it stands is said then."""
    if not alarm.away_trips or not (back or desk.now.mono_s - alarm.away_trips_mono_s[-1] >= CHATTER_S):
        return
    desk.say("alarm_away_calm", alarm=key, trips=alarm.away_trips, condition=alarm.condition, state=alarm.state)
    alarm.away_trips, alarm.away_trips_mono_s = 0, []


def flood(desk: Desk, flooding: bool) -> str:
    """How many alarms came in the last ten minutes and which, grouped, the most frequent first; empty when they are no flood.
    `flooding`: they were one until now."""
    state = desk.state
    state.announced = [one for one in state.announced if one[0] > desk.now.mono_s - FLOOD_S]
    count = len(state.announced)
    if count < (FLOOD_ENDS if flooding else FLOOD_BEGINS):
        return ""
    groups = Counter(state.alarms[key].name for _, key in state.announced).most_common()
    told = ", ".join(f"{number} {name}" for name, number in groups[:GROUPS_TOLD])
    more = f" and {len(groups) - GROUPS_TOLD} kinds more" if len(groups) > GROUPS_TOLD else ""
    return f"{count} new alarms in ten minutes: {told}{more}"
