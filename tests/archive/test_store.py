"""The store: nothing lost, nothing changed in silence, under kills and with two writers.

The chain is checked against hashes computed here with hashlib, not by the code under test.
"""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import zlib
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from archive.made import record, touches

import probekit as pk
from probekit import cli
from probekit.archive import store as stores
from probekit.archive.bulk import bytes_of, digest_of, from_bytes, tidied
from probekit.errors import InputError

pytest.importorskip("pyarrow")
HERE = Path(__file__).parent


def filled(folder: Path, parts: int = 5) -> pk.archive.Archive:
    archive = pk.archive.Archive(folder)
    for k in range(parts):
        archive.append(record(f"S{k + 1}", k))
    return archive


@pytest.fixture(scope="module")
def five(tmp_path_factory) -> pk.archive.Archive:
    """Five parts; do not change it."""
    return filled(tmp_path_factory.mktemp("five") / "archive")


def copied(archive: pk.archive.Archive, to: Path) -> pk.archive.Archive:
    return pk.archive.Archive(shutil.copytree(archive.folder, to / "copy"))


def edit(archive: pk.archive.Archive, *statements: str) -> None:
    """What somebody does with a tool for databases: the triggers do not stop them."""
    with closing(sqlite3.connect(archive.file)) as base:
        for name in ("record_update", "record_delete"):
            base.execute(f"DROP TRIGGER IF EXISTS {name}")
        for one in statements:
            base.execute(one)
        base.commit()


def test_what_is_appended_comes_back_as_it_was(five):
    assert len(five) == 5
    for k in range(5):
        wanted = record(f"S{k + 1}", k)
        assert five.body(k + 1) == wanted.body | {"replaces": None}
        pd.testing.assert_frame_equal(five.touches(k + 1), wanted.touches)
    with pytest.raises(InputError, match="no such record; found 6"):
        five.body(6)


def test_the_chain_is_what_it_is_said_to_be(five):
    previous = "0" * 64
    with closing(sqlite3.connect(five.file)) as base:
        rows = base.execute("SELECT n, hash, previous, body FROM record ORDER BY n").fetchall()
    for number, checksum, before, body in rows:
        assert before == previous
        text = zlib.decompress(body).decode()
        previous = hashlib.sha256(f"{number}\n{before}\n{text}".encode()).hexdigest()
        assert checksum == previous
    found = pk.archive.verify(five)
    assert found.whole, found.table
    assert (found.records, found.head, found.notes) == (5, previous, ())
    assert pk.archive.verify(five, head=(3, rows[2][1])).whole
    assert not pk.archive.verify(five, head=(3, rows[1][1])).whole


def test_the_same_inspection_is_there_once_and_another_of_the_part_supersedes_it(tmp_path):
    archive = filled(tmp_path / "a", 2)
    again = record("S1", 0)
    again.body["at"] = "2027-01-01T00:00:00+00:00"
    assert not archive.append(again).new
    second = archive.append(record("S1", 7, word="does not conform"))
    assert (second.number, second.replaces) == (3, 1)
    assert archive.body(3)["replaces"] == archive.hash_of(1)
    assert archive.append(record("S1", 8, plan="d" * 64)).replaces is None  # another plan: another story
    assert archive.answer(3, "scrapped", by="J. Doe").number == 5
    assert archive.body(5)["of"] == archive.hash_of(3)
    with pytest.raises(InputError, match="needs a text and the name"):
        archive.answer(3, " ", by="J. Doe")


