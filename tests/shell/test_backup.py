"""A backup made while the service runs is a journal to go on from; what happened since is not in it, and that is said."""

import gzip
import io
import json
import os
import sqlite3
import stat
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
from controller import Controller
from replaykit import SITE, recording
from shellkit import TOP

from supervisor import __main__ as cli
from supervisor.shell.audit.file import reading, told, verify
from supervisor.shell.engine import Engine
from supervisor.shell.journal import Journal
from supervisor.shell.journal_file import FILE
from supervisor.shell.logs import make as make_log
from supervisor.shell.replay import restore as replayed
from supervisor.shell.wire import Decoder
from supervisor.sitefile import load

SECRETS = {"quillfen.operators.json": "op-s3cret", "broker.password": "br0ker-s3cret", "history.token": "t0ken-s3cret",
           "people.toml": "mail-s3cret", "identities/supervisor.key": "k3y-s3cret"}  # fmt: skip
AUTHORITY = "auth0rity-s3cret"
NAMES_SECRETS = """
[broker]
host = "127.0.0.1"
username = "u"
password_file = "broker.password"
identities = "identities"
[history]
url = "http://127.0.0.1:8086"
org = "o"
bucket = "b"
token_file = "history.token"
"""


@pytest.fixture
def running(tmp_path: Path):
    """A controller in the middle of a pull-down, its loop still open."""
    one = recording(tmp_path / "state")
    one.run_to(900.0)
    yield one
    one.journal.close()
    one._stop.close()


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    """The recording's site with every secret that a site file can name, beside it."""
    home = tmp_path / "etc"
    head, _, rest = SITE.partition("[broker]")
    text = head + NAMES_SECRETS + rest[rest.index("\n#") :]
    (home / "identities").mkdir(parents=True)
    (home / "site.toml").write_text(text)
    for name, secret in {**SECRETS, "identities/ca.key": AUTHORITY}.items():
        (home / name).write_text(secret)
    load(home / "site.toml")
    return home / "site.toml"


def backed_up(site_file: Path, state: Path, to: Path, *more: str) -> int:
    return cli.main(["backup", str(site_file), str(state), "-o", str(to), *more])


def plain(path: Path) -> bytes:
    return gzip.decompress(path.read_bytes())


def inputs(state: Path) -> list[tuple]:
    db = sqlite3.connect(state / FILE)
    try:
        return db.execute("SELECT seq, kind, payload FROM inputs ORDER BY seq").fetchall()
    finally:
        db.close()


def test_a_backup_of_a_running_site_goes_on_as_the_site_itself_would(
    running: Controller, site_file: Path, tmp_path: Path
) -> None:
    assert backed_up(site_file, tmp_path / "state", tmp_path / "b.tar.gz") == 0
    then, engine = running.journal.seq, running.loop.engine.dump()
    running.run_to(1200.0)
    assert running.journal.seq > then, "it was not disturbed"
    assert cli.main(["restore", str(tmp_path / "b.tar.gz"), "--state", str(tmp_path / "new")]) == 0
    assert inputs(tmp_path / "new") == inputs(tmp_path / "state")[:then]
    journal = Journal.open(tmp_path / "new", "quillfen", "boot")
    again = replayed(Engine, running.site, journal, Decoder(running.site), make_log(False, lambda: 0.0, io.StringIO()))
    assert again.dump() == engine and journal.next_epoch() > 1
    journal.close()


def test_the_audit_of_what_goes_on_is_whole_and_says_so(running: Controller, site_file: Path, tmp_path: Path) -> None:
    backed_up(site_file, tmp_path / "state", tmp_path / "b.tar.gz")
    running.run_to(1000.0)
    cli.main(["restore", str(tmp_path / "b.tar.gz"), "--state", str(tmp_path / "new")])
    with reading(tmp_path / "new") as db:
        assert verify(db).problem is None
        *_, last = told(db)
    assert last.event == "restored_from_backup" and last.figures["last_input"] == len(inputs(tmp_path / "new"))
    on = Controller(tmp_path / "new", SITE, crew=running.plant.crew._schedule, step_s=10.0)
    on.run_to(60.0)
    assert on.end() == 0
    with reading(tmp_path / "new") as db:
        assert verify(db).problem is None


WRITER = """
import sys
from pathlib import Path
from replaykit import recording
one = recording(Path(sys.argv[1]))
print("up", flush=True)
while True:
    one.run_to(one.elapsed_s + 60.0)
"""


def test_a_backup_is_whole_whenever_it_is_taken(site_file: Path, tmp_path: Path) -> None:
    """Twenty, while another process commits as fast as it can."""
    paths = os.pathsep.join(str(TOP / part) for part in ("", "tests", "tests/shell"))
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path / "busy")], stdout=subprocess.PIPE,
                              env=os.environ | {"PYTHONPATH": paths})  # fmt: skip
    try:
        assert writer.stdout.readline() == b"up\n"
        seen = []
        for n in range(20):
            assert backed_up(site_file, tmp_path / "busy", tmp_path / f"{n}.tar.gz") == 0
            with tarfile.open(tmp_path / f"{n}.tar.gz") as tar:
                manifest = json.loads(tar.extractfile("manifest.json").read())
                (tmp_path / FILE).write_bytes(tar.extractfile(FILE).read())
            assert manifest["audit"]["whole"]
            numbers = [seq for seq, _, _ in inputs(tmp_path)]
            assert numbers == list(range(1, manifest["last_input"] + 1))
            seen.append(len(numbers))
        assert seen == sorted(seen) and len(set(seen)) > 5, "it went on meanwhile"
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()


