"""The log: only ever added to, and whatever was done to it is found."""

from __future__ import annotations

import hashlib
import json
import sqlite3

import pytest

from probekit import cli
from probekit.errors import InputError
from probekit.share import verify
from probekit.share.log import BusyError, Log, TamperedError


@pytest.fixture
def path(tmp_path):
    log = Log(tmp_path / "answers.sqlite")
    for k in range(5):
        log.append("answer", {"what": f"entry {k} \u00e4"})
    log.close()
    return tmp_path / "answers.sqlite"


def spoil(path, *commands):
    """Change the file as somebody with a database tool does."""
    with sqlite3.connect(path) as base:
        for name in ("no_update", "no_delete", "in_order"):
            base.execute(f"DROP TRIGGER {name}")
        for command in commands:
            base.execute(command)
    base.close()


def test_each_entry_is_hashed_with_the_one_before(path):
    """By hashlib alone."""
    heard = []
    Log(path, heard.append).close()
    before = ""
    with sqlite3.connect(path) as base:
        rows = base.execute("SELECT n, text, hash FROM log").fetchall()
    base.close()
    for number, text, found in rows:
        before = hashlib.sha256(f"{number}\n{before}\n{text}".encode()).hexdigest()
        assert found == before
        assert heard[number - 1].body["what"] == json.loads(text)["what"]
    assert len(rows) == len(heard) == 5
    assert verify(path).hash == before


@pytest.mark.parametrize(
    "command",
    [
        "UPDATE log SET text = 'x' WHERE n = 2",
        "DELETE FROM log WHERE n = 5",
        "INSERT INTO log VALUES (9, 'x', 'y')",
        "INSERT OR REPLACE INTO log VALUES (2, 'x', 'y')",
        "REPLACE INTO log VALUES (5, 'x', 'y')",
    ],
)
def test_the_file_itself_refuses(path, command):
    base = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="append only"):
        base.execute(command)
    base.close()
    assert verify(path).number == 5


@pytest.mark.parametrize(
    "commands",
    [
        ["UPDATE log SET text = replace(text, 'entry 1', 'entry 7') WHERE n = 2"],
        ["UPDATE log SET hash = upper(hash) WHERE n = 3"],
        ["DELETE FROM log WHERE n = 3"],
        ["DELETE FROM log WHERE n = 1"],
        ["DELETE FROM log WHERE n = 3", "UPDATE log SET n = n - 1 WHERE n > 3"],
        ["UPDATE log SET n = 10 WHERE n = 2", "UPDATE log SET n = 2 WHERE n = 3", "UPDATE log SET n = 3 WHERE n = 10"],
        ["INSERT INTO log SELECT 6, text, hash FROM log WHERE n = 5"],
        ["UPDATE log SET text = text || char(228) WHERE n = 4"],
        ["DROP TABLE log", "CREATE TABLE log (n, text, hash)", "INSERT INTO log VALUES (1, '{}', 'x')"],
    ],
)
def test_what_was_done_behind_its_back_is_found(path, commands, capsys):
    spoil(path, *commands)
    with pytest.raises(TamperedError, match=r"answers\.sqlite"):
        verify(path)
    with pytest.raises(TamperedError):
        Log(path)
    assert cli.main(["share", str(path.parent), "--check"]) == 1
    assert "The log was changed" in capsys.readouterr().out


def test_only_a_receipt_tells_what_is_gone_at_the_end(path, capsys):
    receipt = verify(path)
    assert verify(path, {5: receipt.hash[:8]}) == receipt
    spoil(path, "DELETE FROM log WHERE n = 5")
    assert verify(path).number == 4
    with pytest.raises(TamperedError, match="entry 5 is not the one that was acknowledged"):
        verify(path, {5: receipt.hash[:8]})
    assert cli.main(["share", str(path.parent), "--check", "--receipt", f"5:{receipt.hash[:8]}"]) == 1
    assert cli.main(["share", str(path.parent), "--check", "--receipt", "5"]) == 2
    assert "not a receipt" in capsys.readouterr().err


def test_one_that_is_open_notices_that_its_last_entry_is_gone_or_another(path):
    log = Log(path)
    spoil(path, "DELETE FROM log WHERE n = 5")
    for act in (log.refresh, lambda: log.append("answer", {})):
        with pytest.raises(TamperedError, match="entry 5 is not what it was, or is gone"):
            act()
    log.close()


def test_two_programs_add_to_one_chain_and_hear_each_other(path):
    heard = []
    one, other = Log(path, heard.append), Log(path)
    other.append("link", {"a": 1})
    one.append("answer", {"b": 2})
    other.append("link", {"c": 3})
    one.refresh()
    assert [entry.number for entry in heard] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert verify(path).number == 8
    one.close()
    other.close()


def test_a_log_that_another_program_holds_is_busy_and_nothing_is_written(path, monkeypatch):
    monkeypatch.setattr("probekit.share.log._WAIT", 0.05)
    log = Log(path)
    base = sqlite3.connect(path, isolation_level=None)
    base.execute("BEGIN IMMEDIATE")
    with pytest.raises(BusyError, match="nothing was written"):
        log.append("answer", {})
    base.execute("ROLLBACK")
    base.close()
    assert log.append("answer", {}).number == 6
    log.close()


def test_what_is_no_log_is_refused(tmp_path):
    (tmp_path / "answers.sqlite").write_bytes(b"no database at all" * 100)
    with pytest.raises(TamperedError):
        Log(tmp_path / "answers.sqlite")
    with pytest.raises(InputError, match="cannot be used"):
        Log(tmp_path / "no_folder" / "answers.sqlite")
    with pytest.raises(InputError, match="there is no log"):
        verify(tmp_path / "nothing.sqlite")
