"""Whether what a site file says of a source fits together: its data sheet, its limits, what it feeds."""

from collections.abc import Iterator

from supervisor.settings import SiteFile, Source
from supervisor.sitefile.problems import Figures, Problem, entries, error, known, listed, warning

AGREE_PCT = 0.05  # two figures of the same oxygen that differ by less are one, rounded


def source_problems(site: SiteFile) -> Iterator[Problem]:
    for key, source in entries("source", site.source):
        yield from _of_nitrogen(key, source)
        yield from _sheet(key, source)
        yield from _limit(site, key, source)


def _of_nitrogen(key: str, source: Source) -> Iterator[Problem]:
    if not known(source.gas) or source.gas == "nitrogen":
        return
    if source.o2_pct_max is not None:
        yield error(
            f"{key}.o2_pct_max", source.o2_pct_max, "only of a source of nitrogen",
            "remove it: no meter tells the oxygen of this gas, and without one it would never be asked for",
        )  # fmt: skip
    if source.purity:
        yield warning(f"{key}.purity", Figures("a list"), "only of a source of nitrogen", "remove it: it is not used")


def _sheet(key: str, source: Source) -> Iterator[Problem]:
    points = (source.purity or ()) if source.gas == "nitrogen" else ()
    for number, (before, point) in enumerate(zip(points, points[1:], strict=False), start=2):
        at = f"{key}.purity[#{number}]"
        if known(before.flow_nl_min, point.flow_nl_min) and point.flow_nl_min <= before.flow_nl_min:
            yield error(
                f"{at}.flow_nl_min", point.flow_nl_min, f"more than {before.flow_nl_min:g}, the flow of the point before",
                "write the points in order, the smallest flow first",
            )  # fmt: skip
        if known(before.o2_pct, point.o2_pct) and point.o2_pct < before.o2_pct:
            yield error(
                f"{at}.o2_pct", point.o2_pct, f"at least {before.o2_pct:g}, as at the smaller flow before",
                "read the data sheet again: more flow makes no purer nitrogen",
            )  # fmt: skip
    if not points or not known(points[-1].flow_nl_min, points[-1].o2_pct, source.capacity_nl_min, source.o2_pct):
        return
    last = points[-1]
    if last.flow_nl_min != source.capacity_nl_min:
        yield error(
            f"{key}.purity[#{len(points)}].flow_nl_min", last.flow_nl_min,
            f"{source.capacity_nl_min:g}, the source's capacity_nl_min",
            "let the last point be the rated flow: nothing beyond it is ever asked for",
        )  # fmt: skip
    elif abs(last.o2_pct - source.o2_pct) > AGREE_PCT:
        yield error(
            f"{key}.purity[#{len(points)}].o2_pct", last.o2_pct, f"{source.o2_pct:g}, the source's o2_pct",
            "make the two agree: both are the residual oxygen at rated flow",
        )  # fmt: skip


def _limit(site: SiteFile, key: str, source: Source) -> Iterator[Problem]:
    if source.gas != "nitrogen" or source.o2_pct_max is None or not known(source.id, source.o2_pct):
        return
    if source.o2_pct_max < source.o2_pct:
        yield error(
            f"{key}.o2_pct_max", source.o2_pct_max, f"at least {source.o2_pct:g}, its o2_pct at rated flow",
            "raise it: at its rated flow this generator would always be off purity",
        )  # fmt: skip
    fed = {one.recipe for one in site.enclosure if one.sources.nitrogen == source.id}
    wanted = [one for name, one in site.recipes.items() if name in fed and one.o2_pct is not None]
    hindered = [one for one in wanted if source.o2_pct_max >= one.o2_pct]
    if hindered:
        yield warning(
            f"{key}.o2_pct_max", source.o2_pct_max,
            f"below {min(one.o2_pct for one in wanted):g}, the least oxygen of the recipes that it feeds",
            f"lower it: nitrogen that passes for pure would raise the oxygen of {listed(one.id for one in hindered)}",
        )  # fmt: skip
