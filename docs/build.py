"""Build the site: `python docs/build.py`, with the extras `site` installed. It writes the folder `site`.

What can be made from the code is made here, in a folder that is thrown away: the pages of the reference, the keys of a
study, the glossary, the gallery with a real report. Then Sphinx runs, and every link within the site is followed.
"""

from __future__ import annotations

import argparse
import hashlib
import html
import inspect
import json
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

HERE = Path(__file__).parent
TOP = HERE.parent
sys.path.insert(0, str(TOP))

import probekit as pk  # noqa: E402
from probekit import settings  # noqa: E402
from probekit.tolerance.spec import KINDS, keys_of  # noqa: E402
from probekit.uncertainty.causes import CAUSES  # noqa: E402
from probekit.values import words_of  # noqa: E402


def main(arguments: list[str] | None = None) -> int:
    """Build it; 1 if a link leads nowhere or Sphinx fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", default=str(TOP / "site"), help="folder of the site (default: site)")
    parser.add_argument("--quick", action="store_true", help="do not run the notebooks, and make no gallery")
    parser.add_argument("--rooms", nargs="+", help="write the reference of these rooms only", default=rooms())
    given = parser.parse_args(arguments)
    target = Path(given.to).resolve()
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "source"
        prepare(source, quick=given.quick, told=given.rooms)
        os.environ["PROBEKIT_SITE_RUN"] = "off" if given.quick else "cache"
        os.environ["PROBEKIT_SITE_CACHE"] = str(cache())
        os.environ["PYTHONPATH"] = os.pathsep.join([str(TOP), os.environ.get("PYTHONPATH", "")])
        from sphinx.cmd.build import main as sphinx

        shutil.rmtree(target, ignore_errors=True)
        failed = sphinx(["-q", "-W", "--keep-going", "-b", "html", "-d", f"{folder}/trees", str(source), str(target)])
    broken = list(broken_links(target))
    for one in broken:
        print("broken link:", one)
    pages = len(list(target.rglob("*.html")))
    print(f"{pages} pages in {target}; {len(broken)} broken links; open {target / 'index.html'}")
    return 1 if failed or broken else 0


def cache() -> Path:
    """Where the notebooks are kept as run: another folder, and those of before deleted, once code or data change."""
    found = hashlib.sha256()
    for path in sorted([*(TOP / "probekit").rglob("*"), *(TOP / "data").rglob("*")]):
        if path.is_file() and not {"__pycache__", "results"} & set(path.parts):
            found.update(str(path.relative_to(TOP)).encode() + path.read_bytes())
    folder = TOP / "build" / "site_cache" / found.hexdigest()[:16]
    for old in folder.parent.glob("*"):
        if old != folder:
            shutil.rmtree(old) if old.is_dir() else old.unlink()
    return folder


def prepare(source: Path, *, quick: bool, told: Sequence[str]) -> None:
    """The folder that Sphinx reads."""
    shutil.copytree(HERE, source, ignore=shutil.ignore_patterns("build.py", "__pycache__"))
    (source / "notebooks").mkdir()
    for path in (TOP / "notebooks").glob("[0-9]*.ipynb"):  # the course
        shutil.copy(path, source / "notebooks")
    fold_solutions(source / "notebooks")
    for name in ("data", "tests/published", "tests/benchmarks"):  # notebooks read them beside their own folder
        shutil.copytree(TOP / name, source / name, ignore=shutil.ignore_patterns("results", "__pycache__"))
    shutil.copy(TOP / "DEVELOPERS.md", source / "DEVELOPERS.md")
    (source / "changelog.md").write_text(titled(TOP / "CHANGELOG.md"), encoding="utf-8")
    (source / "citation.md").write_text(citation(), encoding="utf-8")
    (source / "nomenclature.md").write_text(nomenclature(), encoding="utf-8")
    (source / "course.md").write_text(course(), encoding="utf-8")
    (source / "study_file.md").write_text(study_file(), encoding="utf-8")
    reference = source / "reference"
    reference.mkdir()
    for room in rooms():
        page = page_of(room) if room in told else f"# probekit.{room}\n"
        (reference / f"{room}.md").write_text(page, encoding="utf-8")
    (reference / "index.md").write_text(reference_index(), encoding="utf-8")
    gallery(source / "_extra" / "gallery", quick=quick)


def fold_solutions(folder: Path) -> None:
    """Fold the solutions on the site as well, where the folding of a notebook is not known."""
    for path in folder.glob("*.ipynb"):
        notebook = json.loads(path.read_text(encoding="utf-8"))
        for cell in notebook["cells"]:
            tags = cell["metadata"].get("tags", [])
            if "solution" in tags:
                cell["metadata"]["tags"] = [*tags, "hide-cell"]
        path.write_text(json.dumps(notebook), encoding="utf-8")


def titled(path: Path) -> str:
    """A file of the repository as a page: links to other files of the repository lead nowhere on the site."""
    return re.sub(r"\[([^\]]+)\]\((?!https?:)[^)]+\)", r"\1", path.read_text(encoding="utf-8"))


def rooms() -> list[str]:
    """Rooms of the public face, in the order of the pipeline."""
    named = [name for name in pk.__all__ if inspect.ismodule(getattr(pk, name))]
    order = re.findall(r"^\| .*?`(\w+)/", (TOP / "DEVELOPERS.md").read_text(encoding="utf-8"), flags=re.M)
    return sorted(named, key=lambda name: (order.index(name) if name in order else len(order), name))


def page_of(room: str) -> str:
    """Reference of one room: its own words, then every name that it exports."""
    module = getattr(pk, room)
    lines = [f"# probekit.{room}", "", "```{eval-rst}", f".. automodule:: probekit.{room}", "   :no-members:", ""]
    for name in module.__all__:
        thing = getattr(module, name)
        if inspect.isclass(thing):
            lines += [f".. autoclass:: probekit.{room}.{name}", ""]
        elif callable(thing):
            lines += [f".. autofunction:: probekit.{room}.{name}", ""]
        elif not inspect.ismodule(thing):
            lines += [f".. py:data:: probekit.{room}.{name}", "", f"   ``{str(thing)[:300]}``", ""]
    return "\n".join([*lines, "```", ""])


def reference_index() -> str:
    """List of the rooms with the first line of each."""
    rows = [f"- [probekit.{room}]({room}.md): {first_line(getattr(pk, room))}" for room in rooms()]
    toc = "\n".join(["```{toctree}", ":hidden:", "", *rooms(), "```"])
    said = "In the order of the pipeline. Every function names its units and the source of its formula."
    return "\n".join(["# Reference", "", said, "", *rows, "", toc, ""])


def first_line(thing: Any) -> str:
    """First paragraph of a docstring."""
    return " ".join((inspect.getdoc(thing) or "").split("\n\n")[0].split())


def nomenclature() -> str:
    """The section of DEVELOPERS.md, as it stands there."""
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Nomenclature")[1].split("\n## ")[0]
    sources = (TOP / "tests" / "published" / "README.md").read_text(encoding="utf-8")
    sources = re.sub(r"^#", "##", re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", sources), flags=re.M)
    return f"# Nomenclature and sources\n{text}\n{sources}"


def citation() -> str:
    """How to cite."""
    cff = (TOP / "CITATION.cff").read_text(encoding="utf-8")
    return f"# How to cite\n\nThe file `CITATION.cff` of the repository:\n\n```yaml\n{cff}```\n"


def course() -> str:
    """The notebooks, in order, by number and title."""
    names = []
    for path in sorted((TOP / "notebooks").glob("[0-9]*.ipynb")):
        title = "".join(json.loads(path.read_text(encoding="utf-8"))["cells"][0]["source"]).splitlines()[0]
        names.append(f"{path.stem[:2]} {title.removeprefix('# ')} <notebooks/{path.stem}>")
    toc = "\n".join(["```{toctree}", ":maxdepth: 1", "", *names, "```"])
    said = (
        "Each notebook says what you will be able to do, has exercises with folded solutions and ends with a cell that "
        "checks what it said. They are run when this site is built. Views that turn in a running notebook are still "
        "pictures here; the gallery has such views as pages. Parts and numbers are invented."
    )
    return f"# The course\n\n{said}\n\n{toc}\n"


def study_file() -> str:
    """Keys of a study, from the tables that check them."""
    short = in_short()
    out = ["# The study file", ""]
    out += ["Made from the tables by which probekit checks a study, so it cannot be out of date.", ""]
    for table, keys in settings.KEYS.items():
        shown = f"[[{table}]]" if table in settings._LISTED else f"[{table}]"
        needed = settings._REQUIRED.get(table, ())
        out += [f"## `{shown}`", "", short.get(table, ""), "", "| key | value | |", "|---|---|---|"]
        out += [f"| `{key}` | {words_of(kinds)} | {'needed' if key in needed else ''} |" for key, kinds in keys.items()]
        out.append("")
    out += ["## Causes of `[budget]`", "", "| key | what | unit | assumed if not stated |", "|---|---|---|---|"]
    out += [f"| `{key}` | {one.name} | {one.unit} | {one.default:g} |" for key, one in CAUSES.items()]
    out += ["", "## `[[tolerance]]` by kind", ""]
    for kind in sorted(KINDS):
        out += [f"### {kind}", "", first_line(KINDS[kind][0]), ""]
        out += [", ".join(f"`{key}`" for key in keys_of(kind)), ""]
    return "\n".join(out)


def in_short() -> dict[str, str]:
    """What the head of `probekit/settings.py` says of each table of a study."""
    said = (inspect.getdoc(settings) or "").split("::\n")[1]
    found = re.findall(r"^ *\[+(\w+)\]+ +(.*(?:\n {12,}.*)*)", said, flags=re.M)
    return {table: re.sub(r"([\\*_<>\[\]|$])", r"\\\1", " ".join(text.split())) for table, text in found}


def gallery(to: Path, *, quick: bool) -> None:
    """Example pages to open, made by the commands that a user has, and pictures."""
    to.mkdir(parents=True)
    for picture in sorted((TOP / "data" / "pictures").glob("*.png")):
        shutil.copy(picture, to / picture.name)
    if quick:
        for name in ("report", "plan"):
            (to / f"{name}.html").write_text("<title>not made: --quick</title>", encoding="utf-8")
        return
    from probekit import cli

    study = TOP / "data" / "foil" / "study.toml"
    for command in ("inspect", "plan"):
        with tempfile.TemporaryDirectory() as folder:
            status = cli.main([command, str(study), "--to", folder])
            if status == 2:
                raise SystemExit(f"the demo could not be run: {command}")
            name = {"inspect": "report.html", "plan": "plan.html"}[command]
            shutil.copy(Path(folder) / name, to / name)


class _Page(HTMLParser):
    """What a page links to, and the ids it has."""

    def __init__(self) -> None:
        super().__init__()
        self.links: set[str] = set()
        self.ids: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids |= {value for key in ("id", "name") if (value := given.get(key))}
        self.links |= {value for key in ("href", "src") if tag != "base" and (value := given.get(key))}


def broken_links(site: Path) -> Iterator[str]:
    """Links within a built site whose file, or place in a file, is not there."""
    pages = {}
    for path in sorted(site.rglob("*.html")):
        if "gallery" in path.parts:  # pages of the product, tested there
            continue
        parser = _Page()
        parser.feed(path.read_text(encoding="utf-8"))
        pages[path.resolve()] = parser
    for path, parser in pages.items():
        for link in sorted(parser.links):
            parts = urlsplit(html.unescape(link))
            if parts.scheme or parts.netloc or link.startswith("data:"):
                continue
            to = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            if not to.exists():
                yield f"{path.relative_to(site.resolve())} -> {link}"
            elif parts.fragment and to in pages and unquote(parts.fragment) not in pages[to].ids:
                yield f"{path.relative_to(site.resolve())} -> {link} (no such place)"


if __name__ == "__main__":
    raise SystemExit(main())
