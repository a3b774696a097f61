"""Each fault that is planted in an installation is found, said in words and told how to mend; a sound one has none."""

import datetime
import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from inprocess import example
from replaykit import recording
from shellkit import TOP

from deploy.gate import certificates
from supervisor import __main__ as cli
from supervisor.shell.audit.chain import TRIGGERS
from supervisor.shell.authority import operators
from supervisor.shell.doctor import Finding, look
from supervisor.shell.journal_file import FILE
from supervisor.shell.machine import Machine

NOW = datetime.datetime(2026, 7, 1, 12, tzinfo=datetime.UTC)


class Sound(Machine):
    """A machine in good order, on which certificates are read as they are."""

    free, synced, sync, year = 50 << 30, True, 0.004, NOW
    units = {"stillhold.service": "active", "stillhold-broker.service": "active"}

    def wall_s(self) -> float:
        return self.year.timestamp()

    def free_bytes(self, folder: Path) -> int:
        return self.free

    def sync_s(self, folder: Path) -> float:
        return self.sync

    def clock_is_set_by_a_source(self) -> bool | None:
        return self.synced

    def unit(self, name: str) -> str | None:
        return self.units.get(name)


class Installed:
    """A site as it should be; `machine` and `told` (what the broker has of the supervisor) may be changed."""

    def __init__(self, home: Path) -> None:
        self.site, self.state, self.machine = home / "etc" / "site.toml", home / "state", Sound()
        self.told: dict | OSError = {"online": True, "epoch": 4, "alarms": []}
        self.site.parent.mkdir()
        more = '[broker]\nidentities = "identities"\nusername = "u"\npassword_file = "password"\n'
        self.site.write_text(example("n1", "n2").replace("[broker]\n", more, 1))
        (self.site.parent / "password").touch(mode=0o600)
        operators.add(self.site.parent / "quillfen.operators.json", "quillfen", "ada", "operate", NOW.timestamp())
        certificates.make(self.identities, "quillfen", [], ["supervisor"], NOW)
        (self.identities / "ca.key").unlink()
        one = recording(self.state)
        one.run_to(200.0)
        one.end()

    @property
    def identities(self) -> Path:
        return self.site.parent / "identities"

    def supervisor(self, _site: object) -> dict:
        if isinstance(self.told, OSError):
            raise self.told
        return self.told

    def look(self) -> list[Finding]:
        return look(self.site, self.state, self.machine, self.supervisor)

    def set(self, **what: object) -> None:
        for name, value in what.items():
            setattr(self.machine, name, value)

    def sql(self, statement: str) -> None:
        db = sqlite3.connect(self.state / FILE)
        db.execute(statement)
        db.commit()
        db.close()

    def spoil(self) -> None:
        with (self.state / FILE).open("r+b") as file:
            file.seek(5 * 4096)
            file.write(b"\0" * 8 * 4096)


@pytest.fixture
def installed(tmp_path: Path) -> Installed:
    return Installed(tmp_path)


def test_a_sound_installation_has_nothing_to_mend(installed: Installed) -> None:
    found = installed.look()
    assert [one for one in found if one.level == "mend"] == []
    assert [one.words for one in found if one.level == "look"] == ["no supervisor runs on it"], "it was ended for this test"
    assert {one.about for one in found} == {
        "site file", "people and secrets", "journal", "disk", "clock", "certificates", "broker and supervisor", "units"
    }  # fmt: skip


def offline(one: Installed) -> None:
    one.told = {"online": False, "epoch": None, "alarms": []}


def unreachable(one: Installed) -> None:
    one.told = OSError("no broker at 127.0.0.1:1883 (Connection refused)")


def ended(one: Installed, days: float) -> None:
    """A certificate that ends in so many days."""
    for path in one.identities.glob("console.*"):
        path.unlink()
    other = one.site.parent / "made"
    certificates.make(other, "quillfen", [], ["console"], NOW, days=days)
    (other / "console.crt").rename(one.identities / "console.crt")


