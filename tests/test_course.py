"""The form of the notebooks: they open anywhere, say what the reader will be able to do, and answer their exercises."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest

NOTEBOOKS = sorted((Path(__file__).parent.parent / "notebooks").glob("[0-9]*.ipynb"))


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def notebook(request: pytest.FixtureRequest) -> tuple[str, nbformat.NotebookNode]:
    return request.param.stem, nbformat.read(request.param, as_version=4)


def test_it_opens_unedited_wherever_notebooks_open(notebook: tuple[str, nbformat.NotebookNode]) -> None:
    """Valid nbformat 4.5, no outputs, and no metadata but the kernel and the folding of solutions."""
    name, nb = notebook
    nbformat.validate(nb)
    assert (nb.nbformat, nb.nbformat_minor) == (4, 5)
    assert set(nb.metadata) <= {"kernelspec", "language_info"}, name
    assert nb.metadata["kernelspec"]["name"] == "python3"
    for cell in nb.cells:
        assert set(cell.metadata) <= {"jupyter", "tags"}
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


def test_it_says_what_the_reader_will_be_able_to_do_and_its_sources(
    notebook: tuple[str, nbformat.NotebookNode],
) -> None:
    name, nb = notebook
    text = "\n".join(cell.source for cell in nb.cells if cell.cell_type == "markdown")
    assert re.match(r"# \S", nb.cells[0].source), name
    assert re.search(r"[Yy]ou (will be able to|can)\b", nb.cells[0].source), name
    assert "## Exercises" in text
    assert "## Sources" in text
    assert "assert " in nb.cells[-1].source, "the last cell checks what was said"


def test_every_exercise_has_a_folded_solution(notebook: tuple[str, nbformat.NotebookNode]) -> None:
    _, nb = notebook
    asked = next(cell.source for cell in nb.cells if "## Exercises" in cell.source).split("## Exercises")[1]
    numbers = re.findall(r"^(\d+)\. ", asked, flags=re.M)
    solutions = [cell for cell in nb.cells if "solution" in cell.metadata.get("tags", [])]
    answered = [re.match(r"# (?:Solution )?(\d+)", cell.source) for cell in solutions]
    assert [found[1] for found in answered if found] == numbers
    assert all(cell.metadata["jupyter"] == {"source_hidden": True} for cell in solutions)


def test_nobody_writes_svg_by_hand(notebook: tuple[str, nbformat.NotebookNode]) -> None:
    _, nb = notebook
    code = "\n".join(cell.source for cell in nb.cells if cell.cell_type == "code")
    assert not re.search(r"<(svg|path|polyline|circle|rect)\b", code)


def test_all_but_the_index_have_figures(notebook: tuple[str, nbformat.NotebookNode]) -> None:
    _, nb = notebook
    code = "\n".join(cell.source for cell in nb.cells if cell.cell_type == "code")
    assert "figures." in code
