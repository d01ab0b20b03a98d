"""Licences: of what probekit needs, as installed packages state them, and of what it ships."""

from __future__ import annotations

import ast
import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NOTICES = (ROOT / "THIRD_PARTY_NOTICES.md").read_text(encoding="utf-8")
TABLE = {
    row[1]: (row[2], row[3])
    for line in NOTICES.splitlines()
    if (row := re.fullmatch(r"\| ([\w.-]+) \| ((?:always|`)[^|]*) \| ([^|]+) \|", line))
}

#: Word in what a package states -> licence. All may be used by MIT software, unchanged; the GPL is not among them.
KINDS = {
    **{"MIT": "MIT", "MIT-0": "MIT", "MIT-CMU": "MIT", "ISC": "ISC", "ISCL": "ISC", "0BSD": "0BSD"},
    **{"BSD": "BSD", "BSD-2-Clause": "BSD", "BSD-3-Clause": "BSD", "3-Clause": "BSD", "2-Clause": "BSD"},
    **{"Apache": "Apache-2.0", "Apache-2.0": "Apache-2.0", "MPL-2.0": "MPL-2.0", "Mozilla": "MPL-2.0"},
    **{"PSF-2.0": "PSF", "PSFL": "PSF", "Python": "PSF", "PSF-based": "PSF", "matplotlib": "PSF"},
    **{"CC0-1.0": "CC0-1.0", "Zlib": "Zlib"},
}
#: Packages that state no licence in their metadata, or more than one, and what was found by reading their files.
READ = {"axe-playwright-python": {"MIT"}, "docutils": {"BSD"}}


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def direct() -> dict[str, set[str]]:
    """Package -> the extras that name it; "always" for what is always needed."""
    found: dict[str, set[str]] = {}
    for extra, needs in {"always": PROJECT["dependencies"], **PROJECT["optional-dependencies"]}.items():
        for need in needs:
            name = re.match(r"[\w.-]+", need)[0]
            if name != PROJECT["name"]:
                found.setdefault(name, set()).add(extra)
    return found


def stated(name: str) -> set[str]:
    """Licences that an installed package states of itself."""
    if plain(name) in READ:
        return READ[plain(name)]
    about = metadata.metadata(name)
    text = about.get("License-Expression") or ""
    if not text:
        classes = [c.rpartition(" :: ")[2] for c in about.get_all("Classifier") or [] if c.startswith("License ::")]
        text = " ".join(classes) or (about.get("License") or "").strip().split("\n")[0]
    words = re.findall(r"[\w.-]+", text)
    assert not {"GPL", "AGPL", "LGPL"} & {re.split(r"[-v]", word)[0] for word in words}, f"{name}: {text}"
    return {KINDS[word] for word in words if word in KINDS}


def test_every_dependency_is_listed_with_its_licence() -> None:
    needs = direct()
    assert set(TABLE) == set(needs), (
        "THIRD_PARTY_NOTICES.md lists every package that pyproject.toml names, and no other"
    )
    for name, (use, _) in TABLE.items():
        assert {word.strip("` ") for word in use.split(",")} == needs[name], name


@pytest.mark.parametrize("name", sorted(direct()))
def test_the_licence_listed_is_the_one_stated(name: str) -> None:
    own = TABLE[name][1].partition(";")[0]
    listed = {KINDS[word] for word in re.findall(r"[\w.-]+", own) if word in KINDS}
    assert listed, f"{name}: {own} is no licence that is known to go with MIT"
    try:
        found = stated(name)
    except metadata.PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    assert listed <= found, f"{name} states {found}"


def test_what_dependencies_need_has_a_licence_that_is_known() -> None:
    """All that is installed for the extras, however far down; what is not there on this system is left out."""
    waiting, seen = [name for name, extras in direct().items() if extras != {"test"}], set()
    unknown = []
    while waiting:
        name = plain(waiting.pop())
        if name in seen:
            continue
        seen.add(name)
        try:
            needs = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            continue
        waiting += [re.match(r"[\w.-]+", need)[0] for need in needs if "extra ==" not in need]
        if not stated(name):
            unknown.append(name)
    assert len(seen) > 60
    assert unknown == []


def test_what_is_shipped_of_others_is_named_and_has_its_licence() -> None:
    """A licence text lies beside each; no other script, style or schema says that it is somebody else's."""
    texts = {path.relative_to(ROOT).as_posix() for path in (ROOT / "probekit").rglob("*LICENSE*")}
    assert texts == {"probekit/report/assets/three.LICENSE.txt", "probekit/qif/schema/LICENSE.txt"}
    assert all(text in NOTICES for text in texts)
    others = re.compile(r"(?i)copyright|@license|\(c\) \d{4}|SPDX-License|all rights reserved")
    shipped = [
        path for path in (ROOT / "probekit").rglob("*") if path.suffix in (".js", ".css", ".html", ".json", ".toml")
    ]
    assert len(shipped) > 30
    named = {path.name for path in shipped if others.search(path.read_text(encoding="utf-8"))}
    assert named <= {"three.bundle.js"}
    assert "Boost Software License" in (ROOT / "probekit/qif/schema/LICENSE.txt").read_text(encoding="utf-8")
    assert "MIT" in (ROOT / "probekit/report/assets/three.LICENSE.txt").read_text(encoding="utf-8")


def test_the_part_of_a_dependency_under_the_gpl_is_never_loaded() -> None:
    for path in (ROOT / "probekit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [node.attr] if isinstance(node, ast.Attribute) else []
            assert not any("copyleft" in name for name in names), path
