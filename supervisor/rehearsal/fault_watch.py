"""What comes of each fault: found by which alarm after how long, its consequence, when all was well again, what people saw.

One `Track` for each fault, from shortly before its start until everything that it reaches has recovered.
"""

from collections import deque
from collections.abc import Iterable, Mapping

from simulator.kinds import Fault
from simulator.library import LIBRARY
from simulator.library import sentence as in_words
from supervisor.rehearsal.expected import expected, gas_of, touched
from supervisor.rehearsal.judged import Course, judge
from supervisor.rehearsal.outcome import AlarmSeen, FaultSeen, Point
from supervisor.rehearsal.reach import reach
from supervisor.settings import SiteFile
from supervisor.shell.engine import Outgoing

HOUR_S = 3600.0
BEFORE_S = HOUR_S  # how much of the course before a fault is shown
AFTER_S = HOUR_S  # and after everything was well again
DRAWN_S_MAX = 24 * HOUR_S  # nothing is drawn beyond so long after its end
POINTS_MAX = 360  # of one course; more are thinned by half
SEEN_MAX = 40  # lines of what an operator saw
KEPT_COURSES = 2
WELL_LOOKS = 2  # looks in a row at which an enclosure or a room must be well

Look = Mapping[str, Point]
"""What was found at one look: each enclosure, and each room under `room/<id>`."""


class Track:
    """One fault as it goes on."""

    def __init__(
        self, site: SiteFile, number: int, fault: Fault, before: Iterable[Look], standing: Iterable[str], course: Course,
        slack_s: float,
    ) -> None:  # fmt: skip
        """`before` are the last looks, `standing` the alarms that stand, `course` what rooms and enclosures are just now."""
        self._site, self.fault, self.course = site, fault, course
        kind = LIBRARY[fault.name]
        self.owner = fault.target.partition("/")[0]
        self.row = expected(fault.name, gas_of(site, kind.on, fault.target))
        self._touched = touched(site, kind.on, fault.target, self.row.wide)
        reached = reach(site, fault)
        self.seen = FaultSeen(
            number, fault, in_words(fault), reached.enclosures, reached.rooms, self.row.alarms,
            slack_s=slack_s, consequence=self.row.consequence,
        )  # fmt: skip
        self._names = (*reached.enclosures, *(f"room/{one}" for one in reached.rooms))
        for look in before:
            self._draw(look)
        self._well: dict[str, float | None] = {}
        self._well_looks: dict[str, int] = dict.fromkeys(self._names, 0)
        self._stood = next((alarm for alarm in standing if self._names_it(alarm)), "")

    @property
    def over(self) -> bool:
        """Whether all that it reached is well again."""
        return self.seen.recovered_s is not None

    # ---- what happens

    def see(self, at_s: float, outgoing: list[Outgoing]) -> None:
        """What left while the fault stands."""
        if at_s <= self.fault.end_s:
            self.course.see(at_s, outgoing)

    def line(self, one: AlarmSeen) -> bool:
        """What an operator saw meanwhile, where it is about what this fault reaches; returns whether it is."""
        if not self._about_it(one.alarm):
            return False
        if len(self.seen.seen) < SEEN_MAX:
            self.seen.seen.append(one)
        else:
            self.seen.more_seen += 1
        return True

    def look(self, at_s: float, look: Look, well: Mapping[str, bool]) -> None:
        """`well` says of each enclosure and room whether it is as it should be."""
        if not self._shown_out(at_s):
            self._draw(look)
        if at_s < self.fault.end_s:
            return
        for name in self._names:
            if self._well.get(name) is None:
                self._well_looks[name] = self._well_looks[name] + 1 if well[name] else 0
                if self._well_looks[name] >= WELL_LOOKS:
                    self._well[name] = at_s
        if not self.over and all(self._well.get(name) is not None for name in self._names):
            self.seen.recovered_s = max((one for one in self._well.values() if one is not None), default=at_s)

    def ended(self, at_s: float) -> FaultSeen:
        """What came of it, for good."""
        seen, judged = self.seen, judge(self._site, self.fault, self.course, at_s)
        seen.shows_s, seen.bound_s = judged.since_s, judged.bound_s
        seen.must = judged.must and self.fault.end_s >= (seen.shows_s or 0.0) + (seen.bound_s or 0.0) + seen.slack_s
        seen.bound = self.row.bound if judged.bound_s is not None else ""
        seen.why = "" if judged.bound_s is not None else "; ".join(filter(None, (self.row.harmless, self.row.unseen)))
        seen.found_s, seen.found_by, seen.taken = judged.found_s, judged.alarm, judged.taken
        if self.row.consequence == "told" or judged.bound_s is None:
            seen.taken = None
        if judged.found_s is None and self._stood:
            seen.found_s, seen.found_by, seen.stood_before = self.fault.start_s, self._stood, True
        seen.others = [alarm for alarm in judged.others if self._about_it(alarm)]
        if not self.over:
            late = [name.removeprefix("room/") for name in self._names if self._well.get(name) is None]
            seen.worst = ", ".join(late[:6]) + (f" and {len(late) - 6} more" if len(late) > 6 else "")
        kept = self._kept()
        seen.courses = {name: course for name, course in seen.courses.items() if name in kept}
        return seen

    # ---- within

    def _shown_out(self, at_s: float) -> bool:
        return at_s > self.fault.end_s + (AFTER_S if self.over else DRAWN_S_MAX)

    def _names_it(self, alarm: str) -> bool:
        name, _, subject = alarm.partition("-")
        return name in self.row.alarms and subject in self._touched

    def _about_it(self, alarm: str) -> bool:
        subject = alarm.partition("-")[2]
        return subject in self._touched or subject == "site" or subject in self.seen.reach or subject in self.seen.rooms

    def _draw(self, look: Look) -> None:
        courses = self.seen.courses
        for name in self._names:
            course = courses.setdefault(name, [])
            course.append(look[name])
            if len(course) > POINTS_MAX:
                del course[1:-2:2]

    def _kept(self) -> set[str]:
        """The courses that show most: what the fault is on, else what was harmed or strayed furthest in bands; and one room."""

        def strayed(name: str) -> float:
            recipe = self._site.recipe_of(name)
            inside = [one for one in self.seen.courses[name] if one[3] in ("pulling_down", "holding", "faulted")]
            return max(
                (max(abs(one[1] - recipe.o2_pct) / recipe.o2_band_pct, abs(one[2] - recipe.co2_pct) / recipe.co2_band_pct)
                 for one in inside if one[0] >= self.fault.start_s), default=-1.0)  # fmt: skip

        drawn = [name for name in self.seen.courses if not name.startswith("room/")]
        own = [name for name in drawn if name in self._touched]
        own = own if len(own) <= KEPT_COURSES else []
        harm_min = self.seen.harm_min

        def rank(name: str) -> tuple[bool, float, float, int]:
            return name not in own, -harm_min.get(name, 0.0), -strayed(name), drawn.index(name)

        order = sorted(drawn, key=rank)
        rooms = [f"room/{self.owner}"] if self.owner in self.seen.rooms else []
        if not rooms and order:
            rooms = [f"room/{self._site.enclosures[order[0]].room}"]
        return {*order[:KEPT_COURSES], *rooms}