PLANTED: dict[str, tuple[Callable[[Installed], object], str, str, str, str]] = {
    "a mistake in the site file": (lambda one: one.site.write_text(one.site.read_text() + "\nrubbish = 1\n"),
                                   "site file", "mend", "rubbish", ""),
    "no site file": (lambda one: one.site.unlink(), "site file", "mend", "No such file", "check path"),
    "a password that is not there": (lambda one: (one.site.parent / "password").unlink(), "people and secrets", "mend",
                                     "password is not there", "mode 600"),
    "a password that all may read": (lambda one: (one.site.parent / "password").chmod(0o644), "people and secrets", "mend",
                                     "mode 0644", "chmod 600"),
    "operators' keys that all may read": (lambda one: (one.site.parent / "quillfen.operators.json").chmod(0o644),
                                          "people and secrets", "mend", "nobody can command", "operators add"),
    "everybody revoked": (lambda one: operators.revoke(one.site.parent / "quillfen.operators.json", "quillfen", "ada", 9.0),
                          "people and secrets", "mend", "nobody may command", "operators add"),
    "no operators": (lambda one: one.site.write_text(one.site.read_text().replace("[operators]", "[operators]\n#").replace(
        'file = "quillfen.operators.json"', "").replace("[operators]\n#", "#")), "people and secrets", "mend",
        "anybody at the broker can command", "table operators"),
    "no state folder": (lambda one: one.state.rename(one.state.with_name("gone")), "journal", "mend", "not there", "--state"),
    "a state folder that all may read": (lambda one: one.state.chmod(0o755), "journal", "mend", "others than its owner",
                                         "chmod 700"),
    "no journal": (lambda one: (one.state / FILE).unlink(), "journal", "mend", "there is no journal", "stillhold restore"),
    "a damaged journal": (lambda one: one.spoil(), "journal", "mend", "", "stillhold restore"),
    "an audit that somebody cut": (lambda one: (one.sql(f"DROP TRIGGER {TRIGGERS[1]}"),
                                                one.sql("DELETE FROM audit WHERE n = 2")), "journal", "mend",
                                   "its audit is not whole", "audit verify"),
    "a disk that fills": (lambda one: one.set(free=2 << 30), "disk", "look", "2.0 GB free", "larger disk"),
    "a full disk": (lambda one: one.set(free=1 << 20), "disk", "mend", "0.0 GB free", "ends the service"),
    "a slow disk": (lambda one: one.set(sync=0.9), "disk", "mend", "900.00 ms", "another disk"),
    "a disk that lies": (lambda one: one.set(sync=2e-6), "disk", "look", "no disk is that quick", "RAM disk"),
    "a clock without a battery": (lambda one: one.set(year=datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)), "clock", "mend",
                                  "1970-01-01", "source of time at boot"),
    "a clock that nothing sets": (lambda one: one.set(synced=False), "clock", "mend", "not kept by a source",
                                  "without internet"),
    "a clock that nobody knows of": (lambda one: one.set(synced=None), "clock", "look", "nobody here can say", "watch"),
    "no certificates": (lambda one: [path.unlink() for path in one.identities.iterdir()], "certificates", "mend",
                        "has no certificate", "deploy/certificates"),
    "the authority's key": (lambda one: (one.identities / "ca.key").touch(mode=0o600), "certificates", "look",
                            "can be anybody", "elsewhere"),
    "a certificate that has ended": (lambda one: ended(one, -1.0), "certificates", "mend", "console.crt has ended",
                                     "deploy/certificates"),
    "a certificate that ends soon": (lambda one: ended(one, 12.2), "certificates", "mend", "ends in 12 days", "to its device"),
    "a key that all may read": (lambda one: (one.identities / "supervisor.key").chmod(0o640), "certificates", "mend",
                                "others than its owner", "chmod 600"),
    "no broker": (unreachable, "broker and supervisor", "mend", "Connection refused", "start the broker"),
    "no supervisor": (offline, "broker and supervisor", "mend", "no supervisor is online", "read its log"),
    "an alarm about the installation": (lambda one: one.told["alarms"].append("history_unreachable-site: for 3 h"),
                                        "broker and supervisor", "look", "history_unreachable", "stillhold alarms"),
    "a unit that failed": (lambda one: one.set(units=Sound.units | {"stillhold.service": "failed"}), "units", "mend",
                           "stillhold.service is failed", "journalctl"),
    "a broker that is no unit": (lambda one: one.set(units={"stillhold.service": "active"}), "units", "look",
                                 "stillhold-broker.service is not a unit", "deploy/units"),
}  # fmt: skip


@pytest.mark.parametrize("planted", PLANTED)
def test_what_is_planted_is_found_with_its_mend(installed: Installed, planted: str) -> None:
    before = {(one.about, one.words) for one in installed.look()}
    plant, about, level, words, mend = PLANTED[planted]
    plant(installed)
    news = [one for one in installed.look() if (one.about, one.words) not in before]
    matching = [one for one in news if (one.about, one.level) == (about, level) and words in one.words and mend in one.mend]
    assert matching, news
    assert all(one.mend for one in matching)


def test_a_check_that_fails_is_a_finding_and_the_others_go_on(installed: Installed) -> None:
    def broken(folder: Path) -> int:
        raise RuntimeError("no such thing")

    installed.machine.free_bytes = broken  # type: ignore[method-assign]
    found = installed.look()
    assert [one.words for one in found if one.about == "disk"] == ["could not be looked at: RuntimeError: no such thing"]
    assert any(one.about == "units" for one in found)


def test_the_command_says_it_all_and_ends_with_1_while_something_is_to_mend(installed: Installed, capsys) -> None:
    assert cli.main(["doctor", str(installed.site), str(installed.state), "--port", "1", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["mend"] == sum(one["level"] == "mend" for one in told["findings"]) > 0
    assert cli.main(["doctor", str(installed.site), str(installed.state), "--port", "1"]) == 1
    shown = capsys.readouterr().out
    assert " ! " in shown and "     -> start the broker" in shown and "not a safety instrumented system" in shown


def test_the_real_machine_is_asked(tmp_path: Path) -> None:
    machine = Machine()
    assert machine.free_bytes(tmp_path) > 0 and 0.0 < machine.sync_s(tmp_path) < 60.0 and list(tmp_path.iterdir()) == []
    assert machine.clock_is_set_by_a_source() in (True, False, None) and machine.run("no-such-command") is None
    certificates.make(tmp_path / "ids", "quillfen", [], ["console"], NOW)
    assert machine.certificate_ends(tmp_path / "ids" / "console.crt").endswith("GMT")
    assert machine.unit("surely-no-such.service") is None
    assert os.path.exists(TOP)
