"""`stillhold check` and `stillhold schema`: a site file's problems, its summary, and the schema for editors."""

import json
import textwrap
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from supervisor.core.alarm_words import TAKEN_OUT, may_be_taken_out
from supervisor.settings import SiteFile
from supervisor.shell.authority.operators import OperatorsError, operators_file
from supervisor.shell.authority.operators import load as load_operators
from supervisor.sitefile import Examined, Problem, examine
from supervisor.sitefile.gas import pulldown_nl
from supervisor.sitefile.lines import rotation_s
from supervisor.sitefile.problems import warning

EXIT_FINE = 0
EXIT_WRONG = 2
CO2_KG_NL = 1.9768e-3  # kg in a normal litre, at 0 degC and 101.325 kPa: CoolProp


def check(path: Path, as_json: bool = False) -> int:
    """Prints what there is to say about the site file at `path`. 2 where it has errors, else 0."""
    examined = with_alarms(path, with_operators(path, examine(path)))
    print(json.dumps(report(path, examined), indent=2) if as_json else told(path, examined))
    return EXIT_WRONG if examined.site is None else EXIT_FINE


def with_operators(path: Path, examined: Examined) -> Examined:
    """A warning more where the operators file cannot be used, or names nobody: the site runs, and nobody can command it."""
    file = None if examined.site is None else operators_file(examined.site, path.resolve().parent)
    if examined.site is None or file is None or not file.exists():
        return examined  # a site that is only being written has no such file yet
    try:
        if any(one.revoked_at is None for one in load_operators(file, examined.site.site.id).operator):
            return examined
        mend = "`stillhold operators add`"
    except OperatorsError as refused:
        mend = str(refused)
    told = warning("operators.file", examined.site.operators.file, "a file of people who may command; nobody can now", mend)
    return replace(examined, problems=(*examined.problems, replace(told, file=str(path))))


def with_alarms(path: Path, examined: Examined) -> Examined:
    """A warning more for each alarm that cannot be taken out of service: the site runs, and the alarm stays in it."""
    entries = () if examined.site is None else enumerate(examined.site.out_of_service)
    found = (
        warning(f"out_of_service[{number}].alarm", entry.alarm, TAKEN_OUT, "see `stillhold alarms catalogue`")
        for number, entry in entries
        if not may_be_taken_out(examined.site, entry.alarm)
    )
    return replace(examined, problems=(*examined.problems, *(replace(one, file=str(path)) for one in found)))


def schema() -> dict[str, Any]:
    """The JSON Schema of a site file. What only shows across keys is beyond it: `stillhold check` finds that."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **SiteFile.model_json_schema()}


def report(path: Path, examined: Examined) -> dict[str, Any]:
    """The same as `told`, for a program: problems as they are and the summary's figures with units in their names."""
    return {
        "file": str(path),
        "errors": examined.errors,
        "warnings": len(examined.problems) - examined.errors,
        "problems": [asdict(one) for one in examined.problems],
        "site": None if examined.site is None else figures(examined.site),
    }


def told(path: Path, examined: Examined) -> str:
    """Every problem as a block of four lines, a count, and the summary where there is no error."""
    blocks = [_block(one) for one in examined.problems]
    warnings = len(examined.problems) - examined.errors
    blocks.append(f"{path}: {_count(examined.errors, 'error')}, {_count(warnings, 'warning')}")
    if examined.site is not None:
        blocks.append(textwrap.fill(summary(examined.site), 100))
    return "\n\n".join(blocks)


def problems_told(problems: tuple[Problem, ...]) -> str:
    """The problems alone, for a command that cannot go on because of them."""
    return "\n\n".join(_block(one) for one in problems)


def _block(one: Problem) -> str:
    lines = [f"{one.level}: {_printable(one.key)}", *_field("value", _printable(one.value))]
    lines += [*_field("allowed", one.allowed), *_field("mend", one.mend)]
    return "\n".join(lines)


def _field(name: str, text: str) -> Iterator[str]:
    lead = f"  {name:<8}"
    yield textwrap.fill(text, 100, initial_indent=lead, subsequent_indent=" " * len(lead), break_long_words=False)


def _printable(text: str) -> str:
    """A file may hold what a terminal would obey."""
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")


# ------------------------------------------------------------------------------------------------ summary


def figures(site: SiteFile) -> dict[str, Any]:
    """What the site is, in numbers."""
    needs = {one.id: _needs_nl(site, one.id) for one in site.enclosure}
    return {
        "id": site.site.id,
        "name": site.site.name,
        "root": site.root,
        "rooms": len(site.room),
        "rooms_m3": sum(one.volume_m3 for one in site.room),
        "enclosures": len(site.enclosure),
        "free_volume_m3": sum(one.free_volume_nl for one in site.enclosure) / 1000.0,
        "fruit_kg": sum(one.fruit_kg for one in site.enclosure),
        "recipes": len(site.recipe),
        "mappings": len(site.mapping),
        "rotation_s": {one.id: rotation_s(site, one) for one in site.analyser},
        "pulldown_nl": {name: {"nitrogen": need[0], "co2": need[1]} for name, need in needs.items()},
        "pulldown_nitrogen_nl": sum(need[0] for need in needs.values()),
        "pulldown_co2_nl": sum(need[1] for need in needs.values()),
        "pulldown_co2_kg": sum(need[1] for need in needs.values()) * CO2_KG_NL,
    }


def summary(site: SiteFile) -> str:
    """The site in one paragraph."""
    have = figures(site)
    reached = {one.id: sum(line.id in site.enclosure_of_line for line in one.lines) for one in site.analyser}
    rotations = ", ".join(
        f"{name} visits {_count(lines, 'line')} in {have['rotation_s'][name] / 60:.0f} min" for name, lines in reached.items()
    )
    return (
        f"{have['name'] or have['id']}: {_count(have['rooms'], 'room')} ({have['rooms_m3']:g} m3), "
        f"{_count(have['enclosures'], 'enclosure')} with {have['free_volume_m3']:.1f} m3 of gas space and "
        f"{have['fruit_kg']:g} kg of fruit, {_count(have['recipes'], 'recipe')}; {rotations}. "
        f"One pull-down of every enclosure takes {have['pulldown_nitrogen_nl']:,.0f} normal litres of nitrogen and "
        f"{have['pulldown_co2_nl']:,.0f} ({have['pulldown_co2_kg']:.1f} kg) of CO2, well mixed, before the CO2 "
        f"that the fruit dissolves. Topics stand under {have['root']}."
    )


def _needs_nl(site: SiteFile, enclosure: str) -> tuple[float, float]:
    nitrogen = site.source_of(enclosure, "nitrogen")
    residual_pct = 0.0 if nitrogen is None else nitrogen.o2_pct
    return pulldown_nl(site.enclosures[enclosure].free_volume_nl, site.recipe_of(enclosure), residual_pct)
