"""The operators file and the key files: kept from others' eyes, written whole or not at all, refused with the mend."""

import json
import os
import stat
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from supervisor.messages import at
from supervisor.shell.authority import operators
from supervisor.shell.authority.operators import OperatorsError, add, load, read_key, revoke, write_key

SITE = "quillfen"
WALL_S = 1_788_000_000.0


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "operators.json"


def test_nobody_stands_in_a_file_that_is_not_there(file: Path) -> None:
    assert load(file, SITE).operator == []


def test_who_is_added_stands_in_it_with_a_key_of_32_random_bytes(file: Path) -> None:
    first, second = add(file, SITE, "B. Example", "operate", WALL_S), add(file, SITE, "C. Example", "look", WALL_S)
    told = load(file, SITE)
    assert [(one.name, one.role, one.added_at, one.revoked_at) for one in told.operator] == [
        ("B. Example", "operate", at(WALL_S), None), ("C. Example", "look", at(WALL_S), None),
    ]  # fmt: skip
    assert told.by_name["B. Example"].key == first.key and len(first.secret) == 32 and first.key != second.key
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_name_is_added_once_and_replaced_when_asked_to(file: Path) -> None:
    before = add(file, SITE, "B. Example", "look", WALL_S)
    with pytest.raises(OperatorsError, match="--replace"):
        add(file, SITE, "B. Example", "operate", WALL_S)
    revoke(file, SITE, "B. Example", WALL_S)
    with pytest.raises(OperatorsError, match="revoked"):
        add(file, SITE, "B. Example", "operate", WALL_S)
    after = add(file, SITE, "B. Example", "engineer", WALL_S + 1, replace=True)
    assert after.key != before.key
    assert [(one.role, one.revoked_at) for one in load(file, SITE).operator] == [("engineer", None)]


def test_who_was_revoked_stays_in_it(file: Path) -> None:
    add(file, SITE, "B. Example", "operate", WALL_S)
    revoke(file, SITE, "B. Example", WALL_S + 60)
    assert load(file, SITE).by_name["B. Example"].revoked_at == at(WALL_S + 60)
    with pytest.raises(OperatorsError, match="already"):
        revoke(file, SITE, "B. Example", WALL_S)
    with pytest.raises(OperatorsError, match="nobody called 'D'"):
        revoke(file, SITE, "D", WALL_S)


@pytest.mark.parametrize("name", ["", " B", "B ", "B\n", "B\x1b[31m", "x" * 129, "\u202eB"])
def test_names_that_a_terminal_would_obey_are_none(file: Path, name: str) -> None:
    with pytest.raises(OperatorsError, match="no name"):
        add(file, SITE, name, "look", WALL_S)
    assert not file.exists()


def spoilt(change: Callable[[dict], object]) -> Callable[[Path], None]:
    def spoil(file: Path) -> None:
        told = json.loads(file.read_text())
        change(told)
        file.write_text(json.dumps(told))

    return spoil


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda file: file.chmod(0o640), "mode 0640.*chmod 600"), (lambda file: file.chmod(0o604), "mode 0604.*chmod 600"),
        (lambda file: file.chmod(0o620), "mode 0620.*chmod 600"), (lambda file: file.write_text("{"), "operators.json"),
        (lambda file: file.write_text(""), "operators.json"), (lambda file: file.write_bytes(b"\xff" * 10), "operators.json"),
        (lambda file: file.write_text("x" * 1_000_001), "larger"), (lambda file: (file.unlink(), file.mkdir()), "directory"),
        (spoilt(lambda told: told.update(format=2)), "format"), (spoilt(lambda told: told.update(more=1)), "more"),
        (spoilt(lambda told: told.update(site="elsewhere")), "elsewhere.*own keys"),
        (spoilt(lambda told: told["operator"][0].update(role="admin")), "operator.0.role"),
        (spoilt(lambda told: told["operator"][0].update(key="00")), "operator.0.key"),
        (spoilt(lambda told: told["operator"][0].pop("name")), "operator.0.name"),
        (spoilt(lambda told: told["operator"].append(told["operator"][0])), "B. Example stands in it twice"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_right_is_refused_with_file_field_and_no_key(
    file: Path, spoil: Callable[[Path], object], words: str
) -> None:
    key = add(file, SITE, "B. Example", "operate", WALL_S).key
    spoil(file)
    acts = (lambda: load(file, SITE), lambda: add(file, SITE, "C", "look", WALL_S), lambda: revoke(file, SITE, "B", WALL_S))
    for act in acts:
        with pytest.raises(OperatorsError, match=f"(?s){words}") as refused:
            act()
        assert str(file) in str(refused.value) and key not in str(refused.value) and key[:16] not in str(refused.value)


def test_no_key_is_shown_by_what_is_printed_of_them(file: Path) -> None:
    key = add(file, SITE, "B. Example", "operate", WALL_S)
    assert key.key not in repr(key) and key.key not in repr(load(file, SITE))


def test_a_write_that_fails_leaves_the_old_file_and_no_litter(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    add(file, SITE, "B. Example", "operate", WALL_S)
    before, there = file.read_bytes(), sorted(file.parent.iterdir())

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(operators.os, "fsync", full)
    with pytest.raises(OperatorsError, match="No space left"):
        add(file, SITE, "C. Example", "look", WALL_S)
    assert file.read_bytes() == before and sorted(file.parent.iterdir()) == there


def test_two_changes_at_a_time_do_not_lose_one(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inside, go_on, real = threading.Event(), threading.Event(), operators._write

    def slow(path: Path, told: operators.Operators) -> None:
        inside.set()
        go_on.wait(10)
        real(path, told)

    monkeypatch.setattr(operators, "_write", slow)
    first = threading.Thread(target=add, args=(file, SITE, "B. Example", "look", WALL_S))
    first.start()
    assert inside.wait(10)
    with pytest.raises(OperatorsError, match="try again"):
        add(file, SITE, "C. Example", "look", WALL_S)
    go_on.set()
    first.join(10)
    add(file, SITE, "C. Example", "look", WALL_S)
    assert set(load(file, SITE).by_name) == {"B. Example", "C. Example"}


def test_a_key_file_is_its_owners_alone_and_never_written_over(file: Path, tmp_path: Path) -> None:
    key = add(file, SITE, "B. Example", "operate", WALL_S)
    path = tmp_path / "new" / "b.key"
    before = os.umask(0)
    try:
        write_key(path, key)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert read_key(path, SITE) == key
    with pytest.raises(OperatorsError, match="already"):
        write_key(path, key)
    with pytest.raises(OperatorsError, match="a key for 'quillfen', this is 'other'"):
        read_key(path, "other")
    path.chmod(0o644)
    with pytest.raises(OperatorsError, match="chmod 600"):
        read_key(path, SITE)
    path.chmod(0o600)
    path.write_text('{"site": "quillfen"}')
    with pytest.raises(OperatorsError, match="operator: Field required.*new key"):
        read_key(path, SITE)
    with pytest.raises(OperatorsError, match="--key"):
        read_key(tmp_path / "nowhere", SITE)