class FaultWatch:
    """All faults of a season, given in order of their start. `step_s` is between two decisions: what is said is heard within
    one, and answered within another."""

    def __init__(self, site: SiteFile, faults: Iterable[Fault], look_s: float, step_s: float) -> None:
        self._site, self._slack_s = site, 2.0 * step_s
        self._coming = deque(enumerate(faults, start=1))
        self._before: deque[Look] = deque(maxlen=round(BEFORE_S / look_s))
        self.tracks: list[Track] = []
        self.done: list[FaultSeen] = []
        self._standing: dict[str, None] = {}
        self.rooms: dict[str, str] = dict.fromkeys(site.rooms, "forbidden")
        self.states: dict[str, str] = dict.fromkeys(site.enclosures, "filling")
        """What consoles show; kept up to date by whoever hears it."""

    def begin(self, at_s: float) -> None:
        """Faults that start now or have started since the last call."""
        while self._coming and self._coming[0][1].start_s <= at_s:
            number, fault = self._coming.popleft()
            course = Course(
                entries={name: [(fault.start_s, status)] for name, status in self.rooms.items()},
                states={name: [(fault.start_s, state)] for name, state in self.states.items()},
            )
            self.tracks.append(Track(self._site, number, fault, self._before, list(self._standing), course, self._slack_s))

    def see(self, at_s: float, outgoing: list[Outgoing]) -> None:
        """Everything that left on an event."""
        self.begin(at_s)
        for track in self.tracks:
            track.see(at_s, outgoing)

    def alarm(self, one: AlarmSeen) -> bool:
        """A line of what operators see. Returns whether it is about something that a fault reaches."""
        self.begin(one.at_s)
        if one.what == "raised":
            self._standing[one.alarm] = None
        elif one.what == "gone":
            self._standing.pop(one.alarm, None)
        about = False
        for track in self.tracks:
            about = track.line(one) or about
        return about

    def look(self, at_s: float, look: Look, well: Mapping[str, bool]) -> None:
        for track in list(self.tracks):
            track.look(at_s, look, well)
            if track.over and at_s > (track.seen.recovered_s or 0.0) + AFTER_S:
                self.tracks.remove(track)
                self.done.append(track.ended(at_s))
        self._before.append(look)

    def reached(self) -> tuple[set[str], set[str]]:
        """The enclosures and rooms that some fault reaches that is not recovered from, and for an hour after."""
        enclosures = {name for track in self.tracks for name in track.seen.reach}
        return enclosures, {name for track in self.tracks for name in track.seen.rooms}

    def harmed(self, enclosure: str, minutes: float) -> None:
        for track in self.tracks:
            if enclosure in track.seen.reach:
                track.seen.harm_min[enclosure] = track.seen.harm_min.get(enclosure, 0.0) + minutes

    def close(self, at_s: float) -> list[FaultSeen]:
        """Everything, by number, at the season's end."""
        self.done += [track.ended(at_s) for track in self.tracks]
        self.tracks = []
        return sorted(self.done, key=lambda one: one.number)