def test_records_cannot_be_changed_by_accident(five, tmp_path):
    archive = copied(five, tmp_path)
    with closing(sqlite3.connect(archive.file)) as base:
        for statement in ("UPDATE record SET hash = 'x' WHERE n = 2", "DELETE FROM record WHERE n = 2"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                base.execute(statement)


def changed_body(archive) -> str:
    body = archive.body(3)
    body["word"] = "conforms "
    return zlib.compress(json.dumps(body, sort_keys=True, separators=(",", ":")).encode()).hex()


FAULTS = {
    "changed": (lambda a: [f"UPDATE record SET body = x'{changed_body(a)}' WHERE n = 3"], 3, "was changed"),
    "damaged": (lambda _: ["UPDATE record SET body = x'00ff' WHERE n = 3"], 3, "was damaged"),
    "taken out": (lambda _: ["DELETE FROM record WHERE n = 3"], 3, "is missing"),
    "cut off": (lambda _: [f"DELETE FROM {t} WHERE n = 5" for t in ("record", *stores.TABLE_NAMES)], 5, "is missing"),
    "exchanged": (
        lambda _: [f"UPDATE record SET n = {m} WHERE n = {n}" for n, m in ((2, 99), (4, 2), (99, 4))],
        2,
        "this is record 4, in another place",
    ),
    "relinked": (
        lambda _: ["UPDATE record SET previous = 'zz' WHERE n = 3"],
        3,
        "was changed",
    ),
    "index": (lambda _: ["UPDATE part SET word = 'conforms' , key = 'S9' WHERE n = 4"], 4, "do not say what"),
    "actual": (lambda _: ["UPDATE actual SET actual = 0.01 WHERE n = 4"], 4, "do not say what"),
    "touches": (lambda _: [f"UPDATE touches SET data = x'{bytes_of(touches(77)).hex()}' WHERE n = 4"], 4, "touches"),
    "no touches": (lambda _: ["UPDATE touches SET data = NULL WHERE n = 4"], 4, "are missing or damaged"),
}


@pytest.mark.parametrize("what", FAULTS)
def test_what_was_done_to_an_archive_is_found_by_name(five, tmp_path, what):
    archive = copied(five, tmp_path)
    statements, number, said = FAULTS[what]
    edit(archive, *statements(archive))
    found = pk.archive.verify(archive)
    assert not found.whole
    of = found.table[found.table["record"] == number]
    assert len(of) > 0
    assert said in of["fault"].iloc[0], found.table.to_string()
    if what != "exchanged":
        assert of["part"].iloc[0] in (f"S{number}", ""), found.table
        assert len(found.table) == 1 + (what in ("taken out",)), found.table.to_string()


def test_a_record_that_somebody_puts_in_with_a_right_hash_is_found(five, tmp_path):
    archive = copied(five, tmp_path)
    text = json.dumps(archive.body(5) | {"key": "S6"}, sort_keys=True, separators=(",", ":"))
    checksum = stores.linked(6, archive.hash_of(5), text)
    with closing(sqlite3.connect(archive.file)) as base:
        values = (6, checksum, archive.hash_of(5), zlib.compress(text.encode()))
        base.execute("INSERT INTO record VALUES (?, ?, ?, ?)", values)
        base.commit()
    found = pk.archive.verify(archive)
    assert found.table[["record", "fault"]].values.tolist() == [
        [6, "no writer wrote this record: it is not in the list"]
    ]
    archive.list.unlink()
    assert "cut off at the end cannot be told" in " ".join(pk.archive.verify(archive).notes)


def test_no_flipped_byte_goes_by_with_other_content(five, tmp_path):
    """25 bytes of 25 copies: an error, a named fault, or the same content (a byte that nothing uses)."""
    rng = random.Random(1)
    data = five.file.read_bytes()
    bodies = [five.body(n) for n in range(1, 6)]
    heard = 0
    for k in range(25):
        place = rng.randrange(len(data))
        folder = tmp_path / str(k)
        archive = pk.archive.Archive(folder)
        folder.mkdir()
        shutil.copy(five.list, folder)
        archive.file.write_bytes(data[:place] + bytes([data[place] ^ 0x10]) + data[place + 1 :])
        try:
            whole = pk.archive.verify(archive).whole
        except InputError:
            whole = False
        heard += not whole
        if whole:
            assert [archive.body(n) for n in range(1, 6)] == bodies
            assert all(digest_of(archive.touches(n)) == bodies[n - 1]["touches"]["sha256"] for n in range(1, 6))
    assert heard >= 3


def test_packed_touches_are_the_same_and_a_changed_pack_is_found(five, tmp_path):
    archive = copied(five, tmp_path)
    other = record("S6", 6)
    other.touches.insert(0, "again", 1.5)
    other.body["touches"]["columns"] = {"again": "float"} | other.body["touches"]["columns"]
    other.body["touches"]["sha256"] = digest_of(other.touches)
    archive.append(other)
    assert archive.pack() == 6
    assert archive.pack() == 0
    assert len(list(archive.packs.glob("*.parquet"))) == 2  # one for each set of columns
    for k in range(5):
        pd.testing.assert_frame_equal(archive.touches(k + 1), record(f"S{k + 1}", k).touches)
    pd.testing.assert_frame_equal(archive.touches(6), other.touches)
    assert pk.archive.verify(archive).whole
    path = next(archive.packs.glob("*1-*.parquet"))
    path.write_bytes(path.read_bytes()[:-40])
    said = pk.archive.verify(archive).table
    assert set(said["record"]) == {1, 2, 3, 4, 5}
    assert said["fault"].str.contains("missing or damaged").all()


def test_the_thousandth_part_packs(tmp_path, monkeypatch):
    monkeypatch.setattr(stores, "PACKED", 3)
    archive = filled(tmp_path / "a", 4)
    with closing(sqlite3.connect(archive.file)) as base:
        assert [bool(row[0]) for row in base.execute("SELECT pack NOT NULL FROM touches ORDER BY n")] == [1, 1, 1, 0]
    assert pk.archive.verify(archive).whole


def test_a_table_of_touches_survives_bytes_and_knows_its_content():
    table = touches(3)
    pd.testing.assert_frame_equal(from_bytes(bytes_of(table)), table)
    assert digest_of(table) == digest_of(tidied(table[table.columns[::-1]]))  # the order of columns says nothing
    moved = table.copy()
    moved.loc[2, "deviation"] = np.nextafter(moved.loc[2, "deviation"], 1.0)
    assert digest_of(moved) != digest_of(table)
    assert digest_of(table.iloc[::-1]) != digest_of(table)
    assert digest_of(tidied(table.assign(flag="x"))) != digest_of(table)
    assert digest_of(tidied(table.assign(flag=None))) != digest_of(tidied(table.assign(flag="")))


def test_the_layout_is_checked_and_an_older_archive_is_copied_never_changed(five, tmp_path):
    archive = copied(five, tmp_path)
    edit(archive, "DROP TABLE part", "DROP TABLE actual", "DROP TABLE setup", "PRAGMA user_version = 0")
    before = archive.file.read_bytes()
    with pytest.raises(InputError, match=r"earlier layout.*--migrate"):
        pk.archive.verify(archive)
    new = pk.archive.migrate(archive, tmp_path / "new")
    assert archive.file.read_bytes() == before
    assert pk.archive.verify(new).head == five.hash_of(5)
    assert pk.archive.verify(new).whole
    assert new.append(record("S6", 6)).number == 6
    edit(new, "PRAGMA user_version = 99")
    with pytest.raises(InputError, match=r"newer probekit.*layout 99"):
        new.append(record("S7", 7))


def test_an_export_is_complete_and_harmless(five, tmp_path):
    archive = copied(five, tmp_path)
    archive.append(record("=cmd|' /C calc'!A0", 9))
    names = {path.name for path in pk.archive.export(archive, tmp_path / "csv")}
    assert names == {"parts.csv", "tolerances.csv", "setup.csv", "touches_000000001.csv"}
    assert "'=cmd" in (tmp_path / "csv" / "parts.csv").read_text()
    assert ",=cmd" not in (tmp_path / "csv" / "parts.csv").read_text()
    back = pd.read_csv(tmp_path / "csv" / "touches_000000001.csv")
    np.testing.assert_array_equal(
        back["deviation"], np.concatenate([touches(k)["deviation"] for k in (0, 1, 2, 3, 4, 9)])
    )
    pk.archive.export(archive, tmp_path / "parquet", how="parquet")
    assert len(pd.read_parquet(tmp_path / "parquet" / "tolerances.parquet")) == 6
    pk.archive.export(archive, tmp_path / "json", how="json")
    lines = [json.loads(line) for line in (tmp_path / "json" / "records.jsonl").read_text().splitlines()]
    for line in lines:  # the chain can be proved from the export alone
        text = json.dumps(line["body"], sort_keys=True, separators=(",", ":"))
        made = hashlib.sha256(f"{line['number']}\n{line['previous']}\n{text}".encode()).hexdigest()
        assert made == line["hash"]
    with pytest.raises(InputError, match="not empty"):
        pk.archive.export(archive, tmp_path / "json")


def test_an_export_of_one_revision_leaves_the_others_out(five, tmp_path):
    archive = copied(five, tmp_path)
    for k in (7, 8):
        archive.append(record(f"S{k}", k, model="0123456789012" + "d" * 51))
    assert cli.main(["history", str(archive.folder), "--export", "csv", "--to", str(tmp_path / "all")]) == 0
    whole = pd.read_csv(tmp_path / "all" / "touches_000000001.csv", dtype={"model": str})
    assert set(whole["model"]) == {"a" * 12, "012345678901"}
    command = ["history", str(archive.folder), "--export", "csv", "--like", "2", "--to", str(tmp_path / "one")]
    assert cli.main(command) == 0
    one = pd.read_csv(tmp_path / "one" / "touches_000000001.csv", dtype={"model": str})
    assert set(one["model"]) == {"a" * 12}
    assert sorted(set(one["record"])) == [1, 2, 3, 4, 5]
    assert len(pd.read_csv(tmp_path / "one" / "parts.csv")) == 5
    with pytest.raises(InputError, match="written whole"):
        pk.archive.export(archive, tmp_path / "json", how="json", records=[1])


def writer(folder: Path, name: str, parts: int) -> subprocess.Popen[bytes]:
    command = [sys.executable, str(HERE / "writer.py"), str(folder), name, str(parts)]
    return subprocess.Popen(command, stdout=subprocess.PIPE)


def test_two_writers_at_once_lose_nothing(tmp_path):
    both = [writer(tmp_path / "a", name, 15) for name in ("X", "Y")]
    for one in both:
        assert one.communicate(timeout=120)[0].split()[-1] == b"15"
        assert one.returncode == 0
    archive = pk.archive.Archive(tmp_path / "a")
    assert pk.archive.verify(archive).whole
    keys = [archive.body(n)["key"] for n in range(1, 31)]
    assert sorted(keys) == sorted(f"{name}{k}" for name in "XY" for k in range(1, 16))


def test_a_kill_at_any_moment_loses_at_most_the_part_being_written(tmp_path):
    """Three kills; two hundred are in benchmarks/bench_archive.py."""
    from archive.killing import kill_writers

    told = kill_writers(tmp_path / "a", kills=3, seed=5)
    assert told["lost"] == 0
    assert told["faults"] == 0
    assert told["parts"] >= told["acknowledged"] > 0


def test_a_folder_that_cannot_be_written_to_says_so(tmp_path):
    (tmp_path / "a").write_text("a file")
    with pytest.raises(InputError, match="folder cannot be made"):
        pk.archive.Archive(tmp_path / "a").append(record("S1"))
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "records.sqlite").write_text("this is no database, but long enough to look at" * 100)
    with pytest.raises(InputError, match=r"not a database.*--verify"):
        pk.archive.Archive(tmp_path / "b").append(record("S1"))
    with pytest.raises(InputError, match="no archive"):
        pk.archive.verify(pk.archive.Archive(tmp_path / "c"))
