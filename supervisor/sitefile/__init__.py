"""Reads a site file and says everything that is wrong with it at once."""

import re
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from supervisor.settings import SiteFile
from supervisor.sitefile.checks import cross_problems
from supervisor.sitefile.problems import Figures, Problem, SiteFileError, error
from supervisor.sitefile.shape import examine_shape

__all__ = ["Examined", "Problem", "SiteFileError", "examine", "examine_data", "load"]


@dataclass(frozen=True, slots=True)
class Examined:
    """What came of reading a site file: the site where it has no errors, and every problem, errors first."""

    site: SiteFile | None
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> int:
        return sum(one.level == "error" for one in self.problems)


def load(path: Path) -> SiteFile:
    """The site at `path`. Raises `SiteFileError` with every problem at once where it has an error."""
    examined = examine(path)
    if examined.site is None:
        raise SiteFileError(examined.problems)
    return examined.site


def examine(path: Path) -> Examined:
    """The site at `path` and its problems. Raises nothing for what stands in the file, nor where there is none."""
    file = str(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return examine_data(tomllib.loads(text), file)
    except OSError as failed:
        return _unreadable(file, "file", f"({failed.strerror})", "a readable file", "check path and permissions")
    except UnicodeDecodeError as failed:
        byte = f"0x{failed.object[failed.start]:02x}"
        return _unreadable(file, f"byte {failed.start}", byte, "UTF-8 text", "save the file as UTF-8")
    except tomllib.TOMLDecodeError as failed:
        return _no_toml(file, text, str(failed))
    except RecursionError:
        return _unreadable(file, "file", "(nested too deep)", "tables in tables", "write it as the example does")


def examine_data(data: dict[str, Any], file: str) -> Examined:
    """The same for a site file that is already read; `file` is what the problems call it."""
    site, draft, problems = examine_shape(data)
    problems = [*problems, *cross_problems(draft)]
    wrong = {one.key for one in problems if one.level == "error"}
    told = [one for one in dict.fromkeys(problems) if one.level == "error" or one.key not in wrong]
    told.sort(key=lambda one: one.level != "error")
    return Examined(None if wrong else site, tuple(replace(one, file=file) for one in told))


def _unreadable(file: str, key: str, value: str, allowed: str, mend: str) -> Examined:
    return Examined(None, (replace(error(key, Figures(value), allowed, mend), file=file),))


def _no_toml(file: str, text: str, said: str) -> Examined:
    """`said` ends in `(at line L, column C)` or `(at end of document)`."""
    reason, _, place = said.removesuffix(")").rpartition(" (at ")
    number = re.match(r"line (\d+)", place)
    line = text.split("\n")[int(number.group(1)) - 1].strip("\r\t ") if number else "(the end of the file)"
    line = "".join(letter if letter.isprintable() else "\ufffd" for letter in line)[:80]
    mend = f"{reason}: mend this line or the one before it and check again; what follows could not be read"
    return _unreadable(file, place or "file", line or "(nothing)", "TOML, the form of the example site file", mend)
