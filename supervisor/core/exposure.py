"""CO2 that people would have taken in: the mean over 8 hours and over 15 minutes of a room's worst sensor.

    E = (C1 T1 + C2 T2 + ... + Cn Tn) / 8 h        29 CFR 1910.1000(d)(1)(i); over 15 minutes alike (NIOSH)

Every stretch between two words of the room counts as the worse of the two, and a gap in which a sensor was not known as the
worst of what was heard before, in and after it: never as nothing. Where less than the whole time was seen, as after the very
first start, the mean is that of the time that was. Minutes are closed one by one, so the memory is bounded.
"""

from supervisor.core.state import Exposure

MINUTE_S = 60.0
TWA_MINUTES = 480
STEL_MINUTES = 15
DIGITS = 5  # a tenth of a part per million
TOUCH_S = 1e-6  # sums of seconds that make a minute may lack a rounding error


def take(kept: Exposure, co2_pct: float | None, known: bool, mono_s: float) -> None:
    """The room's worst word now, None when there is none. Counted up to here only when every sensor is `known`."""
    if co2_pct is None:
        return
    heard_pct = max(0.0, co2_pct)
    kept.worst_pct = heard_pct if kept.worst_pct is None else max(kept.worst_pct, heard_pct)
    if not known:
        return
    if kept.counted_mono_s is not None:
        _count(kept, kept.worst_pct, mono_s - kept.counted_mono_s)
    kept.counted_mono_s, kept.worst_pct = mono_s, heard_pct


def _count(kept: Exposure, co2_pct: float, seconds: float) -> None:
    left_s = min(seconds, (TWA_MINUTES + 1) * MINUTE_S)  # of a longer gap nothing else would be left anyway
    first_s = min(left_s, MINUTE_S - kept.open_s)
    whole, last_s = divmod(left_s - first_s, MINUTE_S)
    _add(kept, co2_pct, first_s)
    kept.minutes_pct += [round(co2_pct, DIGITS)] * int(whole)
    _add(kept, co2_pct, last_s)
    del kept.minutes_pct[:-TWA_MINUTES]


def _add(kept: Exposure, co2_pct: float, seconds: float) -> None:
    """Adds to the minute under way, no further than to its end."""
    kept.open_pct_s += co2_pct * seconds
    kept.open_s += seconds
    if kept.open_s > MINUTE_S - TOUCH_S:
        kept.minutes_pct.append(round(kept.open_pct_s / MINUTE_S, DIGITS))
        kept.open_pct_s = kept.open_s = 0.0


def mean_pct(kept: Exposure, minutes: int) -> float | None:
    """The mean over the last so many minutes, or over what is known of them; None when nothing is."""
    whole = kept.minutes_pct[-(minutes - 1) :]
    total_pct_s, seen_s = kept.open_pct_s + MINUTE_S * sum(whole), kept.open_s + MINUTE_S * len(whole)
    if len(kept.minutes_pct) >= minutes:  # of the oldest one, the part that is still within
        total_pct_s += kept.minutes_pct[-minutes] * (MINUTE_S - kept.open_s)
        seen_s = minutes * MINUTE_S
    return total_pct_s / seen_s if seen_s > 0.0 else None


def beyond(kept: Exposure, twa_pct_max: float, stel_pct_max: float) -> list[str]:
    """Which mean passes its limit, in words."""
    found = []
    for minutes, limit_pct, over in ((STEL_MINUTES, stel_pct_max, "15 min"), (TWA_MINUTES, twa_pct_max, "8 h")):
        mean = mean_pct(kept, minutes)
        if mean is not None and mean > limit_pct:
            found.append(f"CO2 {mean:.2f} % on average over {over}, at most {limit_pct:g} %")
    return found
