"""The part of the report that tells of each season: its picture, its enclosures, and every fault with what came of it."""

from collections.abc import Iterator, Sequence

from supervisor.rehearsal.outcome import FaultSeen, Season
from supervisor.rehearsal.pictures import fault_picture, key_picture, season_picture
from supervisor.rehearsal.verdict import gas_per_day_nl, naming, recovered_h
from supervisor.rehearsal.words import DAY_S, HOUR_S, span, told, when
from supervisor.settings import SiteFile

NAMING_WORDS = {
    "rightly": "rightly", "late": "rightly, but late", "otherwise": "by another name", "not found": "not found",
    "need not be": "need not be", "never showed": "over before it showed",
}  # fmt: skip
WRONG = ("late", "otherwise", "not found")
GASES = (("nitrogen", "nitrogen"), ("co2", "CO2"), ("air", "air"))
CELLS = {0: "", 7: "r"}


def told_seasons(site: SiteFile, seasons: Sequence[Season]) -> Iterator[str]:
    """Season by season."""
    for number, found in enumerate(seasons):
        called = f" of seed {found.seed}" if len(seasons) > 1 else ""
        yield f"<h2>The season{called}</h2>"
        if number == 0:
            yield key_picture()
        yield season_picture(site, found)
        yield from _enclosures(site, found)
        if found.broken:
            yield "<h3>Rules broken, by the witness</h3><ul>"
            yield from (f"<li>{told(when(found, broken.at_s))}: {told(broken.words)}</li>" for broken in found.broken)
            yield "</ul>"
        if found.faults:
            yield f"<h2>What went wrong{called}, and what came of it</h2>"
            yield from _fault_table(found)
            for seen in found.faults:
                yield from _fault(site, found, seen)


def _enclosures(site: SiteFile, found: Season) -> Iterator[str]:
    heads = ("Enclosure", "days<br/>sealed", "in band", "lowest<br/>O2", "highest<br/>CO2", "below<br/>floor",
             "above<br/>ceiling", "pull-downs", "nitrogen<br/>a day", "CO2<br/>a day")  # fmt: skip
    yield "<table><thead><tr>" + "".join(f'<th class="{"n" if n else ""}">{h}</th>' for n, h in enumerate(heads))
    yield "</tr></thead>"
    for name in site.enclosures:
        held, harm, sealed_d = found.held[name], found.harm[name], found.sealed_s[name] / DAY_S
        took = [one.took_s for one in found.pull_downs if one.enclosure == name and one.took_s is not None]

        def daily(gas: str, name: str = name, sealed_d: float = sealed_d) -> str:
            given = found.gas_nl[name]
            total = sum(nl for which, nl in given.items() if which.partition(",")[0] == gas)
            return f"{total / sealed_d:.0f} nl" if sealed_d else "-"

        row = (
            name, f"{sealed_d:.1f}", f"{100.0 * held.in_band / held.looks:.2f} %" if held.looks else "-",
            f"{harm.lowest_o2_pct:.2f} %" if sealed_d else "-", f"{harm.highest_co2_pct:.2f} %" if sealed_d else "-",
            f"{harm.below_floor_min:.0f} min", f"{harm.above_ceiling_min:.0f} min",
            ", ".join(f"{one / HOUR_S:.1f} h" for one in took) or "-", daily("nitrogen"), daily("co2"),
        )  # fmt: skip
        yield "<tr>" + "".join(f'<td class="{CELLS.get(n, "n")}">{told(one)}</td>' for n, one in enumerate(row)) + "</tr>"
    yield "</table>"
    each = ", ".join(f"{gas_per_day_nl(found, gas):.0f} nl of {called}" for gas, called in GASES)
    words = f"For each enclosure and day sealed, all in all: {each}. Contents and band by the plant's truth."
    yield f'<p class="small">{told(words)}</p>'


def _fault_table(found: Season) -> Iterator[str]:
    yield ("<table><thead><tr><th>No.</th><th>day</th><th>What went wrong</th><th class='n'>found after</th><th>named</th>"
           "<th>consequence</th><th>well again after</th></tr></thead>")  # fmt: skip
    for seen in found.faults:
        named = naming(seen)
        naming_told = f'<span class="no">{NAMING_WORDS[named]}</span>' if named in WRONG else NAMING_WORDS[named]
        yield f'<tr><td><a href="#{_anchor(found, seen)}">{seen.number}</a></td>'
        yield f'<td class="t">{seen.fault.start_s / DAY_S:.1f}</td><td>{told(seen.words)}'
        yield f'<div class="small">for {span(seen.fault.end_s - seen.fault.start_s)}</div></td>'
        yield f'<td class="n">{_found_after(seen)}</td><td>{naming_told}</td><td>{_taken(seen)}</td>'
        yield f"<td>{_recovered(seen)}</td></tr>"
    yield "</table>"


