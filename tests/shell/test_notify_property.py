"""Whatever alarms do in whatever order, with restarts in between: somebody is told of each, the end is told to whoever was,
nobody gets more than the limits allow, and the duty roster is kept where it has no gap.

An independent book of what stands is kept here, from the rules and not from the code.
"""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from notifykit import MONDAY_10, Story, crew
from pydantic import TypeAdapter

from supervisor.shell.notify.calls import Call, Calls, Note

ALARMS = {
    "unit_silent-u1": "high",
    "unit_silent-u2": "high",
    "out_of_band-n1": "medium",
    "room_air_dangerous-north": "critical",
    "epoch_overtaken-site": "critical",
    "late_report-u1": "low",
}
# By ISA-18.2 / IEC 62682 (from memory): what may follow what.
NEXT = {
    "normal": ["unacknowledged"],
    "unacknowledged": ["acknowledged", "returned_unacknowledged", "latched_unacknowledged", "shelved"],
    "acknowledged": ["normal", "latched_acknowledged"],
    "returned_unacknowledged": ["normal", "unacknowledged"],
    "latched_unacknowledged": ["latched_acknowledged", "unacknowledged"],
    "latched_acknowledged": ["normal", "unacknowledged"],
    "shelved": ["unacknowledged", "normal"],
}
PER_HOUR_MAX = 12
EVERYBODY = {
    "critical": {"ada", "ben", "cleo", "dov"}, "high": {"ada", "ben", "cleo"}, "medium": {"ada", "ben"}, "low": {"ada"},
}  # fmt: skip
CALL, NOTE = TypeAdapter(Call), TypeAdapter(Note)


