"""Which alarm explains which: a dead analyser is one alarm with forty consequences and not forty-one alarms.

Only the absence of an input, or of what needs it, is ever explained away, and only by an input that is further up. What the
plant itself does wrong is told whatever else is broken, and so is everything about people.
"""

from collections.abc import Iterator

from supervisor.settings import SiteFile

# By alarm: the kinds of point further up whose alarm explains it.
EXPLAINED: dict[str, tuple[str, ...]] = {
    "sample_overdue": ("analyser_unit", "analyser", "analyser_untrue", "own_readings"),
    "line_suspect": ("analyser_untrue",),
    "reading_doubtful": ("analyser_untrue",),
    "analyser_untrue": ("own_unit",),
    "guard_refusals": ("unit", "analyser_unit", "source_units", "analyser", "analyser_untrue", "sources"),
    "dose_failing": ("unit", "source_units", "sources"),
    "late_report": ("unit",),
    "analyser_silent": ("own_unit",),
    "source_unavailable": ("own_unit",),
    "calibration_due": ("own_unit", "own_analyser", "gases_suspect", "gases_expired"),
    "calibration_overdue": ("own_unit", "own_analyser"),
}


def explaining(site: SiteFile, name: str, subject: str) -> Iterator[tuple[str, str]]:
    """Name and subject of every alarm that would explain this one, the furthest up first where there are several."""
    for kind in EXPLAINED.get(name, ()):
        for point in _above(site, subject, kind):
            for alarm in _ALARMS[kind]:
                yield alarm, point


_ALARMS = {
    "unit": ("unit_silent",), "own_unit": ("unit_silent",), "analyser_unit": ("unit_silent",),
    "source_units": ("unit_silent",), "analyser": ("analyser_silent",), "analyser_untrue": ("analyser_untrue",),
    "sources": ("source_unavailable", "source_impure", "source_pressure_low", "source_short"),
    "own_analyser": ("analyser_silent",), "own_readings": ("line_suspect", "reading_doubtful"),
    "gases_suspect": ("calibration_gas_suspect",),
    "gases_expired": ("calibration_gas_expired",),
}  # fmt: skip


def _above(site: SiteFile, subject: str, kind: str) -> Iterator[str]:
    if kind == "own_unit":
        point = site.analysers.get(subject) or site.gas_sources.get(subject)
        if point is not None:
            yield point.unit
        return
    if kind == "own_analyser" or (kind == "own_readings" and subject in site.enclosures):
        yield subject
        return
    if kind.startswith("gases"):
        lines = site.analysers[subject].lines if subject in site.analysers else ()
        yield from (line.gas for line in lines if line.gas is not None)
        return
    enclosure = site.enclosures.get(subject)
    if enclosure is None:
        return
    if kind == "unit":
        yield enclosure.unit
    elif kind in ("analyser", "analyser_unit", "analyser_untrue"):
        # With two analysers on one line neither alone explains that no sample comes.
        reached = [one for one in site.analyser if enclosure.line in [line.id for line in one.lines]]
        if len(reached) == 1:
            only = reached.pop()
            yield only.unit if kind == "analyser_unit" else only.id
    else:
        for source in (enclosure.sources.nitrogen, enclosure.sources.co2, enclosure.sources.air):
            if source is not None:
                yield source if kind == "sources" else site.gas_sources[source].unit