def _anchor(found: Season, seen: FaultSeen) -> str:
    return f"{_slug(found.site)}-{found.seed}-{seen.number}"


def _slug(words: str) -> str:
    return "".join(letter if letter.isalnum() else "-" for letter in words)


def _found_after(seen: FaultSeen) -> str:
    if seen.found_s is None:
        return "-"
    after = span(max(0.0, seen.found_s - (seen.fault.start_s if seen.shows_s is None else seen.shows_s)))
    return f"{after}{' (stood)' if seen.stood_before else ''}"


def _taken(seen: FaultSeen) -> str:
    if seen.taken is None:
        return "told" if seen.found_s is not None and seen.consequence == "told" else "-"
    words = told(CONSEQUENCES.get(seen.consequence, seen.consequence))
    return f"&#10003; {words}" if seen.taken else f'<span class="no">&#10007; not kept</span> {words}'


CONSEQUENCES = {
    "no_dose": "no nitrogen or CO2", "faulted": "faulted, no gas", "room_closed": "room closed", "source_rests": "source rests",
    "unit_rests": "unit rests", "analyser_rests": "no gas on its word", "told": "told",
}  # fmt: skip


def _recovered(seen: FaultSeen) -> str:
    hours = recovered_h(seen)
    if hours is None:
        return f'<span class="no">not</span><div class="small">{told(seen.worst)}</div>'
    return span(hours * HOUR_S)


def _fault(site: SiteFile, found: Season, seen: FaultSeen) -> Iterator[str]:
    fault = seen.fault
    yield f'<div class="fault"><h3 id="{_anchor(found, seen)}">{seen.number}. {told(seen.words)}</h3><p>'
    yield f"{when(found, fault.start_s)}, for {span(fault.end_s - fault.start_s)} "
    yield f"({told(fault.name)} on {told(fault.target)}). "
    yield _finding_told(found, seen)
    for name, minutes in seen.harm_min.items():
        yield f"<b>The fruit of {told(name)} was {minutes:.0f} min below its floor or above its ceiling meanwhile.</b> "
    yield "</p>"
    yield fault_picture(site, seen)
    yield "</div>"
    if seen.seen:
        yield '<table><thead><tr><th colspan="4">What an operator saw</th></tr></thead>'
        for line in seen.seen:
            yield f'<tr><td class="t">{when(found, line.at_s)}</td><td>{told(line.what)}</td><td>{told(line.priority)}</td>'
            yield f"<td>{told(line.alarm)}{': ' if line.text else ''}{told(line.text)}</td></tr>"
        if seen.more_seen:
            yield f'<tr><td colspan="4">and {seen.more_seen} lines more</td></tr>'
        yield "</table>"
    else:
        yield '<p class="small">No alarm about what it reaches was raised meanwhile.</p>'


def _finding_told(found: Season, seen: FaultSeen) -> str:
    named = naming(seen)
    words = ""
    if seen.found_s is not None:
        begin = {True: "since it could first show", False: "after its start"}[(seen.shows_s or 0.0) > seen.fault.start_s]
        words = f"Found by {told(seen.found_by)}, {_found_after(seen)} {begin}. "
    elif named == "otherwise":
        words = f"<b>Not named rightly</b>; raised about what it reaches: {told(', '.join(seen.others[:5]))}. "
    elif named == "not found":
        words = "<b>Not found.</b> "
    elif named == "never showed":
        words = "Over before it could have been found. "
    if seen.bound_s is not None:
        words += f"It is to be found within {span(seen.bound_s)}: {told(seen.bound)}, by {told(' or '.join(seen.alarms))}. "
    elif seen.why:
        words += f"It need not be found: {told(seen.why)}. "
    if seen.taken is False:
        words += f"<b>Consequence not kept:</b> {told(CONSEQUENCES[seen.consequence])}. "
    hours = recovered_h(seen)
    if hours is None:
        words += f"<b>Not well again by the season's end:</b> {told(seen.worst)}. "
    else:
        words += f"All that it reaches was well again {span(hours * HOUR_S)} after its end. "
    return words
