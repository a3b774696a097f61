"""The report's pictures, as SVG inside its HTML: grey, told apart by line, pattern, mark and word, never by colour alone."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence

from supervisor.rehearsal.outcome import FaultSeen, Hourly, Point, Season
from supervisor.settings import SiteFile
from supervisor.shell.audit.drawing import DARK, MIDDLE, line, rect, text

WIDTH = 720
LIGHT, PALE = "#d9d9d9", "#f1f1f1"
STATE_FILLS = {
    "filling": "#ffffff", "pulling_down": "url(#striped)", "holding": LIGHT, "venting": "url(#dotted)", "faulted": DARK,
    "clear": "#ffffff", "restricted": "url(#dotted)", "forbidden": "url(#striped)",
}  # fmt: skip
STATE_WORDS = {"pulling_down": "pulling down"}
PATTERNS = (
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>'
    '<pattern id="striped" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="5" height="5" fill="#ffffff"/><line x1="0" y1="0" x2="0" y2="5" stroke="{DARK}" stroke-width="2"/></pattern>'
    '<pattern id="dotted" width="4" height="4" patternUnits="userSpaceOnUse"><rect width="4" height="4" fill="#ffffff"/>'
    f'<circle cx="2" cy="2" r="0.9" fill="{DARK}"/></pattern>'
    '<pattern id="shaded" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<line x1="0" y1="0" x2="0" y2="7" stroke="{MIDDLE}" stroke-width="0.8"/></pattern>'
    "</defs></svg>"
)
BINS = 300


def picture(height: float, title: str, parts: Iterable[str]) -> str:
    """An SVG of the report's width."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:.0f}" font-family="sans-serif" font-size="10" '
        f'fill="{DARK}" role="img"><title>{title}</title>' + "".join(parts) + "</svg>"
    )


# ------------------------------------------------------------------------------------------------ one fault

LEFT_X, PANEL, GAP, TALL, APART = 42.0, 300.0, 58.0, 92.0, 46.0


def fault_picture(site: SiteFile, one: FaultSeen) -> str:
    """The courses around a fault: oxygen left, CO2 right, a row for each enclosure and for the room."""
    names = sorted(one.courses, key=lambda name: (name.startswith("room/"), name))
    points = [point for name in names for point in one.courses[name]]
    if not points:
        return ""
    scale = Hours(min(one_[0] for one_ in points), max(one_[0] for one_ in points), one.fault.start_s)
    parts: list[str] = []
    for number, name in enumerate(names):
        parts += _row(site, one, name, 16.0 + number * (TALL + APART), scale)
    height = 16.0 + len(names) * (TALL + APART) + 4.0
    return picture(height, f"Courses around fault {one.number}", parts)


class Hours:
    """From time to place in a panel, and the marks of its axis in hours after the fault's start."""

    def __init__(self, begin_s: float, end_s: float, zero_s: float) -> None:
        self.begin_s, self.end_s, self.zero_s = begin_s, max(end_s, begin_s + 600.0), zero_s

    def __call__(self, at_s: float) -> float:
        return PANEL * min(1.0, max(0.0, (at_s - self.begin_s) / (self.end_s - self.begin_s)))

    def marks(self) -> list[float]:
        step_h = _step((self.end_s - self.begin_s) / 3600.0, 6)
        first = math.ceil((self.begin_s - self.zero_s) / 3600.0 / step_h)
        last = math.floor((self.end_s - self.zero_s) / 3600.0 / step_h)
        return [number * step_h for number in range(first, last + 1)]


def _step(span: float, most: int) -> float:
    """A round step of which at most so many fit into a span."""
    for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 6.0, 12.0, 24.0, 48.0, 96.0, 240.0):
        if span / step <= most:
            return step
    return 480.0


def _row(site: SiteFile, one: FaultSeen, name: str, top: float, scale: Hours) -> Iterator[str]:
    course = one.courses[name]
    for place, which, called in ((0, 1, "O2"), (1, 2, "CO2")):
        left = LEFT_X + place * (PANEL + GAP)
        whose = name.removeprefix("room/")
        words = f"{whose}: {called}, %" if not name.startswith("room/") else f"air of room {whose}: {called}, %"
        yield text(left, top - 4, words, size=10)
        yield from _panel(site, one, name, [(point[0], float(point[which])) for point in course], which, left, top, scale)
    yield from _strip(course, LEFT_X, top + TALL + 3.0, scale)
    yield from _strip(course, LEFT_X + PANEL + GAP, top + TALL + 3.0, scale)


