"""Whether the mappings of a site file can work: topics, fields and units fit the contract."""

import re
from collections.abc import Iterator
from typing import Annotated, Any

from pydantic import AwareDatetime, ConfigDict, TypeAdapter, ValidationError

from supervisor.messages import INBOUND, Inbound
from supervisor.settings import Mapping, SiteFile
from supervisor.sitefile.problems import MISSING, Problem, entries, error, known, legal, listed, nearest, warning
from supervisor.values import GASES

KINDS: dict[str, type[Inbound]] = {one.TOPIC: one for one in INBOUND if one.TOPIC != "operator/command"}
"""What a gateway may send. A person's command is not among them: nothing else may be read as one."""

MEASURED = frozenset(
    "observed_at seq o2_pct co2_pct temperature_c rh_pct open valve_open flow_nl_min delivered_nl request_id outcome "
    "epoch_seen boot".split()
)
"""What only the gateway can know, so that a fixed figure in its place would be a lie that never ages."""

JUDGED = frozenset({"status", "settled", "available", "online", "metered"})
"""What tells good from bad: a fixed word hides the gateway's own fault."""

_VARIABLE = re.compile(r"\{([a-z]+)\}")
_LEVEL = re.compile(r"\{[a-z]+\}|[^{}+#$\s\x00][^{}+#\s\x00]*")


def variables(topic: str) -> tuple[str, ...]:
    """The names of a topic's variable levels, in order."""
    return tuple(_VARIABLE.findall(topic))


def mapping_problems(site: SiteFile) -> Iterator[Problem]:
    before: list[tuple[str, str]] = []
    for key, one in entries("mapping", site.mapping):
        if one.topic is not None:
            yield from _topic(site, key, one.topic)
            other = next((other for other, topic in before if _overlap(topic, one.topic)), None)
            if other:
                yield error(
                    f"{key}.topic", one.topic, f"a topic that no other mapping reads; {other} reads it too",
                    "make the topics differ in a fixed level: one message is read in one way",
                )  # fmt: skip
            before.append((key, one.topic))
        model = KINDS.get(one.kind or "")
        if model is None:
            if one.kind is not None:
                meant = nearest(one.kind, KINDS)
                yield error(f"{key}.kind", one.kind, f"one of {', '.join(KINDS)}", f"write {meant or 'one of these'}")
            continue
        if one.topic is not None and _topic_is_legal(one.topic):
            yield from _names(site, key, one)
        for check in (_fields, _fixed, _translated):
            yield from check(key, one, model)


def _topic_is_legal(topic: str) -> bool:
    names = variables(topic)
    return all(_LEVEL.fullmatch(level) for level in topic.split("/")) and len(set(names)) == len(names)


def _topic(site: SiteFile, key: str, topic: str) -> Iterator[Problem]:
    if not _topic_is_legal(topic):
        yield error(
            f"{key}.topic", topic, "levels with / between them, each a fixed word or one {name}, each name once",
            "write {name} for a level that varies; no wildcard, space, empty level or leading $",
        )  # fmt: skip
    root = (site.site.topic_root or f"stillhold/{site.site.id}").split("/")
    if known(site.site.id) and topic.split("/")[: len(root)] == root:
        yield error(
            f"{key}.topic", topic, f"a topic outside the site's own root, {'/'.join(root)}",
            "remove the mapping: what stands under the root must speak the contract",
        )  # fmt: skip


def _overlap(one: str, other: str) -> bool:
    """Whether one message could match both topics."""
    left, right = one.split("/"), other.split("/")
    return len(left) == len(right) and all(
        a == b or a.startswith("{") or b.startswith("{") for a, b in zip(left, right, strict=True)
    )


def _names(site: SiteFile, key: str, one: Mapping) -> Iterator[Problem]:
    """Every variable level of the kind comes from the topic or from `names`, and from one of them only."""
    wanted, held, fixed = variables(one.kind), variables(one.topic), one.names or {}
    for name in held:
        if name not in wanted:
            yield error(
                f"{key}.topic", one.topic, f"only the levels that its kind has: {listed(wanted)}",
                f"write the level {{{name}}} as a fixed word, with one mapping for each",
            )  # fmt: skip
    for name, value in fixed.items():
        if name not in wanted or name in held:
            yield error(
                f"{key}.names.{name}", value, f"a level of the kind that the topic leaves open: "
                f"{listed(level for level in wanted if level not in held)}", "remove it",
            )  # fmt: skip
            continue
        there = _there(site, name, fixed.get("room"))
        if legal(value) and there and value not in there:
            meant = nearest(value, there)
            yield error(
                f"{key}.names.{name}", value, f"one of this site's: {listed(there)}", f"write {meant or 'one of these'}"
            )
    for name in wanted:
        if name not in held and name not in fixed:
            yield error(
                f"{key}.names.{name}", MISSING, f"the {name} that these messages are about",
                f'add {name} = "..." to names, or {{{name}}} to the topic',
            )  # fmt: skip