class People(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.story = Story(crew(per_hour_max=PER_HOUR_MAX))
        self.state = {alarm: "normal" for alarm in ALARMS}
        self.occurrence = {alarm: 0 for alarm in ALARMS}
        self.heard: dict[str, set[tuple[str, int]]] = {}
        self.seen = 0
        self.disk_calls: dict[str, bytes] = {}
        self.disk_notes: dict[tuple[str, str], bytes] = {}

    @rule(alarm=st.sampled_from(sorted(ALARMS)), data=st.data())
    def changes(self, alarm: str, data: st.DataObject) -> None:
        was = self.state[alarm]
        state = data.draw(st.sampled_from(NEXT[was]))
        if state == "shelved" and alarm.startswith("room_air"):
            return
        if state == "unacknowledged" and was != "shelved":
            self.occurrence[alarm] += 1
        self.state[alarm] = state
        self._publish(alarm)

    @rule()
    def everything_is_published_again(self) -> None:
        parcels = len(self.story.parcels)
        standing = {alarm: call.told[:] for alarm, call in self.story.calls.calls.items()}
        for alarm in ALARMS:
            self._publish(alarm)
        assert {alarm: call.told for alarm, call in self.story.calls.calls.items()} == standing
        assert all(note.said_wall_s <= self.story.now.wall_s for one in self.story.parcels[parcels:] for note in one.notes)

    @rule(minutes=st.sampled_from([0.1, 1, 4, 16, 65, 700]))
    def time_goes_by(self, minutes: float) -> None:
        self.story.go(60.0 * minutes, step_s=6.0 if minutes < 60 else 60.0)

    @rule()
    def it_is_restarted(self) -> None:
        """What lies in the journal is all that a new process knows."""
        self._write_down()
        flood = self.story.calls.flood
        self.story.calls = Calls(
            {alarm: CALL.validate_json(what) for alarm, what in self.disk_calls.items()},
            {key: NOTE.validate_json(what) for key, what in self.disk_notes.items()},
            flood=flood,
        )

    @invariant()
    def nobody_gets_more_than_the_limits_allow(self) -> None:
        self._listen()
        for person, record in self.story.sent.items():
            now_s = self.story.now.mono_s
            lately = [at for at in record.mono_s if now_s - at < 3600.0]
            # Critical ones pass the limit, at one in ten seconds.
            critical = any(ALARMS[alarm] == "critical" for alarm, _ in self.heard.get(person, ()))  # and about people
            assert critical or len(lately) <= PER_HOUR_MAX + 1  # one for the daily summary

    @invariant()
    def a_standing_alarm_has_somebody_who_is_told(self) -> None:
        self._listen()
        for alarm, state in self.state.items():
            if state not in ("unacknowledged", "latched_unacknowledged"):
                continue
            call = self.story.calls.calls[alarm]
            key = (alarm, self.occurrence[alarm])
            assert call.occurrence == key[1] and call.told
            for person in call.told:
                waits = (person, alarm) in self.story.calls.notes
                assert waits or key in self.heard.get(person, ()), (person, key)

    @invariant()
    def nobody_waits_for_more_than_an_hour_and_a_minute_for_an_urgent_one(self) -> None:
        for note in self.story.calls.notes.values():
            if note.due_wall_s is None:
                assert self.story.now.mono_s - note.since_mono_s <= (60.0 if note.priority == "critical" else 3720.0)
            else:
                assert note.due_wall_s > self.story.now.wall_s - 60.0 and note.priority == "low"

    @invariant()
    def what_is_marked_as_changed_is_all_that_changed(self) -> None:
        self._write_down()
        assert self.disk_calls == {alarm: CALL.dump_json(one) for alarm, one in self.story.calls.calls.items()}
        assert self.disk_notes == {key: NOTE.dump_json(one) for key, one in self.story.calls.notes.items()}

    @invariant()
    def every_timer_lies_ahead_and_nobody_is_told_twice_at_once(self) -> None:
        for call in self.story.calls.calls.values():
            timers = [at for at in (call.escalate_mono_s, call.repeat_mono_s) if at is not None]
            assert all(at > self.story.now.mono_s for at in timers) and len(set(call.told)) == len(call.told)

    @invariant()
    def what_is_over_leaves_nothing_behind(self) -> None:
        over = {alarm for alarm, state in self.state.items() if state in ("normal", "returned_unacknowledged")}
        assert not over & set(self.story.calls.calls)

    def teardown(self) -> None:
        """All is acknowledged and over: within an hour and a day every word has gone out, and then there is silence."""
        for alarm in ALARMS:
            if self.state[alarm] != "normal":
                self.state[alarm] = "normal"
                self._publish(alarm)
        self.story.go(26 * 3600.0, step_s=30.0)
        assert self.story.calls.calls == {} and self.story.calls.notes == {}
        parcels = len(self.story.parcels)
        self.story.go(26 * 3600.0, step_s=600.0)
        assert len(self.story.parcels) == parcels

    def _write_down(self) -> None:
        """As the journal is: only what is marked as changed."""
        calls = self.story.calls
        for alarm in calls.dirty_calls:
            self.disk_calls.pop(alarm, None)
            if alarm in calls.calls:
                self.disk_calls[alarm] = CALL.dump_json(calls.calls[alarm])
        for key in calls.dirty_notes:
            self.disk_notes.pop(key, None)
            if key in calls.notes:
                self.disk_notes[key] = NOTE.dump_json(calls.notes[key])
        calls.dirty_calls.clear()
        calls.dirty_notes.clear()

    def _listen(self) -> None:
        for parcel in self.story.parcels[self.seen :]:
            self.heard.setdefault(parcel.person, set()).update((one.alarm, one.occurrence) for one in parcel.notes)
            assert all(parcel.person in EVERYBODY[note.priority] for note in parcel.notes)
        self.seen = len(self.story.parcels)

    def _publish(self, alarm: str) -> None:
        self.story.say(alarm, self.state[alarm], self.occurrence[alarm], priority=ALARMS[alarm])


TestPeople = People.TestCase
TestPeople.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)


def test_the_story_begins_on_a_working_day_at_ten() -> None:
    assert Story().rules.roster.local(MONDAY_10) == "2026-08-31 10:00:00 UTC+0100"
