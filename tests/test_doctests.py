"""The examples in docstrings do what they show."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import probekit as pk

ROOT = Path(pk.__file__).parent
WITH_EXAMPLES = sorted(p for p in ROOT.rglob("*.py") if ">>> " in p.read_text(encoding="utf-8"))


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=name_of)
def test_examples(path: Path) -> None:
    done = doctest.testmod(importlib.import_module(name_of(path)))
    if not done.attempted:
        assert "# doctest: +SKIP" in path.read_text(encoding="utf-8")
        pytest.skip("its examples need files that are not there")
    assert done.failed == 0


def test_some_modules_have_examples() -> None:
    assert len(WITH_EXAMPLES) >= 8