def _there(site: SiteFile, level: str, room: str | None) -> list[str]:
    """What may stand at a variable level; empty where that is not known."""
    units = [one.unit for table in (site.source, site.analyser, site.enclosure) for one in table]
    units += [sensor.unit for one in site.room for sensor in one.sensor]
    rooms = [one for one in site.room if room is None or one.id == room]
    names = {
        "gas": list(GASES),
        "unit": sorted({unit for unit in units if unit is not None}),
        "sensor": [sensor.id for one in rooms for sensor in one.sensor],
        "room": list(site.rooms),
        "enclosure": list(site.enclosures),
        "analyser": list(site.analysers),
        "source": list(site.gas_sources),
    }
    return [name for name in names.get(level, []) if name is not None]


def _fields(key: str, one: Mapping, model: type[Inbound]) -> Iterator[Problem]:
    fields, fixed = one.fields or {}, one.fixed or {}
    for part in ("fields", "fixed", "units", "values"):
        for name, value in (getattr(one, part) or {}).items():
            if name not in model.model_fields:
                meant = nearest(name, model.model_fields)
                yield error(
                    f"{key}.{part}.{name}", value, f"a field of {one.kind}: {', '.join(model.model_fields)}",
                    f"write {meant}" if meant else "remove it",
                )  # fmt: skip
    for name, field in model.model_fields.items():
        if field.is_required() and name not in fields and name not in fixed:
            yield error(
                f"{key}.fields.{name}", MISSING, f"where {name} lies in the gateway's payload",
                f'add {name} = "path.to.it" to fields'
                + ("; a gateway that does not send it cannot be mapped" if name in MEASURED else ", or to fixed"),
            )  # fmt: skip


def _fixed(key: str, one: Mapping, model: type[Inbound]) -> Iterator[Problem]:
    for name, value in (one.fixed or {}).items():
        at = f"{key}.fixed.{name}"
        if name not in model.model_fields or value is None:
            continue
        if name in (one.fields or {}):
            yield error(at, value, "a field that fields does not read", "remove one of the two")
        elif name in MEASURED:
            yield error(
                at, value, "what the gateway itself sends: a fixed one would never age or change",
                f"read it with fields.{name}; a gateway that does not send it cannot be mapped",
            )  # fmt: skip
        elif refused := _refused(model, name, value):
            yield error(at, value, refused, "use what the contract has")
        elif name in JUDGED:
            yield warning(
                at, value, "what the gateway itself says, where it says so",
                f"read it with fields.{name} if there is one: fixed, a fault of the gateway never shows",
            )  # fmt: skip


def _translated(key: str, one: Mapping, model: type[Inbound]) -> Iterator[Problem]:
    read = {name for name in one.fields or {} if name in model.model_fields}
    for name, unit in (one.units or {}).items():
        if unit is None or name not in model.model_fields or name in read and _unit_fits(model, name, unit):
            continue
        yield error(
            f"{key}.units.{name}", unit,
            "for a field that fields reads: ppm, fraction for _pct, fahrenheit for _c, epoch_s, epoch_ms for a time",
            "remove it, or give it to the right field",
        )  # fmt: skip
    for name, words in (one.values or {}).items():
        if words is None or name not in model.model_fields:
            continue
        if name not in read or name in (one.units or {}):
            yield error(
                f"{key}.values.{name}", words, "for a field that fields reads and that has no unit",
                "remove it, or read the field",
            )  # fmt: skip
        for word, value in words.items():
            if value is not None and (refused := _refused(model, name, value)):
                yield error(f"{key}.values.{name}.{word}", value, refused, "use what the contract has")


def _refused(model: type[Inbound], name: str, value: object) -> str | None:
    """What may stand in a field of the contract, where `value` may not."""
    field = model.model_fields[name]
    adapter: TypeAdapter[Any] = TypeAdapter(
        Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation,
        config=ConfigDict(strict=True, allow_inf_nan=False),
    )
    try:
        adapter.validate_python(value)
    except ValidationError as failed:
        return failed.errors(include_url=False)[0]["msg"].replace("Input should be ", "")
    return None


def _unit_fits(model: type[Inbound], name: str, unit: str | None) -> bool:
    field = model.model_fields.get(name)
    if field is None:
        return False
    if unit in ("ppm", "fraction"):
        return name.endswith("_pct")
    return name.endswith("_c") if unit == "fahrenheit" else field.annotation is AwareDatetime
