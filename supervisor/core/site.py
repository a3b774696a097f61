"""The core: one pure function of its events. It opens nothing, waits for nothing, asks no clock and draws no number.

Messages update the picture; decisions are taken on ticks, so order of arrival and bursts change nothing. A tick looks at
what has news, and once each `tick_s` at everything, so its cost follows the news and not the size of the site.
"""

from pydantic import TypeAdapter

from supervisor.core import (
    accounts,
    alarm_words,
    alarms,
    calibration,
    commands,
    corrections,
    decide,
    dosing,
    entry,
    findings,
    fit,
    ledger,
    people,
    readings,
    room_air,
    rows,
    sampling,
    sources,
    stock,
    transitions,
    units,
)  # fmt: skip
from supervisor.core.desk import Desk
from supervisor.core.reasons import Told
from supervisor.core.state import SiteState
from supervisor.messages import (
    AnalyserReading,
    DoseReport,
    OperatorCommand,
    RoomAir,
    RoomClimate,
    RoomDoor,
    SourceStatus,
    UnitStatus,
)  # fmt: skip
from supervisor.settings import SiteFile
from supervisor.values import (
    GASES,
    Arrived,
    Effect,
    Event,
    LinkChanged,
    PermitRefused,
    PlantFinding,
    RequestRefused,
    ShellTrouble,
    Started,
    Stopping,
    Ticked,
)  # fmt: skip

_STATE = TypeAdapter(SiteState)
SHOW_S = 60.0  # an enclosure's state is published at least this often, so that a screen sees it live
LINK_LOST = "no word comes back from the broker; valves shut by themselves"
EPOCH_WAIT_S = 30.0  # how long a start waits for every unit to tell the epoch it has seen


class Core:
    """The site's controller. `step` changes only the core itself, and what it returns depends only on the events."""

    def __init__(self, site: SiteFile) -> None:
        self.site = site
        self.state = SiteState()
        self.told: list[Told] | None = None
        """Whoever wants to know why puts a list here; the reasons of each step are added to it."""
        fit.fit(site, self.state)

    @classmethod
    def load(cls, site: SiteFile, blob: bytes) -> "Core":
        """A core as it was when `blob` was dumped, fitted to what the site file has gained and lost since."""
        core = cls(site)
        core.state = _STATE.validate_json(blob)
        fit.fit(site, core.state)
        return core

    def dump(self) -> bytes:
        """Everything remembered, as JSON."""
        return _STATE.dump_json(self.state)

    def step(self, event: Event) -> list[Effect]:
        """Takes one event; returns what is to be done about it, in order."""
        desk = Desk(self.site, self.state, event.now, told=self.told)
        _watch_clock(desk)
        match event:
            case Ticked():
                _tick(desk)
            case Arrived():
                _arrive(desk, event)
            case RequestRefused():
                dosing.on_refused(desk, event.enclosure, event.gas, event.request_id, event.rule, event.measured, event.limit)
            case PermitRefused():
                entry.on_permit_refused(desk, event.room, event.rule, event.measured, event.limit)
            case PlantFinding():
                findings.on_finding(desk, event)
            case LinkChanged():
                _link(desk, event.up)
            case ShellTrouble():
                alarms.condition(desk, event.trouble, "site", event.active, event.detail)
            case Started():
                _start(desk, event)
            case Stopping():
                _stop(desk)
        return desk.effects


def _start(desk: Desk, event: Started) -> None:
    """A new run: nothing was seen yet, and every valve is told to shut before anything else is asked of it."""
    state = desk.state
    state.epoch = max(state.epoch + 1, event.epoch)
    state.instance = event.instance
    state.started_mono_s, state.started_wall_s = desk.now.mono_s, desk.now.wall_s
    state.wall_minus_mono_s = desk.now.wall_s - desk.now.mono_s
    _forget(desk)
    state.link_up = state.stopping = state.epoch_used = state.epoch_settled = state.overtaken = False
    state.swept_mono_s = None
    for room in state.rooms.values():
        room.permit_sent_mono_s = None
        room.dosing_permitted = room.air_permitted = False
        room.status, room.reasons = "forbidden", ["just started, no air measurement yet"]
    for kept in state.enclosures.values():
        kept.wanted_nl, kept.decided_mono_s = {}, None
    alarms.condition(desk, "epoch_overtaken", "site", False)
    alarm_words.follow_site_file(desk)
    accounts.begin(desk)
    people.follow_site_file(desk)
    desk.say("started", epoch=state.epoch, instance=event.instance)


