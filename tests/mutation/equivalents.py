"""Mutants that survive because they change nothing that could be noticed, each with the reason. Key: module, line, mistake."""

_NEVER = "NEVER = Now(0.0, 0.0)  # any real instant has parted from it"
_UNASKED = 'self.enter(valve, Dose("", 0.0, 0.0, flow.nl_min * (end_s - begin_s) / 60.0, end_s, True), now)'
_PAST = "a flow nobody asked for is entered when it is past: then only what was delivered counts"
_WORDS = 'Word = Literal["occurs", "clears", "acknowledge", "shelve", "suppress", "take_out"]'
_LIFE_WORDS = ("occurs", "clears", "acknowledge", "shelve", "suppress", "take_out")
_LEVEL = 'Level = Literal["none", "small", "warned", "beyond_action", "beyond_twice"]'
_LEVEL_WORDS = ("none", "small", "warned", "beyond_action", "beyond_twice")
_BEFORE_START = "nothing passes before `Started`, which sets it"
_WAITS = (
    "waits = alarm.pending_mono_s is not None or alarm.clearing_mono_s is not None or alarm.chattering or alarm.away_trips > 0"
)
_GAP_MAX = "left_s = min(seconds, (TWA_MINUTES + 1) * MINUTE_S)  # of a longer gap nothing else would be left anyway"
_TOUCH = "TOUCH_S = 1e-6  # sums of seconds that make a minute may lack a rounding error"
_DOOR_NOW = 'return named or (["whoever left its door open"] if self.kept.doors.get(room, (False, 0.0))[0] else [])'
_DOOR_BEFORE = 'was_open, before_s = self.kept.doors.get(room, (False, 0.0))'
_NO_DOOR = "no word has come from before 1970, and of a door that was never heard of only that it is not open counts"
_AIR_FIRST = "where nitrogen and CO2 are permitted, air is"
_AHEAD = (
    'return f", {limit_pct:g} % CO2 in {60.0 * hours:.0f} min if it goes on" if hours is not None and hours < AHEAD_H else ""'
)

EQUIVALENT: dict[tuple[str, str, str], str] = {
    ("guard", "dose = Dose(effect.request_id, flow_nl_min, volume_nl, 0.0, until_s, False)", "0.0 minus"): "-0 is 0",
    ("guard_memory", _NEVER, "0.0 plus"): "a second after the beginning of 1970 is as far from now",
    ("guard_memory", _NEVER, "0.0 minus"): "a second before the beginning of 1970 is as far from now",
    ("guard_memory", "link_up: bool = False", "False to True"): _BEFORE_START,
    ("guard_memory", "epoch: int = 0", "0 plus"): "epochs begin at 1",
    ("guard_memory", "epoch: int = 0", "0 minus"): "epochs begin at 1",
    ("guard_memory", "epoch_seen: int = -1  # the highest that any unit has reported", "1 plus"): "below any epoch too",
    ("guard_memory", "epoch_seen: int = -1  # the highest that any unit has reported", "1 minus"): "below any epoch too",
    ("guard_memory", "epoch_passed: int = -1  # the highest that went out since the start", "1 plus"): _BEFORE_START,
    ("guard_memory", "epoch_passed: int = -1  # the highest that went out since the start", "1 minus"): _BEFORE_START,
    ("guard_memory", "epoch_passed: int = -1  # the highest that went out since the start", "lose minus"): _BEFORE_START,
    (
        "guard_memory",
        "self.kept.epoch, self.kept.epoch_passed = max(self.kept.epoch, event.epoch), -1",
        "1 plus",
    ): "no unit reports -2 either",
    ("guard_memory", _UNASKED, "'' lost"): _PAST,
    ("guard_memory", _UNASKED, "0.0 plus"): _PAST,
    ("guard_memory", _UNASKED, "0.0 minus"): _PAST,
    ("guard_memory", _UNASKED, "True to False"): _PAST,
    **{("guard_memory", _DOOR_NOW, what): _NO_DOOR for what in ("0.0 plus", "0.0 minus")},
    ("guard_memory", _DOOR_NOW, "'whoever left its door open' lost"): "words for who reads a refusal",
    **{("guard_memory", _DOOR_BEFORE, what): _NO_DOOR for what in ("0.0 plus", "0.0 minus", "False to True")},
    (
        "core/alarms",
        'def condition(desk: Desk, name: str, subject: str, active: bool, text: str = "") -> None:',
        "'' lost",
    ): "without a text the condition is over, and its words are not used",
    ("core/alarms", _WAITS, "0 plus"): "one that chatters away has come three times at least",
    ("core/alarm_rate", "return False", "return nothing"): "nothing is as false",
    **{("core/alarm_life", _WORDS, f"{word!r} lost"): "for who reads, and for type checkers" for word in _LIFE_WORDS},
    **{("core/calibration_sums", _LEVEL, f"{word!r} lost"): "for who reads, and for type checkers" for word in _LEVEL_WORDS},
    ("core/exposure", _GAP_MAX, "1 plus"): "of a longer gap a minute more falls out again at once",
    ("core/exposure", _TOUCH, "1e-06 plus"): "any amount between a rounding error and a second does",
    ("core/exposure", _TOUCH, "1e-06 minus"): "any amount between a rounding error and a second does",
    ("core/exposure", "if kept.open_s > MINUTE_S - TOUCH_S:", "Gt to GtE"): "no sum of seconds meets it to the last bit",
    ("core/room_load", "if beyond > worst:", "Gt to GtE"): "no quotient of measured figures meets it exactly",
    ("core/room_load", _AHEAD, "Lt to LtE"): "no quotient of measured figures meets it exactly",
    ("core/room_air", "desk.state.dirty_rooms[room_name] = True", "True to False"): "that it is there is what counts",
    ("core/people", "desk.state.dirty_rooms[name] = True", "True to False"): "that it is there is what counts",
    ("core/people", "room.at_door[person] = True", "True to False"): "that it is there is what counts",
    ("core/entry", 'return [_AGE.sub("", reason) for reason in reasons]', "'' lost"): "both sides get the same in its place",
    ("core/entry", "state.epoch_used = state.epoch_used or dosing or air", "drop operand 1 of Or"): _AIR_FIRST,
    ("core/entry", "if not (dosing or air) and not changed and sent_s is not None:", "drop operand 0 of Or"): _AIR_FIRST,
    ("core/people", "room.at_door[OTHERS] = True", "True to False"): "that it is there is what counts",
    ("core/people", "desk.state.dirty_rooms[command.target] = True", "True to False"): "that it is there is what counts",
}
