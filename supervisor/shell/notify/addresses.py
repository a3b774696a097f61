"""Where people are reached: a file beside the site file that its owner alone can read. What stands in it is never logged.

    [ada]
    mail = "mailto://..."       # each way has a name of its own; the names go into log and journal
    phone = "..."               # whatever the apprise library knows how to reach
"""

import stat
import tomllib
from pathlib import Path


class AddressError(Exception):
    """The addresses file cannot be used for someone; the message names file, field and mend, and no address."""


class Addresses:
    """Reads the file again when it has changed. Called from the sending threads; a double reading does no harm."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._read: tuple[tuple[int, int, int], dict[str, dict[str, str]]] | None = None

    def of(self, person: str) -> dict[str, str]:
        """The ways to reach this person, by name. Raises AddressError."""
        ways = self.everybody().get(person)
        if not ways:
            raise AddressError(f"{self._path}: nothing about {person}: add the table [{person}] with at least one address")
        return ways

    def everybody(self) -> dict[str, dict[str, str]]:
        """All of it. Raises AddressError."""
        try:
            there = self._path.stat()
            mark = (there.st_mtime_ns, there.st_size, there.st_ino)
            if self._read is not None and self._read[0] == mark:
                return self._read[1]
            if stat.S_IMODE(there.st_mode) & 0o077:
                raise AddressError(f"{self._path}: others can read it: run chmod 600 on it, it holds passwords")
            data = tomllib.loads(self._path.read_text(encoding="utf-8"))
        except OSError as error:
            why = error.strerror
            raise AddressError(f"{self._path}: cannot be read ({why}): make it, readable by the supervisor") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError):
            # Not its words: they may hold what stands on the line.
            raise AddressError(f"{self._path}: not TOML: write [name] and below it way = \"address\"") from None
        self._read = (mark, _checked(self._path, data))
        return self._read[1]


def _checked(path: Path, data: dict[str, object]) -> dict[str, dict[str, str]]:
    checked: dict[str, dict[str, str]] = {}
    for person, ways in data.items():
        if not isinstance(ways, dict):
            raise AddressError(f"{path}: {person}: not a table: write [{person}] and below it way = \"address\"")
        for way, address in ways.items():
            if not isinstance(address, str) or "://" not in address:
                raise AddressError(f"{path}: {person}.{way}: not an address: write it as scheme://..., in quotes")
        checked[person] = dict(ways)
    return checked
