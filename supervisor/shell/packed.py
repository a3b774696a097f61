"""A few files in one: a tar.gz that is there whole or not at all, that only its owner can read; its members are checked."""

import hashlib
import os
import shutil
import tarfile
from collections.abc import Mapping
from pathlib import Path

BYTES_MAX = 16 << 30  # of one file in it; more is nothing of ours


def sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def hashes(files: Mapping[str, Path]) -> dict[str, dict[str, object]]:
    """Size and SHA-256 of files by their name in there, for a manifest."""
    return {name: {"bytes": path.stat().st_size, "sha256": sha256(path)} for name, path in files.items()}


def pack(files: Mapping[str, Path], to: Path) -> None:
    """Writes `files`, by their name in there, to `to`, which must not exist. Raises OSError, FileExistsError too."""
    part = to.with_name(f"{to.name}.part")
    try:
        with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as raw:
            with tarfile.open(fileobj=raw, mode="w:gz", format=tarfile.PAX_FORMAT) as tar:
                for name, path in files.items():
                    entry = tarfile.TarInfo(name)
                    entry.size, entry.mode = path.stat().st_size, 0o600
                    with path.open("rb") as file:
                        tar.addfile(entry, file)
            raw.flush()
            os.fsync(raw.fileno())
        os.link(part, to)  # fails when there is one already
    finally:
        part.unlink(missing_ok=True)


def take_out(tar: tarfile.TarFile, name: str, to: Path) -> Path:
    """One file out of it, to `to`, which must not exist; only its owner can read it. Raises KeyError when it is not in there,
    ValueError when it is no file, OSError.
    """
    entry = tar.getmember(name)
    file = tar.extractfile(entry) if entry.isfile() and entry.size <= BYTES_MAX else None
    if file is None:
        raise ValueError(f"{name} is no file")
    with file, open(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        shutil.copyfileobj(file, out)
    return to
