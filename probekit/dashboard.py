"""The way without code: choose a study, hand in a results file, inspect, look, answer (``dashboard.ipynb``)."""

from __future__ import annotations

import tomllib
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ipywidgets import HTML, Button, Dropdown, FileUpload, HBox, Layout, Tab, VBox

from . import widgets
from .errors import InputError, ProbekitError, in_full
from .files import file_name, make_folder, store
from .inspecting import Done, inspect

if TYPE_CHECKING:
    from .study.inspection import Inspection

__all__ = ["Dashboard", "studies_in"]

_OWN = "the study's own"
_DEEP = 3  # folders below the one that is given
_FRAME = "width:100%;height:860px;border:1px solid #d5d9e0;border-radius:10px"
_SIGNS = {"conforms": ("=", "#00705c"), "does not conform": ("\N{NOT EQUAL TO}", "#9c3a04")}
_OPEN = ("?", "#6b5200")


def studies_in(folder: str | Path) -> dict[str, Path]:
    """The studies in a folder and three levels below it, by their names within it.

    Parameters
    ----------
    folder : str or Path
        Files that cannot be read, and TOML files that are no study, are passed over.

    Raises
    ------
    InputError
        If there is no such folder.
    """
    top = Path(folder).resolve()
    if not top.is_dir():
        raise InputError("there is no such folder", file=folder, expected="a folder with studies")
    found = {}
    for path in sorted(top.rglob("*.toml")):
        if len(path.relative_to(top).parts) > _DEEP + 1:
            continue
        try:
            tables = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if {"part", "touches", "tolerance"} <= set(tables):
            found[path.relative_to(top).as_posix()] = path
    return found


class Dashboard(VBox):
    """Inspection by hand: a study, a results file, a button.

    Parameters
    ----------
    folder : str or Path
        Where the studies are. A results file that is handed in is kept beside its study in ``received``; what an
        inspection writes goes to ``results``, as the command line does it.

    Attributes
    ----------
    found : Inspection or None
        What the last run found.

    Raises
    ------
    InputError
        If there is no such folder, or no study in it.
    """

    def __init__(self, folder: str | Path) -> None:
        self.studies = studies_in(folder)
        if not self.studies:
            raise InputError("no study was found", file=folder, expected="a study.toml, at most three folders down")
        self.found: Inspection | None = None
        wide = {"description_width": "90px"}
        self.study = Dropdown(options=list(self.studies), description="Study", style=wide, layout=Layout(width="420px"))
        self.file = FileUpload(accept="", multiple=False, description="Results file", layout=Layout(width="240px"))
        self.named = HTML(_OWN)
        self.button = Button(description="Inspect", button_style="", icon="")
        self.said, self.views = HTML(), VBox()
        self.file.observe(self._name, "value")
        self.button.on_click(lambda _: self.inspect())
        super().__init__([HBox([self.study]), HBox([self.file, self.named]), self.button, self.said, self.views])

    def _name(self, _: Any) -> None:
        given = self.file.value
        self.named.value = escape(given[0]["name"]) if given else _OWN

    def inspect(self) -> None:
        """Run the chosen study on the results file that was handed in, or on its own, and show what was found."""
        self.button.disabled, self.views.children, self.found = True, (), None
        try:
            self._run(self.studies[self.study.value])
        except ProbekitError as error:
            self.said.value = f'<p role="alert"><b>Not inspected.</b> {escape(in_full(error))}</p>'
        finally:
            self.button.disabled = False

    def _run(self, path: Path) -> None:
        touches = self._received(path.parent)
        name = "results" if touches is None else f"results/{file_name(touches.stem)}"
        said = f"dashboard, {path.name}"
        done = inspect(path, path.parent / name, said=said, touches=touches, progress=self._tell)
        self.found = done.found
        self._show(done)

    def _received(self, folder: Path) -> Path | None:
        """Keep the file that was handed in, under its own name; another of that name never overwrites it."""
        if not self.file.value:
            return None
        given, data = self.file.value[0]["name"], bytes(self.file.value[0]["content"])
        plain = Path(file_name(Path(given.replace("\\", "/")).name))
        kept = make_folder(folder / "received")
        for n in range(1, 1000):
            to = kept / (plain.name if n == 1 else f"{plain.stem}_{n}{plain.suffix}")
            if not to.exists():
                store(to, data)
                return to
            if to.read_bytes() == data:
                return to
        raise InputError("too many results files of one name", file=kept, found=plain.name, todo="Rename the file.")

    def _tell(self, what: str, share: float) -> None:
        self.said.value = f'<p role="status">{escape(what)} {100 * share:z.0f} %</p>'

    def _show(self, done: Done) -> None:
        verdict, action, paths = done.found.verdict, done.found.action, done.paths
        sign, colour = _SIGNS.get(verdict.part, _OPEN)
        steps = "".join(f"<li>{escape(text)}</li>" for text in action.suggestions)
        notes = "".join(f"<li>{escape(note)}</li>" for note in done.found.notes)
        self.said.value = (
            f'<p style="font-size:1.5em;color:{colour};margin:.4em 0"><b>{sign} The part '
            f"{'is undecided' if verdict.part == 'undecided' else escape(verdict.part)}.</b></p>"
            f"<p>Written: {escape(', '.join(str(path) for path in paths.values()))}</p>"
            + (f"<p>{escape(done.archived)}</p>" if done.archived else "")
        )
        text = HTML(
            f"{verdict._repr_html_()}<h3>What next</h3><ol>{steps}</ol><p><b>Caution.</b> {escape(action.caution)}</p>"
            + (f"<h3>Noticed</h3><ul>{notes}</ul>" if notes else "")
        )
        page = escape(paths["report"].read_text(encoding="utf-8"), quote=True)
        frame = HTML(
            f'<iframe title="The page" sandbox="allow-scripts allow-downloads allow-modals" style="{_FRAME}" '
            f'srcdoc="{page}"></iframe>'
        )
        self.views.children = (
            Tab([frame, text, widgets.view(done.found.scene)], titles=("Page", "As text", "Notebook view")),
        )
