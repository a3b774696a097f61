"""Who may command a site: names, roles and keys in one file beside the site file, and each person's own key file.

Why keys stand in it and not hashes of them: an HMAC is checked by making it again, which takes the very key that made
it. A one-way hash can check a password that is sent along; here nothing is sent along, and whatever the checker computes
the HMAC with is the key, by whatever name. What is done instead: a key is 32 random bytes that were never a passphrase,
so there is nothing to guess and nothing that opens another door; each site has keys of its own, and a file of another
site is refused; the file and the key files are refused when anybody but their owner may read them. Whoever could read
the file all the same can sign as anybody in it: give everybody a new key then (`operators add --replace`).
"""

import contextlib
import fcntl
import os
import secrets
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from supervisor.messages import Moment, at
from supervisor.settings import SiteFile
from supervisor.shell.wire import explain

Role = Literal["look", "acknowledge", "operate", "engineer"]
ROLES: tuple[Role, ...] = ("look", "acknowledge", "operate", "engineer")
KEY_BYTES = 32
PRIVATE = 0o600
BYTES_MAX = 1_000_000


class OperatorsError(Exception):
    """An operators file or key file that cannot be used. The message names file, field and mend, and never a key."""


def _printable(name: str) -> str:
    if not name.isprintable() or name != name.strip():
        raise PydanticCustomError("name", "only printable characters, no space at either end")
    return name


PersonName = Annotated[str, Field(min_length=1, max_length=128), AfterValidator(_printable)]
KeyHex = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$", repr=False)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", hide_input_in_errors=True)


class Operator(_Table):
    """One person. Whoever was revoked stays here: their name stands in the records."""

    name: PersonName
    role: Role
    key: KeyHex
    added_at: Moment
    revoked_at: Moment | None = None


class Operators(_Table):
    """The operators file."""

    format: Literal[1] = 1
    site: str
    operator: list[Operator] = []

    @property
    def by_name(self) -> dict[str, Operator]:
        return {one.name: one for one in self.operator}


class UserKey(_Table):
    """A person's own key file."""

    site: str
    operator: PersonName
    key: KeyHex

    @property
    def secret(self) -> bytes:
        return bytes.fromhex(self.key)


def operators_file(site: SiteFile, folder: Path, given: Path | None = None) -> Path | None:
    """Where a site's operators stand: as `given`, else as the site file in `folder` says; None where it says nothing."""
    if given is not None:
        return given
    return None if site.operators is None else folder / site.operators.file


# ------------------------------------------------------------------------------------------------ reading


def load(path: Path, site_id: str) -> Operators:
    """The file at `path`; nobody where there is none yet. Raises OperatorsError."""
    try:
        content = read_private(path)
    except FileNotFoundError:
        return Operators(site=site_id)
    try:
        told = Operators.model_validate_json(content)
    except ValidationError as error:
        raise OperatorsError(f"{path}: {explain(error)}; mend this, or take the file back from a copy") from None
    if told.site != site_id:
        raise OperatorsError(f"{path}: site: it is the file of {told.site!r}, this is {site_id!r}; each site has its own keys")
    if len(told.by_name) != len(told.operator):
        twice = sorted({one.name for one in told.operator if sum(one.name == other.name for other in told.operator) > 1})
        raise OperatorsError(f"{path}: operator: {', '.join(twice)} stands in it twice; leave one of them")
    return told


def read_key(path: Path, site_id: str) -> UserKey:
    """A person's key file. Raises OperatorsError."""
    try:
        key = UserKey.model_validate_json(read_private(path))
    except FileNotFoundError:
        raise OperatorsError(f"{path}: no key file is there; `stillhold operators add` makes one; name it by --key") from None
    except ValidationError as error:
        raise OperatorsError(f"{path}: {explain(error)}; ask for a new key (`stillhold operators add --replace`)") from None
    if key.site != site_id:
        raise OperatorsError(f"{path}: site: it is a key for {key.site!r}, this is {site_id!r}; name another by --key")
    return key


