"""The report as a picture: alarms over time with the floods, the most frequent, the split by priority. Plain SVG, grey;
what matters is told by shape and words and never by colour alone."""

from collections.abc import Iterator
from datetime import UTC, datetime

from supervisor.shell.audit.drawing import DARK, in_two, line, page, rect, text
from supervisor.shell.audit.report import DAY_S, HOUR_S, PRIORITIES, TEN_MIN_S, Performance, Span, binned
from supervisor.shell.audit.report_targets import PRIORITY_PCT

WIDTH, HEIGHT = 960, 660
LEFT, RIGHT = 60, 930
TIME_TOP, TIME_BOTTOM = 90, 290
ROWS_TOP = 360
ROW = 22
# Length of a bar, its words, and the most that is manageable in it by ISA-18.2 (10 in ten minutes, 30 an hour: from memory).
_BARS = ((TEN_MIN_S, "10 minutes", 10), (HOUR_S, "hour", 30), (DAY_S, "day", 300))
_BARS_MAX = 200
_LABEL = 36  # the least between two labels


def drawn(made: Performance, period: str, caution: str) -> str:
    """The picture's text. `period` is the period in words."""
    parts = [
        text(LEFT, 50, f"{made.alarms} alarms, {made.per_day:.3g} a day; {made.flood_pct:.3g} % of the time in flood"),
        *_over_time(made),
        *_most_frequent(made),
        *_priorities(made),
        *(text(LEFT, HEIGHT - 26 + 16 * number, words, size=11) for number, words in enumerate(in_two(caution))),
    ]
    return page(WIDTH, HEIGHT, LEFT, f"Alarm performance, {period}", parts)


# ------------------------------------------------------------------------------------------------ over time


def _over_time(made: Performance) -> Iterator[str]:
    period = made.period
    length_s, called, most = next((one for one in _BARS if period.duration_s / one[0] <= _BARS_MAX), _BARS[-1])
    counts = binned(made.times_s, period, length_s)
    top = max(*counts, most) * 1.1
    high = TIME_BOTTOM - TIME_TOP

    def x(wall_s: float) -> float:
        return LEFT + (RIGHT - LEFT) * (wall_s - period.begin_s) / period.duration_s

    yield text(LEFT, TIME_TOP - 17, f"Alarms each {called}")
    labelled = LEFT - _LABEL
    for one in made.floods:
        yield rect(x(one.begin_s), TIME_TOP, max(3.0, x(one.end_s) - x(one.begin_s)), high, "url(#hatched)")
        if x(one.begin_s) - labelled >= _LABEL:
            labelled = x(one.begin_s)
            yield text(labelled, TIME_TOP - 2, "flood", size=11)
    for number, count in enumerate(counts):
        bar = Span(period.begin_s + number * length_s, period.begin_s + (number + 1) * length_s).within(period)
        tall = high * count / top
        yield rect(x(bar.begin_s), TIME_BOTTOM - tall, max(0.8, x(bar.end_s) - x(bar.begin_s) - 0.5), tall, DARK)
    level = TIME_BOTTOM - high * most / top
    yield line(LEFT, level, RIGHT, level, ' stroke-dasharray="6 4"')
    yield text(RIGHT, level - 4, f"at most {most}", size=11, anchor="end")
    yield line(LEFT, TIME_BOTTOM, RIGHT, TIME_BOTTOM)
    yield text(LEFT - 6, TIME_BOTTOM, "0", size=11, anchor="end")
    if max(counts):
        peak = TIME_BOTTOM - high * max(counts) / top
        yield line(LEFT - 4, peak, LEFT, peak)
        yield text(LEFT - 6, peak + 4, str(max(counts)), size=11, anchor="end")
    for share, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        wall_s = period.begin_s + share * period.duration_s
        told = datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%d %H:%M")
        yield line(x(wall_s), TIME_BOTTOM, x(wall_s), TIME_BOTTOM + 5)
        yield text(x(wall_s), TIME_BOTTOM + 18, told, size=11, anchor=anchor)


# ------------------------------------------------------------------------------------------------ which, and how urgent


def _most_frequent(made: Performance) -> Iterator[str]:
    yield text(LEFT, ROWS_TOP - 16, f"Most frequent: {made.top_pct:.3g} % of all alarms (target up to 1, at most 5 %)")
    if not made.top:
        yield text(LEFT, ROWS_TOP + 6, "none")
    most = max((count for _, count in made.top), default=1)
    for number, (alarm, count) in enumerate(made.top):
        y = ROWS_TOP + number * ROW
        yield text(LEFT + 230, y + 12, alarm if len(alarm) <= 32 else alarm[:31] + "\u2026", size=12, anchor="end")
        yield rect(LEFT + 240, y, 150 * count / most, ROW - 8, DARK)
        yield text(LEFT + 246 + 150 * count / most, y + 12, str(count), size=12)


def _priorities(made: Performance) -> Iterator[str]:
    left, scale = 620, 1.6
    yield text(left, ROWS_TOP - 16, "By priority: measured (filled), target (outlined)")
    for number, name in enumerate(PRIORITIES):
        y = ROWS_TOP + number * 2 * ROW
        measured, target = made.priority_pct(name), PRIORITY_PCT[name]
        yield text(left + 60, y + 18, name, size=12, anchor="end")
        yield rect(left + 70, y, scale * measured, 11, DARK)
        yield rect(left + 70, y + 15, scale * target, 11, "none", f' stroke="{DARK}"')
        yield text(left + 76 + scale * measured, y + 10, f"{measured:.3g} %", size=11)
        yield text(left + 76 + scale * target, y + 25, f"{'under' if name == 'critical' else 'about'} {target} %", size=11)