def _limits(site: SiteFile, name: str, which: int) -> tuple[tuple[float, float] | None, list[tuple[float, str]]]:
    """The band, and the limits with their names."""
    if name.startswith("room/"):
        limits = site.rooms[name.removeprefix("room/")].limits
        if which == 1:
            return None, [(limits.o2_clear_min.pct, "clear"), (limits.o2_danger_min.pct, "danger")]
        return None, [(limits.co2_clear_max.pct, "clear"), (limits.co2_danger_max.pct, "danger")]
    recipe = site.recipe_of(name)
    if which == 1:
        return (recipe.o2_pct - recipe.o2_band_pct, recipe.o2_pct + recipe.o2_band_pct), [(recipe.o2_floor_pct, "floor")]
    return (recipe.co2_pct - recipe.co2_band_pct, recipe.co2_pct + recipe.co2_band_pct), [(recipe.co2_ceiling_pct, "ceiling")]


def _panel(
    site: SiteFile, one: FaultSeen, name: str, values: Sequence[tuple[float, float]], which: int, left: float, top: float,
    scale: Hours,
) -> Iterator[str]:  # fmt: skip
    band, limits = _limits(site, name, which)
    reach = [value for _, value in values] + list(band or ()) + ([] if band is None else [limit for limit, _ in limits])
    low, high = min(reach), max(reach)
    pad = max(0.06 * (high - low), 0.02)
    low, high = max(low - pad, -0.05), high + pad

    def y(value: float) -> float:
        return top + TALL * (1.0 - (min(max(value, low), high) - low) / (high - low))

    begin_x, end_x = left + scale(one.fault.start_s), left + scale(min(one.fault.end_s, scale.end_s))
    if band is not None:
        yield rect(left, y(band[1]), PANEL, max(1.0, y(band[0]) - y(band[1])), PALE)
    yield rect(begin_x, top, max(1.5, end_x - begin_x), TALL, "url(#shaded)")
    yield rect(left, top, PANEL, TALL, "none", f' stroke="{MIDDLE}" stroke-width="0.6"')
    for limit, called in limits:
        if low <= limit <= high:
            yield line(left, y(limit), left + PANEL, y(limit), ' stroke-width="0.8" stroke-dasharray="5 3"')
            yield text(left + PANEL - 2, y(limit) - 2, called, size=8, anchor="end")
    step = _step(high - low, 4)
    for number in range(math.ceil(low / step), math.floor(high / step) + 1):
        yield line(left - 3, y(number * step), left, y(number * step), ' stroke-width="0.6"')
        yield text(left - 5, y(number * step) + 3, f"{number * step:.4g}", size=8, anchor="end")
    path = " ".join(f"{left + scale(at_s):.1f},{y(value):.1f}" for at_s, value in values)
    yield f'<polyline points="{path}" fill="none" stroke="{DARK}" stroke-width="1.3"/>'
    if one.found_s is not None and one.found_s >= scale.begin_s:
        x = left + scale(one.found_s)
        yield line(x, top, x, top + TALL, ' stroke-width="0.9" stroke-dasharray="1.5 2"')
        yield f'<polygon points="{x:.1f},{top + 7:.1f} {x - 4:.1f},{top:.1f} {x + 4:.1f},{top:.1f}" fill="{DARK}"/>'
    for hours in scale.marks():
        x = left + scale(scale.zero_s + hours * 3600.0)
        yield line(x, top + TALL + 10, x, top + TALL + 13, ' stroke-width="0.6"')
        yield text(x, top + TALL + 21, f"{hours:g} h", size=8, anchor="middle")


def _strip(course: Sequence[Point], left: float, top: float, scale: Hours) -> Iterator[str]:
    """What it was meanwhile, as a strip: patterns, with words where there is room."""
    for begin_s, end_s, state in _stretches([(point[0], point[3]) for point in course]):
        x, wide = left + scale(begin_s), scale(end_s) - scale(begin_s)
        yield rect(x, top, max(0.8, wide), 6, STATE_FILLS.get(state, PALE), f' stroke="{MIDDLE}" stroke-width="0.4"')


def _stretches(states: Sequence[tuple[float, str]]) -> Iterator[tuple[float, float, str]]:
    begin = 0
    for place in range(1, len(states) + 1):
        if place == len(states) or states[place][1] != states[begin][1]:
            end_s = states[place][0] if place < len(states) else states[-1][0]
            yield states[begin][0], end_s, states[begin][1]
            begin = place


