"""The picture as plain lines, for a log or a pipe: what changed as it changes, and now and then how everything stands."""

from collections import Counter

from deploy.view.levels import MARKS
from deploy.view.picture import News, Picture
from deploy.view.tally import IN_USE
from deploy.view.words import clock, duration, plain


def news_line(news: News, now_s: float) -> str:
    """One change. `now_s`: the site's time."""
    return f"{clock(now_s)} {MARKS[news.level]:4} {news.text}"


def standing_line(picture: Picture, now_s: float) -> str:
    """How everything stands, in one line."""
    states = Counter("not heard yet" if one is None else plain(one.state) for one in picture.enclosures.values())
    ages_s = {
        name: picture.sample_age_s(one, now_s)
        for name, one in picture.enclosures.items()
        if one is not None and one.state in IN_USE
    }
    parts = [", ".join(f"{count} {state}" for state, count in states.most_common())]
    if ages_s:
        oldest = max(ages_s, key=lambda name: ages_s[name])
        parts.append(f"oldest sample {duration(ages_s[oldest])} ({oldest})")
    rooms = ", ".join(f"{name} {picture.entry_of(name, now_s)}" for name in picture.rooms)
    parts.append(f"entry {rooms}")
    parts.append(f"{len(picture.standing_alarms()) or 'no'} alarms")
    return f"{clock(now_s)}      {'; '.join(parts)}"
