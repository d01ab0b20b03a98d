"""What is installed: the distribution's name, its extras, what the wheel holds, and how messages say to install."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from email import message_from_bytes
from pathlib import Path

import pytest

import probekit as pk
from probekit.errors import how_to_install

REPOSITORY = Path(__file__).parent.parent
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
WRITTEN = (".py", ".md", ".toml", ".ipynb", ".js", ".html", ".css", ".txt", "")
BY_NAME = re.compile(r"pip3? install[^\n`&;|]*\bprobekit|\bprobekit(-omv)?\[[a-z]")


def test_nobody_is_told_to_install_by_name() -> None:
    """On the public index the name belongs to an unrelated package: every hint installs from the clone."""
    tracked = subprocess.run(
        ["git", "-C", str(REPOSITORY), "ls-files", "--cached", "--others", "--exclude-standard"],
        capture_output=True,
        text=True,
        check=False,
    ).stdout.split()
    if not tracked:
        pytest.skip("no clone: the list of files comes from git")
    files = [REPOSITORY / f for f in tracked if Path(f).suffix in WRITTEN and "bundle" not in f]
    files = [f for f in files if f.is_file() and f not in (Path(__file__), REPOSITORY / "pyproject.toml")]
    assert len(files) > 300
    told = {
        str(file.relative_to(REPOSITORY)): found[0]
        for file in files
        if (found := BY_NAME.search(file.read_text(encoding="utf-8", errors="replace")))
    }
    assert told == {}


@pytest.mark.parametrize(
    "hint", ['pip install "probekit[step]"', "pip3 install probekit", "the extra `probekit[step]`"]
)
def test_a_hint_by_name_would_be_seen(hint: str) -> None:
    assert BY_NAME.search(hint)
    assert not BY_NAME.search(how_to_install("step"))


def test_the_citation_is_of_this_version() -> None:
    """The citation file (Citation File Format 1.2.0) names the version and the licence of the package."""
    text = (REPOSITORY / "CITATION.cff").read_text(encoding="utf-8")
    assert re.findall(r"^version: (.*)$", text, flags=re.M) == [pk.__version__]
    assert re.findall(r"^license: (.*)$", text, flags=re.M) == [PROJECT["license"]]


def test_every_extra_that_a_hint_names_is_there() -> None:
    extras = PROJECT["optional-dependencies"]
    own = [one for extra in extras.values() for one in extra if one.startswith("probekit")]
    assert all(re.fullmatch(r"probekit-omv\[[a-z,]+\]", one) for one in own)
    assert set(",".join(one[13:-1] for one in own).split(",")) <= set(extras)
    text = "".join(p.read_text(encoding="utf-8") for p in (REPOSITORY / "probekit").rglob("*.py"))
    named = set(re.findall(r"how_to_install\([\"'](\w+)[\"']\)", text))
    assert {"notebook", "sign", "step"} <= named <= set(extras)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """The wheel, built by the project's own build back end."""
    pytest.importorskip("hatchling")
    folder = tmp_path_factory.mktemp("wheel")
    code = f"from hatchling.build import build_wheel; build_wheel({str(folder)!r})"
    subprocess.run([sys.executable, "-c", code], cwd=REPOSITORY, check=True, capture_output=True)
    (path,) = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def test_the_wheel_says_what_it_is(wheel: zipfile.ZipFile) -> None:
    (name,) = (n for n in wheel.namelist() if n.endswith(".dist-info/METADATA"))
    assert name == f"probekit_omv-{pk.__version__}.dist-info/METADATA"
    about = message_from_bytes(wheel.read(name))
    assert about["Name"] == "probekit-omv"
    assert about["Version"] == pk.__version__
    assert set(about.get_all("Provides-Extra")) == set(PROJECT["optional-dependencies"])
    (points,) = (n for n in wheel.namelist() if n.endswith("entry_points.txt"))
    assert "probekit = probekit.cli:main" in wheel.read(points).decode()


def test_the_wheel_holds_the_whole_package_and_the_demo(wheel: zipfile.ZipFile) -> None:
    held = {n for n in wheel.namelist() if ".dist-info/" not in n}
    package = {
        str(p.relative_to(REPOSITORY).as_posix())
        for p in (REPOSITORY / "probekit").rglob("*")
        if p.is_file() and "__pycache__" not in p.parts
    }
    assert package - held == set()
    assert "probekit/py.typed" in held
    demo = {f"probekit/demo_data/foil/{p.name}" for p in (REPOSITORY / "data" / "foil").iterdir() if p.is_file()}
    assert demo | {"probekit/demo_data/README.md"} <= held
    assert not [n for n in held if n.startswith("probekit/demo_data/") and "results" in n]


def test_every_standard_that_the_code_names_is_on_the_page_of_sources() -> None:
    page = (REPOSITORY / "tests" / "published" / "README.md").read_text(encoding="utf-8")
    page = re.sub(r"ISO 10303-21:2016(, -\d+)+", lambda m: re.sub(r", -", ", ISO 10303-", m[0]), page)
    named = re.compile(r"\b(?:ISO (?!1101\")\d{3,5}(?:-\d+)?|NISTIR \d+|JCGM \d+|ASME Y14\.5(?:\.1)?)\b")
    used = {
        found
        for path in (REPOSITORY / "probekit").rglob("*.py")
        for found in named.findall(path.read_text(encoding="utf-8"))
    }
    assert len(used) > 12
    assert {
        one for one in used if not re.search(rf"{re.escape(one)}(?!\d|-\d{{1,3}}\b)", page) and one != "ISO 10303"
    } == set()
