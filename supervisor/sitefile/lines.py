"""Whether the analysers' lines fit what they carry, their tubes and each other."""

from collections.abc import Iterator
from typing import Any

from supervisor.settings import SiteFile
from supervisor.settings_analyser import Analyser, Line
from supervisor.sitefile.problems import MISSING, Problem, entries, error, known, legal, listed, nearest, warning

READING_S = 10.0  # beside a line's times, until a reading is there


def line_problems(site: SiteFile) -> Iterator[Problem]:
    for check in (_owners_of_lines, _times_of_lines, _what_lines_carry, _analysers_at_odds, _gas_for_samples):
        yield from check(site)


def rotation_s(site: SiteFile, analyser: Analyser) -> float:
    """Seconds that an analyser takes at least to visit each enclosure that it reaches once."""
    lines = [line for line in analyser.lines if line.id in site.enclosure_of_line]
    return sum((line.transport_s or 0.0) + (line.settling_s or 0.0) for line in lines)


def _every_line(site: SiteFile) -> Iterator[tuple[str, str, Line]]:
    """Each line of each analyser, with the analyser's key and its own."""
    for key, analyser in entries("analyser", site.analyser):
        for at, line in entries(f"{key}.lines", analyser.lines):
            yield key, at, line


def _owners_of_lines(site: SiteFile) -> Iterator[Problem]:
    owner: dict[str, str] = {}
    idle = {one.idle_line: one.id for one in site.analyser if one.idle_line is not None}
    for key, one in entries("enclosure", site.enclosure):
        if one.line is None:
            continue
        if one.line in idle:
            yield error(
                f"{key}.line", one.line, f"a line of its own; {one.line} is the idle line of {idle[one.line]}",
                "give the analyser another idle line, or the enclosure another line",
            )  # fmt: skip
        if one.line in owner:
            yield error(
                f"{key}.line", one.line, f"a line of its own; {one.line} already belongs to {owner[one.line]}",
                "give each enclosure the line that is piped to it: its gas would be steered by another's samples",
            )  # fmt: skip
        owner.setdefault(one.line, key)


def _times_of_lines(site: SiteFile) -> Iterator[Problem]:
    for _, key, line in _every_line(site):
        for field in ("transport_s", "settling_s"):
            given = line.model_fields_set
            if getattr(line, field) is None and field not in given and "tube" not in given:
                yield error(
                    f"{key}.{field}", MISSING, "seconds, as measured, or tube = { length_m = ..., bore_mm = ... }",
                    f"add {field} = ... to this line, or the tube, from which it is computed",
                )  # fmt: skip


def _what_lines_carry(site: SiteFile) -> Iterator[Problem]:
    """An enclosure, a room's air or a calibration gas: one of them, and one that there is."""
    kept_by = {one.line: key for key, one in entries("enclosure", site.enclosure) if one.line is not None}
    known_to: list[tuple[str, str, dict[str, Any]]] = [
        ("room", "room", site.rooms), ("gas", "calibration gas", site.calibration_gases),
    ]  # fmt: skip
    for _, key, line in _every_line(site):
        for field, what, there in known_to:
            name, names = getattr(line, field), [have for have in there if have is not None]
            if name is None:
                continue
            if line.id in kept_by:
                yield error(
                    f"{key}.{field}", name, f"only of a line that is no enclosure's; this one is that of {kept_by[line.id]}",
                    "remove it, or give it a line of its own",
                )  # fmt: skip
            elif legal(name) and name not in names and (names or field == "gas"):
                yield error(
                    f"{key}.{field}", name, f"the id of a {what}: {listed(names)}",
                    f"write {nearest(name, names) or 'one of these'}, or add {name} as a {what}",
                )  # fmt: skip
        if known(line.room, line.gas):
            yield error(
                f"{key}.gas", line.gas, "room or gas, not both: a line carries one thing",
                "remove one of the two, or make two lines of them",
            )  # fmt: skip


def _analysers_at_odds(site: SiteFile) -> Iterator[Problem]:
    first: dict[str, tuple[str, Line]] = {}
    for key, at, line in _every_line(site):
        if line.id is None:
            continue
        other, seen = first.setdefault(line.id, (key, line))
        if other == key:
            continue
        for field in ("transport_s", "settling_s"):
            here, there = getattr(line, field), getattr(seen, field)
            if known(here, there) and here != there:
                yield error(
                    f"{at}.{field}", here, f"{there:g}, as {other} says of the same line",
                    f"make the two agree: write {field}, the longer of the two times, at both",
                )  # fmt: skip
        for field in ("room", "gas"):
            here, there = getattr(line, field), getattr(seen, field)
            if here != there:
                yield error(
                    f"{at}.{field}", MISSING if here is None else here, f"{there or 'none'}, as {other} says of the same line",
                    "make the two agree: they draw the same gas",
                )  # fmt: skip


def _gas_for_samples(site: SiteFile) -> Iterator[Problem]:
    """A sample each two thirds of its greatest age must not take more gas than sampling may."""
    limit_s, share_pct = site.timing.sample_age_s_max, site.sampling.drawn_pct_max
    for key, one in entries("enclosure", site.enclosure):
        for analyser in site.analyser:
            line = next((line for line in analyser.lines if line.id == one.line and line.id is not None), None)
            if line is None or not known(
                limit_s, share_pct, one.free_volume_nl, line.transport_s, line.settling_s, analyser.sample_flow_nl_min
            ):
                continue
            visit_nl = analyser.sample_flow_nl_min * (line.visit_s + READING_S) / 60.0
            a_day_nl = 86400.0 / (limit_s * 2.0 / 3.0) * visit_nl
            if a_day_nl > share_pct / 100.0 * one.free_volume_nl:
                yield warning(
                    f"{key}.free_volume_nl", one.free_volume_nl,
                    f"at least {100.0 * a_day_nl / share_pct:.0f}: {a_day_nl:.0f} nl a day of samples of {visit_nl:.1f} nl are "
                    f"sampling.drawn_pct_max, {share_pct:g} %, of that",
                    "raise timing.sample_age_s_max or sampling.drawn_pct_max, or draw less: as it stands its samples come "
                    "too seldom, and its gas stops in between",
                )  # fmt: skip
                break
