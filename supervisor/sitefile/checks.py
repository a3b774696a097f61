"""What only shows across the keys of a site file: names, lines, times and limits that do not fit each other.

The checks run on a draft: where a single value was already found wrong it is None here, and a check that needs it
says nothing. The gas checks are in `gas.py`, those of sample lines in `lines.py`, those of calibration in
`calibration.py`, those of mappings in `maps.py`.
"""

from collections import Counter
from collections.abc import Iterable, Iterator

from supervisor.settings import AIR_CO2_PCT, AIR_O2_PCT, Room, SiteFile, Source
from supervisor.sitefile.calibration import calibration_problems
from supervisor.sitefile.gas import gas_problems
from supervisor.sitefile.instruments import instrument_problems
from supervisor.sitefile.lines import line_problems, rotation_s
from supervisor.sitefile.maps import mapping_problems
from supervisor.sitefile.people import people_problems
from supervisor.sitefile.problems import MISSING, Figures, Problem, entries, error, known, legal, listed, nearest, warning
from supervisor.sitefile.sources import source_problems
from supervisor.values import GASES

LOOPBACK = ("127.0.0.1", "::1", "localhost")


def cross_problems(site: SiteFile) -> Iterator[Problem]:
    """Every mistake across keys, those of a kind together."""
    for check in (
        _repeated_ids, _unknown_names, _sources_of_another_gas, _misspelt_units, _times, _sample_age, _volume_limits,
        _room_limits, _stock, _broker, _gate, _operators,
    ):  # fmt: skip
        yield from check(site)
    yield from line_problems(site)
    yield from calibration_problems(site)
    yield from gas_problems(site)
    yield from instrument_problems(site)
    yield from source_problems(site)
    yield from mapping_problems(site)
    yield from people_problems(site)


# ------------------------------------------------------------------------------------------------ names


def _repeated_ids(site: SiteFile) -> Iterator[Problem]:
    tables = ("recipe", "room", "source", "analyser", "calibration_gas", "enclosure")
    lists = [(table, getattr(site, table)) for table in tables]
    lists += [(f"{key}.sensor", room.sensor) for key, room in entries("room", site.room)]
    lists += [(f"{key}.lines", one.lines) for key, one in entries("analyser", site.analyser)]
    for table, listing in lists:
        for name, times in Counter(one.id for one in listing if one.id is not None).items():
            if times > 1:
                yield error(
                    f"{table}[{name}].id", Figures(f'"{name}", {times} times'), "each id once in its list",
                    "rename all but one, and what refers to them",
                )  # fmt: skip


def _unknown_names(site: SiteFile) -> Iterator[Problem]:
    for key, one in entries("enclosure", site.enclosure):
        wanted: list[tuple[str, object, str, Iterable[str]]] = [
            ("room", one.room, "room", site.rooms),
            ("recipe", one.recipe, "recipe", site.recipes),
            ("line", one.line, "line", site.lines),
        ]
        wanted += [(f"sources.{gas}", one.sources.of(gas), "source", site.gas_sources) for gas in GASES]
        for field, name, what, there in wanted:
            names = [have for have in there if have is not None]
            if not legal(name) or not names or name in names:
                continue  # a list that is empty or missing is a mistake of its own
            meant = nearest(name, names)
            allowed = "a line that an analyser reaches" if field == "line" else f"the id of a {what}"
            added = f"add {name} as a {what}" + (" of the analyser that reaches it" if field == "line" else "")
            yield error(
                f"{key}.{field}", name, f"{allowed}: {listed(names)}", f"write {meant or 'one of these'}, or {added}"
            )


def _sources_of_another_gas(site: SiteFile) -> Iterator[Problem]:
    for key, one in entries("enclosure", site.enclosure):
        for gas in GASES:
            source = site.gas_sources.get(one.sources.of(gas) or "")
            if source is not None and known(source.gas) and source.gas != gas:
                right = [other.id for other in site.source if other.gas == gas and other.id is not None]
                yield error(
                    f"{key}.sources.{gas}", source.id, f"a source of {gas}: {listed(right)}",
                    f"{source.id} gives {source.gas}: pipe it as {source.gas}, or name another source",
                )  # fmt: skip


