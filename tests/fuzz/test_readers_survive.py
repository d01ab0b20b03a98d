"""Damaged and hostile files: read, or refused with an error of probekit, never anything else.

A short run of what `fuzz_readers.py` does by hand for hours, always on the same files; and every file that a longer run
has found (`found/`: the ending of the name, or a word for the reader after the last dot).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from readers import READERS, mutated, outcome

FOUND = sorted((Path(__file__).parent / "found").glob("[!.]*"))
BY_ENDING = {"obj": "obj", "moves": "moves", "glb": "glb", "3mf": "3mf", "ply": "ply", "stl": "stl", "plan": "plan"}


@pytest.mark.parametrize("name", [name for name, reader in READERS.items() if reader.quick])
def test_a_reader_survives(name: str, tmp_path: Path) -> None:
    reader = READERS[name]
    sound, draw, path = reader.sound(), random.Random(name), tmp_path / f"fuzzed{reader.suffix}"
    path.write_bytes(sound)
    assert outcome(reader, path) == "read"
    for number in range(15):
        path.write_bytes(mutated(sound, draw))
        came = outcome(reader, path)
        assert came in ("read", "refused"), f"{name}, file {number}: {came}"


@pytest.mark.parametrize("found", FOUND, ids=lambda path: path.name)
def test_what_a_longer_run_has_found_is_mended(found: Path) -> None:
    assert outcome(READERS[BY_ENDING[found.suffix[1:]]], found) in ("read", "refused")
