"""`stillhold bundle`: a stretch of the journal that replays elsewhere, and nothing in it that opens a door or names a place."""

import base64
import gzip
import hashlib
import json
import tarfile
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from replaykit import SITE, ask, copy_of, record, runner

from supervisor.settings import SiteFile
from supervisor.shell.retrace.toml import as_toml
from supervisor.shell.retrace.written import deciding, settings_text
from supervisor.sitefile import examine, load

Run = Callable[..., tuple[int, str, str]]

SECRETS = (
    "10.20.30.40", "user-of-broker", "pass-of-broker", "broker.pw", "db.farm.example", "token-of-db", "db.token",
    "who.json", "key-of-dana", "people.toml", "ada@farm.example", "mailtos://", "hook.farm.example", "path-of-hook",
    "sig0123456789abcdef", "crew@farm.example", "Ada Lovelock", "a comment with 0031-6-12345678",
)  # fmt: skip
WITH_SECRETS = (
    SITE.replace('host = "127.0.0.1"', 'host = "10.20.30.40"\nusername = "user-of-broker"\npassword_file = "broker.pw"')
    .replace('file = "quillfen.operators.json"', 'file = "who.json"  # a comment with 0031-6-12345678')
    .replace('source = "UC Davis, Bushberries', 'source = "ada@farm.example; UC Davis, Bushberries', 1)
    .replace("[timing]", '[history]\nurl = "http://db.farm.example:8086"\norg = "o"\nbucket = "b"\n[timing]', 1)
    .replace('bucket = "b"', 'bucket = "b"\ntoken_file = "db.token"')
    + '\n[notify]\naddresses_file = "people.toml"\nchains = { critical = { steps = [["ada"]] } }\n'
    + 'person = [{ id = "ada", name = "Ada Lovelock" }]\nheartbeat = { url = "https://hook.farm.example/path-of-hook" }\n'
)  # fmt: skip


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With a message that an engine once failed on."""
    folder = record(tmp_path_factory.mktemp("record") / "state")
    fault = (1772323200.0 + 2000.0, "arrived", "stillhold/quillfen/analyser/analyser-1/reading", b"{}", "ValueError: invented")
    ask(folder, "INSERT INTO faults (wall_s, kind, topic, payload, what) VALUES (?, ?, ?, ?, ?)", fault)
    return folder


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return path


@pytest.fixture
def stillhold(capsys: pytest.CaptureFixture[str]) -> Run:
    return runner(capsys)


def content(bundle: Path) -> dict[str, bytes]:
    with tarfile.open(bundle) as tar:
        return {one.name: tar.extractfile(one).read() for one in tar}  # type: ignore[union-attr]


def test_the_whole_journal_and_a_stretch_of_it_replay_from_the_file(
    stillhold: Run, original: Path, site_file: Path, tmp_path: Path
) -> None:
    for name, period in (("whole", ()), ("part", ("--since", "2026-03-01T00:32", "--until", "2026-03-01T00:36"))):
        bundle = tmp_path / f"{name}.tar.gz"
        status, out, _ = stillhold("bundle", site_file, original, *period, "-o", bundle)
        assert status == 0 and "it replays to the same decisions" in out and "not a safety instrumented system" in out
        of_journal = json.loads(stillhold("replay", original, *period, "--json")[1])
        for words in ((bundle,), (site_file, bundle)):
            status, out, _ = stillhold("replay", *words, "--json")
            told = json.loads(out)
            assert status == 0 and told == of_journal
        assert told["failures"] == ["2026-03-01T00:33:20.000Z"]
        assert stillhold("replay", bundle, "--explain", "n1")[1].count("holding") > 3
    part, whole = tmp_path / "part.tar.gz", tmp_path / "whole.tar.gz"
    assert part.stat().st_mode & 0o077 == 0 and part.stat().st_size < whole.stat().st_size
    assert not list(tmp_path.glob("*.part"))


def test_the_manifest_says_what_is_in_it(stillhold: Run, original: Path, site_file: Path, tmp_path: Path) -> None:
    status, out, _ = stillhold("bundle", site_file, original, "-o", tmp_path / "b.tar.gz", "--json")
    files, told = content(tmp_path / "b.tar.gz"), json.loads(out)
    assert status == 0 and json.loads(files["manifest.json"]) == told
    assert {name: hashlib.sha256(files[name]).hexdigest() for name in told["files"]} == {
        name: one["sha256"] for name, one in told["files"].items()
    }
    head = ask(original, "SELECT value FROM meta WHERE key = 'audit_head'")[0][0]
    assert told["audit"] == {"head": head, "whole": True, "problem": None}
    assert told["replays"]["same"] and told["site_file"]["wrote_the_journal"] and len(told["written_by"]) == 2
    assert told["packed_by"]["version"] and "CPython" in told["packed_by"]["platform"] and told["caution"]
    site = examine_text(files["site.toml"].decode(), tmp_path)
    assert settings_text(site) == settings_text(load(site_file))


def examine_text(text: str, tmp_path: Path) -> SiteFile:
    path = tmp_path / "read-back.toml"
    path.write_text(text, encoding="utf-8")
    read = examine(path)
    assert read.site is not None and read.errors == 0, read.problems
    return read.site


def planted(original: Path, to: Path) -> Path:
    """A journal in which an operator has an address for a name and a signature, as if it had come so."""
    folder = copy_of(original, to)
    for seq, payload in ask(folder, "SELECT seq, payload FROM inputs WHERE topic LIKE '%/operator/command'"):
        body = json.loads(payload) | {"operator": "crew@farm.example", "signature": "sig0123456789abcdef"}
        ask(folder, "UPDATE inputs SET payload = ? WHERE seq = ?", (json.dumps(body).encode(), seq))
    ask(folder, "UPDATE decisions SET what = replace(what, 'simulated crew', 'crew@farm.example')")
    for seq, blob in ask(folder, "SELECT seq, blob FROM snapshots"):
        parts = {key: base64.b64decode(one) for key, one in json.loads(blob).items()}
        named = {key: one.replace(b"simulated crew", b"crew@farm.example") for key, one in parts.items()}
        packed = json.dumps({key: base64.b64encode(one).decode() for key, one in named.items()}, separators=(",", ":"))
        ask(folder, "UPDATE snapshots SET blob = ? WHERE seq = ?", (packed.encode(), seq))
    return folder


def test_no_planted_secret_is_in_it_and_it_replays_all_the_same(stillhold: Run, original: Path, tmp_path: Path) -> None:
    site_file = tmp_path / "site.toml"
    site_file.write_text(WITH_SECRETS, encoding="utf-8")
    for name, secret in (("broker.pw", "pass-of-broker"), ("db.token", "token-of-db"), ("who.json", "key-of-dana"),
                         ("people.toml", '[ada]\nmail = "mailtos://ada@farm.example"')):  # fmt: skip
        (tmp_path / name).write_text(secret)
    folder = planted(original, tmp_path / "state")
    assert stillhold("replay", folder)[0] == 0, "as planted it is a journal like any other"
    everything = b"".join(path.read_bytes() for path in (site_file, folder / "journal.sqlite"))
    there = ("crew@farm.example", "sig0123456789abcdef", "hook.farm.example", "0031-6")
    assert all(one.encode() in everything for one in there)
    status, out, said = stillhold("bundle", site_file, folder, "-o", tmp_path / "b.tar.gz")
    assert status == 0, said
    files = content(tmp_path / "b.tar.gz")
    (tmp_path / "read").mkdir()
    (tmp_path / "read" / "journal.sqlite").write_bytes(files["journal.sqlite"])
    blobs = [one for (one,) in ask(tmp_path / "read", "SELECT blob FROM snapshots")]
    assert len(blobs) >= 3
    packed = [base64.b64decode(one) for blob in blobs for one in json.loads(blob).values()]
    haystack = b"".join([*files.values(), *packed, gzip.decompress((tmp_path / "b.tar.gz").read_bytes()), out.encode()])
    assert [one for one in SECRETS if one.encode() in haystack] == []
    assert b"(left out)" in haystack and "it replays to the same decisions" in out
    assert stillhold("replay", tmp_path / "b.tar.gz")[0] == 0


def test_a_journal_that_does_not_replay_is_packed_as_it_is(
    stillhold: Run, original: Path, site_file: Path, tmp_path: Path
) -> None:
    folder = copy_of(original, tmp_path / "state")
    number, seq, what = ask(folder, "SELECT id, seq, what FROM decisions WHERE what LIKE '%/request%'")[4]
    ask(folder, "UPDATE decisions SET what = ? WHERE id = ?", (what.replace('"volume_nl":', '"volume_nl":1'), number))
    status, out, _ = stillhold("bundle", site_file, folder, "-o", tmp_path / "b.tar.gz")
    assert status == 0 and f"input {seq}: decision" in out
    status, out, _ = stillhold("replay", tmp_path / "b.tar.gz", "--json")
    assert status == 1 and json.loads(out)["difference"]["input"] == seq


def test_a_bundle_of_an_older_journal_goes_by_the_site_file_in_it(
    stillhold: Run, original: Path, site_file: Path, tmp_path: Path
) -> None:
    folder = copy_of(original, tmp_path / "state")
    ask(folder, "DELETE FROM runs")
    assert stillhold("bundle", site_file, folder, "-o", tmp_path / "b.tar.gz")[0] == 0
    assert stillhold("replay", tmp_path / "b.tar.gz")[0] == 0


def test_what_cannot_be_packed_or_read_says_so(stillhold: Run, original: Path, site_file: Path, tmp_path: Path) -> None:
    bundle = tmp_path / "b.tar.gz"
    assert stillhold("bundle", site_file, tmp_path / "none", "-o", bundle)[0] == 2 and not bundle.exists()
    assert stillhold("bundle", site_file, original, "--since", "2030-01-01", "-o", bundle)[0] == 2 and not bundle.exists()
    assert "cannot be written" in stillhold("bundle", site_file, original, "-o", tmp_path / "none" / "b")[2]
    assert stillhold("bundle", site_file, original, "-o", bundle)[0] == 0
    status, _, said = stillhold("bundle", site_file, original, "-o", bundle)
    assert status == 2 and "is there already" in said
    whole = bundle.read_bytes()
    bundle.write_bytes(whole[: len(whole) // 2])
    status, _, said = stillhold("replay", bundle)
    assert status == 2 and "no whole bundle" in said
    swapped = content_with(whole, tmp_path, "site.toml", b"format = 1\n")
    status, _, said = stillhold("replay", swapped)
    assert status == 2 and "site.toml in it is not what was packed" in said
    site_file.write_text(SITE.replace('id = "quillfen"', 'id = "elsewhere"', 1), encoding="utf-8")
    assert "belongs to site 'quillfen'" in stillhold("bundle", site_file, original, "-o", tmp_path / "c")[2]


def content_with(whole: bytes, tmp_path: Path, name: str, other: bytes) -> Path:
    """The bundle with one of its files swapped."""
    import io

    (tmp_path / "whole").write_bytes(whole)
    files = content(tmp_path / "whole") | {name: other}
    with tarfile.open(tmp_path / "swapped", "w:gz") as tar:
        for one, held in files.items():
            entry = tarfile.TarInfo(one)
            entry.size = len(held)
            tar.addfile(entry, io.BytesIO(held))
    return tmp_path / "swapped"


def test_what_is_written_as_toml_is_read_back_the_same() -> None:
    data = {
        "a": 1, "b": 1e-05, "c": True, "d": 'quotes " and \\ and \x7f and \u00e9\n', "e": [1.0, 2.0], "f": [["x", "y"], []],
        "table": {"deep": {"key with space": "v", "": 0}, "n": 2}, "rows": [{"id": "one", "more": [{"z": 1}]}, {"id": "two"}],
    }  # fmt: skip
    assert tomllib.loads(as_toml(data)) == data
    assert tomllib.loads(as_toml(deciding(SiteFile.model_validate(tomllib.loads(SITE))))) == deciding(
        SiteFile.model_validate(tomllib.loads(SITE))
    )
