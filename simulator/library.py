"""Every kind of fault there is, by name; one list for the live simulator, the rehearsal and the tests."""

import random
from collections.abc import Collection, Mapping

from .kinds import Fault, FaultError, Kind, table
from .plant_faults import PLANT

# A further table is one more line here; what its kinds can befall it adds to `targets_of` in faults.py.
LIBRARY: Mapping[str, Kind] = table(
    *PLANT,
)


def kind_of(name: str) -> Kind:
    """The row of a name. Raises FaultError naming those there are."""
    if name not in LIBRARY:
        raise FaultError(f"fault {name!r} is unknown; there are {', '.join(LIBRARY)}")
    return LIBRARY[name]


def sentence(fault: Fault) -> str:
    """A fault in words for the operator. Raises FaultError for an unknown name."""
    return kind_of(fault.name).sentence(fault)


def possible(targets: Mapping[str, Collection[str]]) -> list[str]:
    """The names of the faults that a site with these targets (`targets_of`) can have."""
    return [name for name, kind in LIBRARY.items() if targets.get(kind.on)]


def drawn(name: str, targets: Mapping[str, Collection[str]], rng: random.Random, start_s: float) -> Fault:
    """A usual fault of this name on one of the site's targets (`targets_of`), the same for the same state of `rng`.

    Raises FaultError where the name is unknown or the site has nothing that it can befall.
    """
    kind = kind_of(name)
    if not targets.get(kind.on):
        raise FaultError(f"fault {name}: this site has no {kind.on}")
    return kind.draw(targets[kind.on], rng, start_s)
