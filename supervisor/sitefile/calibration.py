"""Whether calibration gases are what they are used for, their dates are dates, and a plan's limits fit each other.

Whether a certificate has run out is not asked here: a site that runs must start again with an old bottle on its wall. The
gas is not drawn then, and an alarm says so.
"""

from collections.abc import Iterator
from datetime import date

from supervisor.settings import SiteFile
from supervisor.settings_calibration import NONE_PCT, CalibrationGas
from supervisor.sitefile.problems import Figures, Problem, entries, error, known, warning


def calibration_problems(site: SiteFile) -> Iterator[Problem]:
    for key, gas in entries("calibration_gas", site.calibration_gas):
        yield from _gas(key, gas)
    yield from _plans(site)


def _gas(key: str, gas: CalibrationGas) -> Iterator[Problem]:
    if isinstance(gas.expires, str) and legal_date(gas.expires) is False:
        yield error(f"{key}.expires", gas.expires, "a day that there is, such as 2027-03-31", "write it as on the certificate")
    if not known(gas.o2_pct, gas.co2_pct):
        return
    if gas.o2_pct + gas.co2_pct > 100.0:
        yield error(
            f"{key}.co2_pct", Figures(f"{gas.co2_pct:g} with {gas.o2_pct:g} % O2"), "at most 100 together",
            "write both as on the certificate",
        )  # fmt: skip
    if gas.use is None:
        return
    for field, has, wanted in (("o2_pct", gas.o2_pct, _WANTED[gas.use][0]), ("co2_pct", gas.co2_pct, _WANTED[gas.use][1])):
        if wanted is not None and wanted is not (has >= NONE_PCT):
            told = f"at least {NONE_PCT:g}" if wanted else f"below {NONE_PCT:g}"
            yield error(f"{key}.{field}", has, f"{told} in a gas with use = {gas.use}", "correct it, or give it another use")


# By use: whether it must hold oxygen, and CO2; None is either.
_WANTED: dict[str, tuple[bool | None, bool | None]] = {
    "zero": (False, False), "span_o2": (True, None), "span_co2": (None, True), "span": (True, True), "check": (None, None),
}  # fmt: skip


def legal_date(text: str) -> bool | None:
    """Whether there is such a day; None where it is not even written like one, which is told already."""
    if len(text) != 10 or not text.replace("-", "").isascii() or not text.replace("-", "").isdecimal():
        return None
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _plans(site: SiteFile) -> Iterator[Problem]:
    for key, analyser in entries("analyser", site.analyser):
        plan = analyser.calibration
        if plan is None:
            continue
        for which in ("o2", "co2"):
            limit = getattr(plan, which)
            if limit is None or not known(limit.warn_pct, limit.action_pct):
                continue
            if limit.warn_pct >= limit.action_pct:
                yield error(
                    f"{key}.calibration.{which}.warn_pct", limit.warn_pct, f"below {limit.action_pct:g}, action_pct",
                    "a warning comes before what calls for action: lower it",
                )  # fmt: skip
            for line in analyser.lines:
                gas = site.calibration_gases.get(line.gas or "")
                unsure = None if gas is None else getattr(gas, f"{which}_uncertainty_pct")
                if gas is None or unsure is None or not known(gas.o2_pct, gas.co2_pct):
                    continue
                if unsure > limit.action_pct and (gas.shows_o2 if which == "o2" else gas.shows_co2):
                    yield warning(
                        f"calibration_gas[{gas.id}].{which}_uncertainty_pct", unsure,
                        f"at most {limit.action_pct:g}, the action limit of {analyser.id}: it cannot show such drift",
                        "use a gas that is known better",
                    )  # fmt: skip