def test_no_secret_goes_along_unasked_and_the_authority_s_never(
    running: Controller, site_file: Path, tmp_path: Path
) -> None:
    site_file.write_text(site_file.read_text() + '\n[notify]\naddresses_file = "people.toml"\ntime_zone = "UTC"\n'
                         '[[notify.person]]\nid = "ada"\n[notify.chains.critical]\nsteps = [["ada"]]\n')  # fmt: skip
    without, with_them = tmp_path / "a.tar.gz", tmp_path / "b.tar.gz"
    assert backed_up(site_file, tmp_path / "state", without) == 0
    assert not [one for one in (*SECRETS.values(), AUTHORITY) if one.encode() in plain(without)]
    assert backed_up(site_file, tmp_path / "state", with_them, "--with-secrets") == 0
    assert [one for one in SECRETS.values() if one.encode() in plain(with_them)] == list(SECRETS.values())
    assert AUTHORITY.encode() not in plain(with_them)
    assert stat.S_IMODE(with_them.stat().st_mode) == 0o600
    new = tmp_path / "new-etc"
    assert cli.main(["restore", str(with_them), "--state", str(tmp_path / "new"), "--settings", str(new)]) == 0
    assert {name: (new / name).read_text() for name in SECRETS} == SECRETS
    assert all(stat.S_IMODE((new / name).stat().st_mode) == 0o600 for name in SECRETS)


def test_nothing_is_written_over(running: Controller, site_file: Path, tmp_path: Path, capsys) -> None:
    state, to = tmp_path / "state", tmp_path / "b.tar.gz"
    assert backed_up(site_file, state, to) == 0
    kept = to.read_bytes()
    assert backed_up(site_file, state, to) == 2 and to.read_bytes() == kept
    assert "is there already" in capsys.readouterr().err
    assert cli.main(["restore", str(to), "--state", str(state)]) == 2
    assert "may know what was given since" in capsys.readouterr().err
    settings = tmp_path / "etc"
    assert cli.main(["restore", str(to), "--state", str(tmp_path / "new"), "--settings", str(settings)]) == 2
    assert list((tmp_path / "new").iterdir()) == [], "all or nothing"


def without(files: dict[str, bytes], spoilt: Path) -> Path:
    with tarfile.open(spoilt, "w:gz") as tar:
        for name, content in files.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(content)
            tar.addfile(entry, io.BytesIO(content))
    return spoilt


def test_a_backup_that_is_not_whole_is_refused(running: Controller, site_file: Path, tmp_path: Path, capsys) -> None:
    good = tmp_path / "b.tar.gz"
    backed_up(site_file, tmp_path / "state", good)
    with tarfile.open(good) as tar:
        files = {one.name: tar.extractfile(one).read() for one in tar}
    manifest = json.loads(files["manifest.json"])
    flipped = bytearray(files[FILE])
    flipped[len(flipped) // 2] ^= 1
    outside = manifest | {"files": {**manifest["files"], "settings/../../evil": manifest["files"]["settings/site.toml"]}}
    cases = {
        "is not what was packed": files | {FILE: bytes(flipped)},
        "backup format 7": files | {"manifest.json": json.dumps(manifest | {"backup": 7}).encode()},
        "leads out of the settings": files
        | {"manifest.json": json.dumps(outside).encode(), "settings/../../evil": files["settings/site.toml"]},
        "no whole backup": {name: content for name, content in files.items() if name != FILE},
    }  # fmt: skip
    for n, (words, spoilt) in enumerate(cases.items()):
        assert cli.main(["restore", str(without(spoilt, tmp_path / f"{n}.tar.gz")), "--state", str(tmp_path / f"n{n}")]) == 2
        assert words in capsys.readouterr().err
        assert list((tmp_path / f"n{n}").iterdir()) == []
    cut = tmp_path / "cut.tar.gz"
    cut.write_bytes(good.read_bytes()[: good.stat().st_size // 2])
    assert cli.main(["restore", str(cut), "--state", str(tmp_path / "cut")]) == 2
    assert not (tmp_path / "evil").exists()


def test_what_cannot_be_backed_up_says_why(running: Controller, site_file: Path, tmp_path: Path, capsys) -> None:
    assert backed_up(site_file, tmp_path / "nowhere", tmp_path / "b.tar.gz") == 2
    assert "there is no journal" in capsys.readouterr().err
    other = site_file.with_name("other.toml")
    other.write_text(site_file.read_text().replace('id = "quillfen"', 'id = "elsewhere"', 1))
    assert backed_up(other, tmp_path / "state", tmp_path / "b.tar.gz") == 2
    assert "belongs to site 'quillfen'" in capsys.readouterr().err
    assert not (tmp_path / "b.tar.gz").exists()