def _misspelt_units(site: SiteFile) -> Iterator[Problem]:
    """A unit is made by being named, so a slip makes one that nobody ever hears from."""
    used: list[tuple[str, str | None]] = []
    for table in ("source", "analyser", "enclosure"):
        used += [(f"{key}.unit", one.unit) for key, one in entries(table, getattr(site, table))]
    for key, room in entries("room", site.room):
        used += [(f"{at}.unit", sensor.unit) for at, sensor in entries(f"{key}.sensor", room.sensor)]
    times = Counter(unit for _, unit in used if unit is not None)
    for key, unit in used:
        meant = next((other for other in times if unit and times[other] > 1 and _slip(unit, other)), None)
        if times[unit] == 1 and meant:
            yield warning(
                key, unit, f"the name of a hardware unit; this one is named only here, {meant} {times[meant]} times",
                f"write {meant}, unless it is a unit of its own",
            )  # fmt: skip


def _slip(one: str, other: str) -> bool:
    """Whether two names differ as by a slip of the finger: letters swapped, or one letter too few or too many."""
    if one == other:
        return False
    if len(one) == len(other):
        return sorted(one) == sorted(other) and sum(a != b for a, b in zip(one, other, strict=True)) == 2
    short, long = sorted((one, other), key=len)
    at = next((at for at in range(len(long)) if long[:at] + long[at + 1 :] == short), None)
    return at is not None and long[at].isalpha()


# ------------------------------------------------------------------------------------------------ times and limits


def _times(site: SiteFile) -> Iterator[Problem]:
    timing = site.timing
    if known(timing.permit_valid_s, timing.permit_interval_s):
        renewed_s = max(timing.permit_interval_s, timing.tick_s or 0.0)
        if timing.permit_valid_s <= 2 * renewed_s:
            yield error(
                "timing.permit_valid_s", timing.permit_valid_s,
                f"more than {2 * renewed_s:g}: twice the time between renewals, so that one lost shuts no valve",
                "raise it, or lower timing.permit_interval_s or timing.tick_s",
            )  # fmt: skip


def _sample_age(site: SiteFile) -> Iterator[Problem]:
    slowest_s = max((rotation_s(site, one) for one in site.analyser), default=0.0)
    if known(site.timing.sample_age_s_max) and site.timing.sample_age_s_max < 2 * slowest_s:
        yield warning(
            "timing.sample_age_s_max", site.timing.sample_age_s_max,
            f"at least {2 * slowest_s:g}: two rotations of the slowest analyser",
            "raise it, or share the lines among more analysers: one lost sample would stop the gas",
        )  # fmt: skip


def _volume_limits(site: SiteFile) -> Iterator[Problem]:
    for gas in GASES:
        limit = site.limits.of(gas)
        for longer, shorter in (("per_hour_nl", "per_request_nl"), ("per_day_nl", "per_hour_nl")):
            more, less = getattr(limit, longer), getattr(limit, shorter)
            if known(more, less) and more < less:
                yield error(
                    f"limits.{gas}.{longer}", more, f"at least {less:g}, what {shorter} allows",
                    f"raise {longer}, or lower {shorter}",
                )  # fmt: skip


def _room_limits(site: SiteFile) -> Iterator[Problem]:
    for key, room in entries("room", site.room):
        for field, pct, fits, allowed, mend in _limit_rules(room):
            if not fits:
                yield error(f"{key}.limits.{field}.pct", pct, allowed, mend)


