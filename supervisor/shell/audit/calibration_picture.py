"""The log of calibration as a picture: by how much each gas was read wrong, over time, beside the limits. Plain SVG, grey;
what a gas is for is told by the mark's shape, what came of it by its filling and a word.
"""

from collections.abc import Iterator
from datetime import UTC, datetime

from supervisor.shell.audit.calibrations import Doubtful, Drawn, Log
from supervisor.shell.audit.drawing import DARK, in_two, line, page, rect, text

WIDTH, LEFT, RIGHT = 960, 70, 930
TOP, TALL, APART = 110, 150, 60
MARK = 4.5
_LABEL = 90  # the least between two labels
# What changed nothing for the good is not drawn beyond this many times the action limit, but at the edge, with its figure.
EDGE = 3.0
PUT_RIGHT = ("applied",)
FINE = ("no drift", "seen")


def drawn(log: Log, analyser: str, caution: str) -> str:
    """The picture of one analyser, which has been calibrated at least once."""
    every = [one for one in log.drawn if one.analyser == analyser]
    doubtful = [one for one in log.doubtful if one.analyser == analyser]
    begin_s, end_s = every[0].at_s, max(one.at_s for one in every)
    scale = _Scale(begin_s, max(end_s, begin_s + 3600.0))
    height = TOP + 2 * (TALL + APART) + 50
    counted = f"{len(every)} gases drawn from {scale.told(begin_s)} to {scale.told(end_s)} UTC"
    parts = [text(LEFT, 50, counted), *_legend(LEFT, 72)]
    for number, (which, called) in enumerate((("o2", "Oxygen"), ("co2", "CO2"))):
        parts += _panel(TOP + number * (TALL + APART), which, called, every, doubtful, scale)
    parts += [text(LEFT, height - 26 + 16 * number, words, size=11) for number, words in enumerate(in_two(caution))]
    return page(WIDTH, height, LEFT, f"Calibration of {analyser}", parts)


class _Scale:
    """From time to place, left to right."""

    def __init__(self, begin_s: float, end_s: float) -> None:
        self.begin_s, self.end_s = begin_s, end_s

    def x(self, at_s: float) -> float:
        share = (at_s - self.begin_s) / (self.end_s - self.begin_s)
        return LEFT + (RIGHT - LEFT) * min(1.0, max(0.0, share))

    def told(self, at_s: float) -> str:
        return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M")


def _legend(x: float, y: float) -> Iterator[str]:
    for use, words in (("zero", "zero"), ("span_o2", "span"), ("check", "check")):
        yield _mark(x + 6, y - 4, use, filled=False)
        yield text(x + 16, y, words, size=11)
        x += 70
    words = "filled: corrected; hollow: nothing was changed; dashed: action limit; dotted: warning; striped: doubtful"
    yield text(x, y, words, size=11)


def _panel(
    top: float, which: str, called: str, every: list[Drawn], doubtful: list[Doubtful], scale: _Scale
) -> Iterator[str]:
    shown = [one for one in every if one.shows(which)]
    action_pct = max((float(one.figures[f"{which}_action_pct"]) for one in every), default=0.0)
    warn_pct = max((float(one.figures[f"{which}_warn_pct"]) for one in every), default=0.0)
    most_pct, middle = EDGE * action_pct, top + TALL / 2.0

    def y(error_pct: float) -> float:
        return middle - TALL / 2.0 * min(1.0, max(-1.0, error_pct / most_pct))

    yield text(LEFT, top - 8, f"{called} read too high (up) or too low (down), % {called if called == 'CO2' else 'O2'}")
    for one in doubtful:
        yield rect(scale.x(one.begin_s), top, max(3.0, scale.x(one.end_s) - scale.x(one.begin_s)), TALL, "url(#hatched)")
    yield line(LEFT, middle, RIGHT, middle)
    yield text(LEFT - 6, middle + 4, "0", size=11, anchor="end")
    for limit_pct, dashes in ((action_pct, "6 4"), (warn_pct, "2 3")):
        for sign in (1.0, -1.0):
            yield line(LEFT, y(sign * limit_pct), RIGHT, y(sign * limit_pct), f' stroke-dasharray="{dashes}"')
            yield text(LEFT - 6, y(sign * limit_pct) + 4, f"{sign * limit_pct:+.3g}", size=11, anchor="end")
    labelled = LEFT - _LABEL
    for one in shown:
        error_pct, x = float(one.figures[f"{which}_error_pct"]), scale.x(one.at_s)
        yield _mark(x, y(error_pct), one.use, filled=one.outcome in PUT_RIGHT)
        if one.outcome not in (*PUT_RIGHT, *FINE) and x - labelled >= _LABEL:
            labelled = x
            words = (f"{error_pct:+.2f}: " if abs(error_pct) > most_pct else "") + one.outcome
            aside, anchor = (-8.0, "end") if x > RIGHT - 200 else (8.0, "start")
            yield text(x + aside, y(error_pct) + 4, words, size=11, anchor=anchor)
    yield from _times(top + TALL, scale)


def _times(bottom: float, scale: _Scale) -> Iterator[str]:
    for share, anchor in ((0.0, "start"), (0.5, "middle"), (1.0, "end")):
        at_s = scale.begin_s + share * (scale.end_s - scale.begin_s)
        yield line(scale.x(at_s), bottom, scale.x(at_s), bottom + 5)
        yield text(scale.x(at_s), bottom + 18, scale.told(at_s), size=11, anchor=anchor)


def _mark(x: float, y: float, use: str, filled: bool) -> str:
    """A circle for zero, a triangle for span, a square for check."""
    fill = DARK if filled else "#ffffff"
    if use == "zero":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{MARK}" fill="{fill}" stroke="{DARK}"/>'
    if use == "check":
        return rect(x - MARK, y - MARK, 2 * MARK, 2 * MARK, fill, f' stroke="{DARK}"')
    corners = f"{x:.1f},{y - MARK - 1:.1f} {x - MARK - 1:.1f},{y + MARK:.1f} {x + MARK + 1:.1f},{y + MARK:.1f}"
    return f'<polygon points="{corners}" fill="{fill}" stroke="{DARK}"/>'
