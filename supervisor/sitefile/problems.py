"""A mistake in a site file, told so that the person at the keyboard can mend it."""

import difflib
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from supervisor.settings_table import NAME


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake: where it stands, what stands there, what may stand there, and how to mend it.

    An `error` keeps the site from being run; a `warning` is something that its owner should know and may want so.
    """

    file: str
    key: str
    value: str
    allowed: str
    mend: str
    level: Literal["error", "warning"] = "error"

    def __str__(self) -> str:
        return f"{self.file}: {self.level}: {self.key} = {self.value}; allowed: {self.allowed}; mend: {self.mend}"


class SiteFileError(Exception):
    """A site file that cannot be run. `problems` holds every problem found, the warnings too."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(one) for one in self.problems))


def error(key: str, value: object, allowed: str, mend: str) -> Problem:
    return Problem("", key, shown(value), allowed, mend)


def warning(key: str, value: object, allowed: str, mend: str) -> Problem:
    return Problem("", key, shown(value), allowed, mend, "warning")


class Figures(str):
    """Words that are shown as they are, where the value is more than the one thing that stands at the key."""


MISSING = Figures("(missing)")


def shown(value: object) -> str:
    """The value as it stands in the file, cut to a line."""
    if isinstance(value, Figures):
        return str(value)
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool | str):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = f"{value:.10g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 80 else text[:77] + "..."


def nearest(word: object, known: Iterable[str]) -> str | None:
    """The known name that `word` most likely meant, if any is near enough."""
    found = difflib.get_close_matches(str(word), list(known), n=1, cutoff=0.75)
    return found[0] if found else None


def listed(names: Iterable[str]) -> str:
    """Names in their order, at most a dozen, or `none`."""
    every = list(names)
    return ", ".join(every[:12]) + (f" and {len(every) - 12} more" if len(every) > 12 else "") if every else "none"


def entries(table: str, listing: Iterable[Any]) -> Iterator[tuple[str, Any]]:
    """Each entry with its key: `room[north]`, or `room[#2]` where it has no id."""
    for index, one in enumerate(listing, start=1):
        yield f"{table}[{getattr(one, 'id', None) or f'#{index}'}]", one


def legal(name: object) -> bool:
    """Whether it can be a name at all; one that cannot was told already, and need not be told as unknown too."""
    return isinstance(name, str) and re.fullmatch(NAME, name, re.ASCII) is not None


def known(*values: object) -> bool:
    """Whether none of the values was found wrong before."""
    return all(value is not None for value in values)