def _limit_rules(room: Room) -> Iterator[tuple[str, float, bool, str, str]]:
    o2_min, o2_max, o2_danger = (
        getattr(room.limits, name).pct for name in ("o2_clear_min", "o2_clear_max", "o2_danger_min")
    )
    co2_max, co2_danger = room.limits.co2_clear_max.pct, room.limits.co2_danger_max.pct
    never = "move it past fresh air: otherwise the room never reads clear"
    swapped = "the danger limit lies beyond the clear limit: have they been swapped?"
    if known(o2_min):
        yield "o2_clear_min", o2_min, o2_min < AIR_O2_PCT, f"below the {AIR_O2_PCT:g} of fresh air", never
    if known(o2_max):
        yield "o2_clear_max", o2_max, o2_max > AIR_O2_PCT, f"above the {AIR_O2_PCT:g} of fresh air", never
    if known(co2_max):
        yield "co2_clear_max", co2_max, co2_max > AIR_CO2_PCT, f"above the {AIR_CO2_PCT:g} of fresh air", never
    if known(o2_danger, o2_min):
        yield "o2_danger_min", o2_danger, o2_danger <= o2_min, f"at most {o2_min:g}, o2_clear_min", swapped
    if known(co2_danger, co2_max):
        yield "co2_danger_max", co2_danger, co2_danger >= co2_max, f"at least {co2_max:g}, co2_clear_max", swapped
    co2_twa, co2_stel = room.limits.co2_twa_max.pct, room.limits.co2_stel_max.pct
    if known(co2_twa):
        yield "co2_twa_max", co2_twa, co2_twa > AIR_CO2_PCT, f"above the {AIR_CO2_PCT:g} of fresh air", never
    if known(co2_stel, co2_twa):
        shorter = "the limit over 15 minutes lies above the one over 8 hours: have they been swapped?"
        yield "co2_stel_max", co2_stel, co2_stel >= co2_twa, f"at least {co2_twa:g}, co2_twa_max", shorter


def _stock(site: SiteFile) -> Iterator[Problem]:
    for key, one in entries("source", site.source):
        if known(one.stock_kg, one.reserve_kg) and one.reserve_kg >= one.stock_kg > 0:
            yield error(
                f"{key}.reserve_kg", one.reserve_kg, f"less than stock_kg, {one.stock_kg:g}",
                "lower it: at or below the reserve nothing is requested, so this source would never give",
            )  # fmt: skip
        if known(one.gas, one.o2_pct) and one.gas != "nitrogen" and one.o2_pct > 0:
            yield warning(
                f"{key}.o2_pct", one.o2_pct, "only of a source of nitrogen", "remove it: it is not used"
            )
        yield from _prices(site, key, one)


def _prices(site: SiteFile, key: str, one: Source) -> Iterator[Problem]:
    price = one.price_per_kg if one.price_per_1000_nl is None else one.price_per_1000_nl
    if known(one.price_per_kg, one.price_per_1000_nl):
        yield error(
            f"{key}.price_per_1000_nl", one.price_per_1000_nl, "left out, where there is a price_per_kg",
            "keep the price that is on the bill",
        )  # fmt: skip
    if price is not None and "currency" not in site.site.model_fields_set:
        yield warning(
            "site.currency", MISSING, f"the currency of the prices, such as the one of {key}",
            'add currency = "..." to the table site, three capital letters of ISO 4217',
        )  # fmt: skip
    if one.order_lead_days is not None and "stock_kg" not in one.model_fields_set:
        yield warning(
            f"{key}.order_lead_days", one.order_lead_days, "only of a source with stock_kg",
            "remove it, or give stock_kg: of a stock that is not known nobody can tell how long it lasts",
        )  # fmt: skip


def _broker(site: SiteFile) -> Iterator[Problem]:
    if site.broker.password_file is not None and site.broker.username is None:
        yield error(
            "broker.username", MISSING, "a user name, where there is a password (MQTT 3.1.1, MQTT-3.1.2-22)",
            "add username = ... to the table broker, or remove password_file",
        )  # fmt: skip


def _gate(site: SiteFile) -> Iterator[Problem]:
    if site.broker.identities is None and site.broker.host not in LOOPBACK:
        yield warning(
            "broker.identities", MISSING, "a folder of certificates; without it anybody there can speak for the hardware",
            'add identities = "identities", then deploy/certificates and deploy/broker-config',
        )  # fmt: skip


def _operators(site: SiteFile) -> Iterator[Problem]:
    if site.operators is None:
        yield warning(
            "operators", MISSING, 'a table with file = "..."; without it anybody at the broker can command this site',
            "add the table operators, and people by `stillhold operators add`",
        )  # fmt: skip
