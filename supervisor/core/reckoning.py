"""Where oxygen stands by what was given since the seal, whatever the analyser says.

A purge goes by its samples. Room air that comes in at a sample line or at the selector valve makes each of them read too much
oxygen: with a fifth of air in it none ever reads 4 %, and the purge would go on until none is left to the fruit. So nitrogen is
given no further than to where the volumes alone, from air on, reach the recipe's floor. A closed bag needs about two thirds of
that; one that leaks so much that it needs more is no bag to purge.
"""

from math import inf, log

from supervisor.core import ledger
from supervisor.core.balance import AIR, feed_of, swept
from supervisor.core.desk import Desk


def o2_pct(desk: Desk, name: str, nitrogen_o2_pct: float) -> float | None:
    """Oxygen by the volumes alone, what is still to come of open requests included; None where it was not sealed over air.

    The ledger knows the last `ledger.KEEP_S`; of a purge that lasts longer its beginning is not counted.
    """
    kept = desk.state.enclosures[name]
    if not kept.sealed_over_air:
        return None
    here = AIR
    for gas, fed_nl in ledger.given_nl(desk, name, kept.gas_since_mono_s):
        here = swept(here, feed_of(gas, nitrogen_o2_pct), fed_nl, desk.site.enclosures[name].free_volume_nl)
    return here.o2_pct


def nitrogen_left_nl(desk: Desk, name: str, nitrogen_o2_pct: float) -> float:
    """How much more nitrogen until the recipe's floor is reached by the volumes alone; no bound where nothing is known."""
    here_pct, floor_pct = o2_pct(desk, name, nitrogen_o2_pct), desk.enclosure(name)[1].o2_floor_pct
    if here_pct is None or floor_pct <= nitrogen_o2_pct:
        return inf
    if here_pct <= floor_pct:
        return 0.0
    return desk.site.enclosures[name].free_volume_nl * log((here_pct - nitrogen_o2_pct) / (floor_pct - nitrogen_o2_pct))