def _forget(desk: Desk) -> None:
    """Whatever was heard so far counts as never heard."""
    state = desk.state
    state.trusted_mono_s = desk.now.mono_s
    for unit in state.units.values():
        unit.heard_mono_s = unit.observed_wall_s = None
        unit.offsets_s = []
    for room in state.rooms.values():
        room.good_since_mono_s = None
        for sensor in room.sensors.values():
            sensor.observed_s = sensor.heard_mono_s = None
    for analyser in state.analysers.values():
        analyser.visit = analyser.heard_mono_s = None
        analyser.run_line, analyser.calibration.run = "", None
        analyser.run_line = ""
        analyser.drawn = analyser.before = None
        analyser.still = {}
    for source in state.sources.values():
        source.heard_mono_s = None


def _link(desk: Desk, up: bool) -> None:
    """On every connect the full picture goes out again: what the broker kept is a cache that may be gone."""
    state = desk.state
    if up == state.link_up:
        return
    state.link_up = up
    if up:
        state.linked_mono_s = desk.now.mono_s
    for room in state.rooms.values():  # whatever was permitted, the next tick says it anew
        room.dosing_permitted = room.air_permitted = False
        room.permit_sent_mono_s = None
    alarms.condition(desk, "link_lost", "site", not up, LINK_LOST)
    desk.say("link", "info" if up else "error", up=up)
    if not up:
        return
    for name in state.rooms:
        entry.show(desk, name)
        entry.show_sounder(desk, name)
    for name in state.enclosures:
        transitions.show(desk, name)
    alarms.show_all(desk)
    units.say_online(desk, True)  # last: whoever believes a room that the last run left behind must first hear of this one
    if not state.epoch_used:
        for name in state.enclosures:
            for gas in GASES:
                if desk.site.source_of(name, gas) is not None:
                    transitions.stop(desk, name, gas, "supervisor has just started")


def _stop(desk: Desk) -> None:
    """A clean end: permits withdrawn, every running dose stopped, said so."""
    state = desk.state
    state.stopping = True
    for name in state.rooms:
        entry.end(desk, name)
    for name in state.enclosures:
        for dose in ledger.open_doses(desk, name):
            transitions.stop(desk, name, dose.gas, "supervisor ends")
    units.say_online(desk, False)
    desk.say("stopping", epoch=state.epoch)


def _arrive(desk: Desk, event: Arrived) -> None:
    names, body = event.names, event.body
    rows.record(desk, names, body)
    match body:
        case AnalyserReading():
            accounts.on_reading(desk, names[0], body)
            readings.on_reading(desk, names[0], body)
        case RoomAir():
            room_air.on_air(desk, names[0], names[1], body)
        case RoomDoor():
            people.on_door(desk, names[0], body)
        case RoomClimate():
            corrections.on_barometer(desk, body.barometer_pa)
        case UnitStatus():
            units.on_status(desk, names[0], body)
        case DoseReport():
            ledger.on_report(desk, names[0], names[1], body)  # type: ignore[arg-type]
        case SourceStatus():
            sources.on_status(desk, names[0], body)
            stock.on_status(desk, names[0])
        case OperatorCommand():
            commands.on_command(desk, body)
        case _:
            pass  # what valves, bags and pulp say is the watch's and the history's affair


