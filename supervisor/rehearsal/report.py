"""The report of a rehearsal: one HTML file that needs nothing else, for printing on A4, signing and keeping."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from supervisor.caution import CAUTION
from supervisor.rehearsal import schedules, season, staff
from supervisor.rehearsal.outcome import Season
from supervisor.rehearsal.pictures import PATTERNS
from supervisor.rehearsal.report_season import told_seasons
from supervisor.rehearsal.verdict import Criterion, all_met
from supervisor.rehearsal.words import count, told, when
from supervisor.settings import SiteFile

STYLE = """
@page { size: A4; margin: 14mm }
body { font: 10pt/1.35 sans-serif; color: #222; margin: 0 auto; max-width: 182mm; padding: 4mm }
h1 { font-size: 19pt; margin: 0 0 2mm } h2 { font-size: 13pt; margin: 8mm 0 2mm; break-after: avoid }
h3 { font-size: 10.5pt; margin: 5mm 0 1mm; break-after: avoid }
table { border-collapse: collapse; width: 100%; margin: 1mm 0 3mm } thead { display: table-header-group }
th { text-align: left; border-bottom: 1.2pt solid #222; font-size: 8.5pt; padding: 1mm 1.5mm; vertical-align: bottom }
td { border-bottom: 0.4pt solid #aaa; padding: 1mm 1.5mm; vertical-align: top; font-size: 9pt } tr { break-inside: avoid }
td.n, th.n { text-align: right; white-space: nowrap } .small { font-size: 8pt; color: #444 }
.verdict { border: 2.5pt solid #222; padding: 3mm 4mm; margin: 4mm 0; font-size: 12pt }
.verdict b { font-size: 16pt } .no { font-weight: bold; background: #222; color: #fff; padding: 0 1.2mm; white-space: nowrap }
.yes { white-space: nowrap } .caution { border: 1pt solid #222; border-left-width: 5pt; padding: 2mm 3mm; margin: 4mm 0 }
.sign td { height: 13mm; width: 33%; vertical-align: bottom; border: 0.6pt solid #222; font-size: 8pt }
.fault { break-inside: avoid } svg { width: 100%; height: auto; display: block; margin: 1mm 0 } p { margin: 1mm 0 2mm }
td.r { text-align: right } th:last-child { white-space: normal }
td.t { white-space: nowrap; font-variant-numeric: tabular-nums }
"""


@dataclass(frozen=True)
class Rehearsal:
    """One site's: the file's name and SHA-256, and what came of each seed."""

    file: str
    sha256: str
    site: SiteFile
    seasons: Sequence[Season]
    criteria: Sequence[Criterion]


@dataclass(frozen=True)
class About:
    """`made` is the date line; the only thing that differs between two reports of the same rehearsal."""

    version: str
    program: str
    schedule: str
    days: float
    made: str

    @property
    def schedule_words(self) -> str:
        return schedules.WORDS.get(self.schedule, "the faults of this file")


def report(one: Rehearsal, about: About, other: Rehearsal | None = None) -> str:
    """The whole file."""
    title = f"Rehearsal of {one.site.site.name or one.site.site.id}"
    parts = [
        f"<h1>{told(title)}</h1>", *_verdict(one), *_identity(one, about, other), _caution(), _signature(),
        *(_comparison(one, other) if other is not None else ()),
        *_criteria(one), *told_seasons(one.site, one.seasons), *_assumptions(),
    ]  # fmt: skip
    if other is not None:
        parts += [f"<h2>The other site file: {told(other.file)}</h2>", *_verdict(other), *_criteria(other)]
        parts += told_seasons(other.site, other.seasons)
    parts.append(_caution())
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        f"<title>{told(title)}</title><style>{STYLE}</style></head>\n<body>{PATTERNS}\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _caution() -> str:
    return (
        f'<p class="caution"><b>Caution.</b> {told(CAUTION)} A rehearsal shows what this program does with a simulated '
        "plant: it proves nothing about your pipes, sensors and seals, and permits nobody to enter anything.</p>"
    )


def _signature() -> str:
    cells = "".join(f"<td>{one}</td>" for one in ("Name and function", "Place and date", "Signature"))
    return f'<p>Seen, with what is not met and what is assumed:</p><table class="sign"><tr>{cells}</tr></table>'


def _verdict(one: Rehearsal) -> Iterator[str]:
    judged = [found for found in one.criteria if found.met is not None]
    missed = [found for found in judged if not found.met]
    if all_met(one.criteria):
        yield f'<div class="verdict"><b>All {len(judged)} criteria met.</b></div>'
        return
    yield f'<div class="verdict"><b>Not passed: {len(missed)} of {len(judged)} criteria not met.</b><ul>'
    for found in missed:
        note = f" ({told(found.note)})" if found.note else ""
        yield f"<li>{told(found.name)}: <b>{told(found.measured)}</b>, bound: {told(found.bound)}{note}</li>"
    yield "</ul></div>"


def _identity(one: Rehearsal, about: About, other: Rehearsal | None) -> Iterator[str]:
    first, site = one.seasons[0], one.site
    rows = [
        ("Site file", f"{one.file}; SHA-256 {one.sha256}"),
        *([("Compared with", f"{other.file}; SHA-256 {other.sha256}")] if other is not None else []),
        ("Site", ", ".join((count(site.enclosures, "enclosure"), count(site.rooms, "room"),
                            count(site.analysers, "analyser"), count(site.gas_sources, "gas source")))),
        ("Season", f"{about.days:g} days from {when(first, 0.0)[:10]} on; seed {', '.join(str(s.seed) for s in one.seasons)}"),
        ("Faults", f"{about.schedule}: {about.schedule_words}; {sum(len(s.faults) for s in one.seasons)} in all"),
        ("Program", f"stillhold {about.version}; SHA-256 of the supervisor's source {about.program}"),
        ("Made", about.made),
    ]  # fmt: skip
    cells = (f"<tr><td><b>{told(name)}</b></td><td>{told(words)}</td></tr>" for name, words in rows)
    yield "<table>" + "".join(cells) + "</table>"


def _met(found: Criterion) -> str:
    if found.met is None:
        return '<span class="yes">for comparison</span>'
    return '<span class="yes">&#10003; met</span>' if found.met else '<span class="no">&#10007; NOT MET</span>'


def _criteria(one: Rehearsal) -> Iterator[str]:
    seeds = [str(found.seed) for found in one.seasons]
    yield "<h2>Criterion by criterion</h2>"
    if len(seeds) > 1:
        words = f"Measured is the worst, or the sum, over the seeds {', '.join(seeds)}, in this order below it."
        yield f'<p class="small">{told(words)}</p>'
    yield '<table><thead><tr><th style="width:46%">Criterion</th><th style="width:17%">Measured</th>'
    yield "<th>Bound, and where it comes from</th><th></th></tr></thead>"
    group = ""
    for found in one.criteria:
        if found.group != group:
            group = found.group
            yield f'<tr><td colspan="4"><b>{told(group)}</b></td></tr>'
        by_seed = f'<div class="small">{told(" | ".join(found.by_seed))}</div>' if len(seeds) > 1 and found.by_seed else ""
        note = f'<div class="small">{told(found.note)}</div>' if found.note else ""
        source = f'<div class="small">{told(found.source)}</div>' if found.source else ""
        yield f"<tr><td>{told(found.name)}{note}</td><td>{told(found.measured)}{by_seed}</td>"
        yield f"<td>{told(found.bound)}{source}</td><td>{_met(found)}</td></tr>"
    yield "</table>"


def _comparison(one: Rehearsal, other: Rehearsal) -> Iterator[str]:
    """Both sites on the same seeds, figure by figure."""
    yield "<h2>Side by side</h2>"
    heads = "".join(f"<th>{told(file)}</th><th></th>" for file in (one.file, other.file))
    yield f"<table><thead><tr><th>Criterion</th>{heads}</tr></thead>"
    theirs = {found.name: found for found in other.criteria}
    for found in one.criteria:
        against = theirs.pop(found.name, None)
        yield _pair(found.name, found, against)
    for name, against in theirs.items():
        yield _pair(name, None, against)
    yield "</table>"


def _pair(name: str, ours: Criterion | None, theirs: Criterion | None) -> str:
    cells = "".join(
        "<td>-</td><td></td>" if found is None
        else f"<td>{told(found.measured)}</td><td>{'' if found.met is None else _met(found)}</td>"
        for found in (ours, theirs)
    )  # fmt: skip
    return f"<tr><td>{told(name)}</td>{cells}</tr>"


def _assumptions() -> Iterator[str]:
    yield "<h2>What is assumed</h2><ul>"
    every: Iterable[str] = (
        *season.ASSUMED, *staff.ASSUMED, *schedules.ASSUMED,
        "Leaks, fruit, noise and everything else that the site file does not give is as the simulator assumes it "
        "(simulator/assumed.py); its gas physics are its own and share no code with the controller.",
        "The hardware speaks as seldom as the site file's limits allow, decisions are up to a quarter of a minute apart, and "
        "the truth is looked at every two minutes.",
        "A fault's bound is from the site file's times; two steps of the rehearsal are allowed beyond it.",
        "What is ordered on a stock alarm comes after the site file's order_lead_days and fills the stock.",
        "Broker, disk, history database and the signing of commands are not in a rehearsal; they are tested apart.",
    )  # fmt: skip
    yield "".join(f"<li>{told(one)}</li>" for one in every) + "</ul>"