def key_picture() -> str:
    """What the pictures' signs mean."""
    parts, x = [], 2.0
    for state in ("filling", "pulling_down", "holding", "venting", "faulted"):
        parts.append(rect(x, 4, 18, 9, STATE_FILLS[state], f' stroke="{MIDDLE}" stroke-width="0.6"'))
        words = STATE_WORDS.get(state, state)
        parts.append(text(x + 22, 12, words, size=10))
        x += 34 + 5.6 * len(words)
    parts.append(rect(x, 4, 18, 9, "url(#shaded)"))
    parts.append(text(x + 22, 12, "the fault stands", size=10))
    x += 108
    parts.append(f'<polygon points="{x + 5:.1f},13 {x:.1f},5 {x + 10:.1f},5" fill="{DARK}"/>')
    parts.append(text(x + 15, 12, "found", size=10))
    x += 50
    parts.append(rect(x, 4, 18, 9, PALE, f' stroke="{MIDDLE}" stroke-width="0.3"'))
    parts.append(text(x + 22, 12, "band", size=10))
    parts.append(line(x + 52, 8.5, x + 74, 8.5, ' stroke-dasharray="5 3"'))
    parts.append(text(x + 78, 12, "limit", size=10))
    return picture(18, "What the signs mean", parts)


# ------------------------------------------------------------------------------------------------ the season

ROW, STRIP, NAME = 34.0, 7.0, 74.0


def season_picture(site: SiteFile, season: Season) -> str:
    """Every enclosure over the season: least and greatest oxygen and CO2 of each stretch, its state below; faults above."""
    hours = max(1, len(next(iter(season.courses.values())).state))
    top, right = 40.0, WIDTH - 6.0

    def x(hour: float) -> float:
        return NAME + (right - NAME) * hour / hours

    parts = [text(NAME, 10, "faults by number; below: O2 (dark) and CO2 (striped) between 0 and 22 %, and the state", size=9)]
    parts += _fault_marks(season, x)
    for number, (name, course) in enumerate(season.courses.items()):
        y = top + number * (ROW + STRIP + 5)
        parts.append(text(NAME - 6, y + ROW / 2 + 3, name, size=10, anchor="end"))
        parts.append(rect(NAME, y, right - NAME, ROW, "none", f' stroke="{LIGHT}" stroke-width="0.6"'))
        parts += _areas(course, y, x)
        states = [(float(hour), one) for hour, one in enumerate(course.state)]
        for begin_h, end_h, state in _stretches([*states, (float(len(states)), states[-1][1])] if states else []):
            wide, edge = max(0.6, x(end_h) - x(begin_h)), f' stroke="{MIDDLE}" stroke-width="0.3"'
            parts.append(rect(x(begin_h), y + ROW + 1, wide, STRIP - 1, STATE_FILLS[state], edge))
    bottom = top + len(season.courses) * (ROW + STRIP + 5)
    step_d = next(one for one in (1, 2, 5, 7, 14, 28, 56) if hours / 24 / one <= 16 or one == 56)
    for day in range(0, int(hours // 24) + 1, step_d):
        parts.append(line(x(24.0 * day), bottom, x(24.0 * day), bottom + 4, ' stroke-width="0.6"'))
        parts.append(text(x(24.0 * day), bottom + 14, f"day {day}" if day == 0 else str(day), size=9, anchor="middle"))
    return picture(bottom + 20, "The season, enclosure by enclosure", parts)


def _fault_marks(season: Season, x: Callable[[float], float]) -> Iterator[str]:
    labelled = [-20.0, -20.0]
    for one in season.faults:
        at = x(one.fault.start_s / 3600.0)
        lane = 0 if at - labelled[0] >= 14 else 1
        yield f'<polygon points="{at:.1f},36 {at - 2.5:.1f},31 {at + 2.5:.1f},31" fill="{DARK}"/>'
        if at - labelled[lane] >= 14:
            labelled[lane] = at
            yield text(at, 29 - 9 * lane, str(one.number), size=8, anchor="middle")


def _areas(course: Hourly, top: float, x: Callable[[float], float]) -> Iterator[str]:
    """Least to greatest of each gas, in bins of whole hours."""
    length = max(1, math.ceil(len(course.state) / BINS))

    def y(pct: float) -> float:
        return top + ROW * (1.0 - min(max(pct, 0.0), 22.0) / 22.0)

    for low, high, fill in ((course.co2_min, course.co2_max, "url(#striped)"), (course.o2_min, course.o2_max, DARK)):
        run: list[tuple[float, float, float]] = []
        for begin in range(0, len(low), length):
            least = [one for one in low[begin : begin + length] if not math.isnan(one)]
            most = [one for one in high[begin : begin + length] if not math.isnan(one)]
            if least:
                run.append((begin + length / 2.0, min(least), max(most)))
            if run and (not least or begin + length >= len(low)):
                upper = [f"{x(hour):.1f},{y(most_) - 0.5:.1f}" for hour, _, most_ in run]
                lower = [f"{x(hour):.1f},{y(least_) + 0.5:.1f}" for hour, least_, _ in reversed(run)]
                yield f'<polygon points="{" ".join([*upper, *lower])}" fill="{fill}" stroke="{DARK}" stroke-width="0.4"/>'
                run = []