def _watch_clock(desk: Desk) -> None:
    """Intervals are measured on the monotonic clock, so a jump of the wall clock ages nothing and doubles nothing. But
    every age that came from a unit's time was against the old clock: all inputs must be seen again.
    """
    state = desk.state
    difference_s = desk.now.wall_s - desk.now.mono_s
    if state.wall_minus_mono_s is None:
        state.wall_minus_mono_s = difference_s
    jump_s = difference_s - state.wall_minus_mono_s
    if abs(jump_s) > desk.site.timing.clock_offset_s_max:
        state.wall_minus_mono_s = difference_s
        _forget(desk)
        alarms.condition(desk, "clock_jumped", "site", True, f"by {jump_s:+.1f} s")
        alarms.condition(desk, "clock_jumped", "site", False)


def _tick(desk: Desk) -> None:
    state, site = desk.state, desk.site
    sweeping = state.swept_mono_s is None or desk.now.mono_s - state.swept_mono_s >= site.timing.tick_s
    if sweeping:
        if not state.link_up and desk.now.mono_s - state.started_mono_s >= site.timing.start_grace_s:
            alarms.condition(desk, "link_lost", "site", True, LINK_LOST)  # it may never have come up: then nobody saw it go
        units.judge(desk)
        if not state.epoch_settled:
            waited = desk.now.mono_s - state.started_mono_s >= EPOCH_WAIT_S
            state.epoch_settled = state.link_up and (units.heard_all(desk) or waited)
        for name in state.sources:
            if name in site.gas_sources:
                sources.judge(desk, name)
                stock.judge(desk, name)
    people.judge_gone(desk)
    for name in site.rooms if sweeping else list(state.dirty_rooms):
        entry.judge(desk, name)
    names = [name for name in (site.enclosures if sweeping else state.dirty) if name in site.enclosures]
    for name in names:
        if name in state.dirty:
            decide.on_sample(desk, name)
    for name in names:
        dosing.judge(desk, name)
    if names:
        dosing.serve(desk, names, sweeping)
    if desk.told is not None:
        for name in names:
            decide.tell_standing(desk, name)
    for name in names:
        _show_if_news(desk, name)
    for name in site.analysers if sweeping else ():
        calibration.judge(desk, name)
    for name in site.analysers if sweeping else _just_sampled(desk, names):
        sampling.judge(desk, name)
    state.dirty.clear()
    state.dirty_rooms.clear()
    if sweeping:
        alarms.on_tick(desk)
        state.swept_mono_s = desk.now.mono_s


def _just_sampled(desk: Desk, enclosures: list[str]) -> list[str]:
    """The analysers that gave these enclosures' samples: between two sweeps only their visits can be over."""
    samples = [sample for name in enclosures if (sample := desk.state.enclosures[name].sample) is not None]
    return [name for name in dict.fromkeys(one.analyser for one in samples) if name in desk.site.analysers]


def _show_if_news(desk: Desk, name: str) -> None:
    """Publishes an enclosure when a sample or a problem is new, and once a minute so that its age is seen to grow."""
    kept = desk.state.enclosures[name]
    sample_age_s = None if kept.sample is None else desk.now.mono_s - kept.sample.taken_mono_s
    watched = kept.state != "filling"
    since_s = desk.now.mono_s - max(kept.since_mono_s, desk.state.started_mono_s)
    limit_s = desk.site.timing.sample_age_s_max
    old = sample_age_s is None or sample_age_s > limit_s
    # A start gives it time anew before it is an alarm, and ends no alarm that stands.
    overdue = watched and old and (since_s > limit_s or alarms.active(desk, "sample_overdue", name))
    if old and not alarms.active(desk, "out_of_band", name):
        alarms.condition(desk, "out_of_band", name, False)  # nobody knows any more that it still is
    told = "none since it was sealed" if sample_age_s is None else f"{sample_age_s:.0f} s old"
    alarms.condition(desk, "sample_overdue", name, overdue, f"last sample {told}, at most {limit_s:g} s")
    minute = int((desk.now.mono_s - kept.since_mono_s) // SHOW_S) if watched else 0
    seq = "" if kept.sample is None else f"{kept.sample.boot}/{kept.sample.seq}"
    said = f"{kept.state}|{seq if watched else ''}|{minute}|{','.join(alarms.problems(desk, name))}|{kept.doubted}"
    if said != kept.said:
        kept.said = said
        transitions.show(desk, name)