def read_private(path: Path) -> bytes:
    """A file that only its owner may read. Raises FileNotFoundError when there is none, OperatorsError otherwise."""
    try:
        with path.open("rb") as file:
            kept = os.fstat(file.fileno())
            if not stat.S_ISREG(kept.st_mode):
                raise OperatorsError(f"{path}: not a plain file")
            if kept.st_mode & 0o077:
                mode = f"{stat.S_IMODE(kept.st_mode):04o}"
                raise OperatorsError(f"{path}: mode {mode}: others than its owner may read or change it; chmod 600 {path}")
            content = file.read(BYTES_MAX + 1)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise OperatorsError(f"{path}: cannot be read ({error.strerror}); it must belong to whoever reads it") from None
    if len(content) > BYTES_MAX:
        raise OperatorsError(f"{path}: larger than {BYTES_MAX} bytes: not such a file")
    return content


# ------------------------------------------------------------------------------------------------ changing


def add(path: Path, site_id: str, name: str, role: Role, wall_s: float, replace: bool = False) -> UserKey:
    """Lets `name` in with a new key, which is told this once. `replace`: a known name gets a new key and role.

    Raises OperatorsError.
    """
    with _locked(path):
        told = load(path, site_id)
        if name in told.by_name and not replace:
            revoked = " (revoked)" if told.by_name[name].revoked_at else ""
            raise OperatorsError(f"{path}: {name} stands in it already{revoked}; --replace gives a new key and role")
        try:
            new = Operator(name=name, role=role, key=secrets.token_hex(KEY_BYTES), added_at=at(wall_s))
        except ValidationError as error:
            raise OperatorsError(f"{name!r} is no name: {explain(error)}") from None
        others = [one for one in told.operator if one.name != name]
        _write(path, told.model_copy(update={"operator": [*others, new]}))
    return UserKey(site=site_id, operator=name, key=new.key)


def revoke(path: Path, site_id: str, name: str, wall_s: float) -> None:
    """From now on `name` can do nothing. Raises OperatorsError."""
    with _locked(path):
        told = load(path, site_id)
        who = told.by_name.get(name)
        if who is None:
            raise OperatorsError(f"{path}: nobody called {name!r} stands in it; `stillhold operators list` shows who does")
        if who.revoked_at is not None:
            raise OperatorsError(f"{path}: {name} was revoked already")
        gone = who.model_copy(update={"revoked_at": at(wall_s)})
        _write(path, told.model_copy(update={"operator": [gone if one is who else one for one in told.operator]}))


def write_key(path: Path, key: UserKey) -> None:
    """A person's key file, made anew for its owner alone. Raises OperatorsError when something is there already."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE), "w", encoding="utf-8") as file:
            file.write(key.model_dump_json(indent=2) + "\n")
    except FileExistsError:
        raise OperatorsError(f"{path}: something is there already; name another file, or move it away") from None
    except OSError as error:
        raise OperatorsError(f"{path}: cannot be written ({error.strerror})") from None


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Two changes at a time would lose one of them."""
    try:
        lock = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT, PRIVATE)
    except OSError as error:
        raise OperatorsError(f"{path}: its folder cannot be written to ({error.strerror})") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    except BlockingIOError:
        raise OperatorsError(f"{path}: another `stillhold operators` changes it at this moment; try again") from None
    finally:
        os.close(lock)


def _write(path: Path, told: Operators) -> None:
    """The old file or the new one, never half of one, whatever happens on the way."""
    made, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # mode 0600
    try:
        with os.fdopen(made, "w", encoding="utf-8") as file:
            file.write(told.model_dump_json(indent=2) + "\n")
            file.flush()
            os.fsync(file.fileno())
        if os.geteuid() == 0:  # the service may run as somebody else, whose file it must stay
            owner = (path if path.exists() else path.parent).stat()
            os.chown(name, owner.st_uid, owner.st_gid)
        os.replace(name, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise OperatorsError(f"{path}: cannot be written ({error.strerror})") from None
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
