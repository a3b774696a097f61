"""Small sites for tests with real processes: the example site with few enclosures, each a third of its size.

Smaller bags are pulled down in a third of the time with everything else unchanged: limits, leases, permits, sampling.
"""

import re

from inprocess import example

SHARE = 0.32  # a volume of 400 nl for n1: some eight nitrogen leases and two or three of CO2
ROOT = "stillhold/quillfen"


def small_site(*names: str, **timing: float) -> str:
    """The example site's text with only the enclosures `names`, and the values of `timing` in place of its own."""
    text = example(*names)
    for key, value in timing.items():
        text, count = re.subn(rf"(?m)^{key} = \S+", f"{key} = {value:g}", text)
        if count != 1:
            raise ValueError(f"the example site has no {key} to replace")
    return re.sub(r"(?m)^(free_volume_nl|fruit_kg) = (\d+)", lambda m: f"{m[1]} = {float(m[2]) * SHARE:.0f}", text)


def crew(*acts: tuple[float, str, str]) -> str:
    """A crew's schedule: (simulated seconds after the plant's start, action, target)."""
    return "".join(f'[[act]]\nat_s = {at_s:g}\naction = "{action}"\ntarget = "{target}"\n' for at_s, action, target in acts)


def fault(name: str, target: str, start_s: float, end_s: float | None = None) -> str:
    """One fault of the simulated hardware, in simulated seconds after the plant's start."""
    end = "" if end_s is None else f"end_s = {end_s:g}\n"
    return f'[[fault]]\nname = "{name}"\ntarget = "{target}"\nstart_s = {start_s:g}\n{end}'
