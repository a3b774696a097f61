"""Reads a site file and says everything that is wrong with it at once."""

import tomllib
from pathlib import Path

from supervisor.settings import SiteFile


def load(path: Path) -> SiteFile:
    """The site at `path`. Raises `pydantic.ValidationError` or `tomllib.TOMLDecodeError` when it is not one."""
    return SiteFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
