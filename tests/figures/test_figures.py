"""Figures: numbers where they belong, all words inside the picture, the same bytes whatever the reader has set."""

from __future__ import annotations

import hashlib
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import probekit as pk
from probekit.plan.targets.curves import Curve
from probekit.uncertainty.shares import Shares

figures = pk.figures
drawing = pytest.importorskip("probekit.figures.drawing", exc_type=pk.ProbekitError)


@pytest.fixture(scope="module")
def ring() -> tuple[Curve, pd.DataFrame]:
    """A circle of radius 10 in the plane z = 5, and eight touches on it, each 0.01 mm times its number high."""
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = Curve(
        np.column_stack([10 * np.cos(turn), 10 * np.sin(turn), np.full(720, 5.0)]), True, ("wall",) * 720, "ring"
    )
    at = np.arange(8) * np.pi / 4
    table = pd.DataFrame({"touch": range(8), "deviation": 0.01 * np.arange(8), "feature": "wall"})
    table[["nx", "ny", "nz"]] = np.column_stack([np.cos(at), np.sin(at), np.zeros(8)])
    table[["foot_x", "foot_y", "foot_z"]] = 10 * table[["nx", "ny", "nz"]].to_numpy() + [0, 0, 5.2]
    table["verdict"] = ["within"] * 6 + ["undecided", "high"]
    table["u_judged"] = 0.002
    return circle, table.sample(frac=1, random_state=1)


def every(ring: tuple[Curve, pd.DataFrame]) -> dict[str, object]:
    curve, table = ring
    name = "each touch's own, of a probe with a name that is long"
    causes = Shares("profile", (name, "temperature", "radius"), np.array([2e-3, 1.5e-3, 5e-4]), (False, True, False))
    readings = pd.DataFrame({"value": np.random.default_rng(3).normal(74.0012, 0.01, 40)})
    blind = pd.DataFrame([[0.1, 0.5], [0.3, 1.0]], index=[0.02, 0.05], columns=[3, 6])
    bore = pk.tolerance.Position(
        width=0.05, modifier="M", limits=(9, 11), at=(0, 0, 0), direction=(0, 0, 1), datums=("A", "B(M)"), features="b"
    )
    ringed = pk.tolerance.Profile(width=0.2, outside=0.13, datums=("A", "B"), around="all over", features="skin")
    stable = pk.gauge.stability(readings)
    number = np.arange(20)
    return {
        "unrolled": figures.unrolled(table, curve, lower=-0.05, upper=0.05),
        "whiskers": figures.whiskers(table, curve, lower=-0.05, upper=0.05),
        "histogram": figures.histogram(table["deviation"], lower=-0.05, upper=0.05, title="skin"),
        "lines": figures.lines({"one line": (number, number)}, x="a", y="b", levels={"risk": 5}, title="t", log="y"),
        "places": figures.places(table["foot_x"], table["foot_y"], table["deviation"], most=0.05, title="ring"),
        "bars": figures.budget_bars(causes),
        "blind": figures.blind_spot(blind),
        "panels": figures.panels(stable.figure, said=stable.sentence),
        "position": figures.control_frame(bore),
        "all over": figures.control_frame(ringed, scale=2),
    }


@pytest.fixture(scope="module")
def drawn(ring: tuple[Curve, pd.DataFrame]) -> dict[str, object]:
    return every(ring)


def test_every_picture_is_here(drawn: dict[str, object]) -> None:
    assert len(drawn) == len(figures.__all__) - 2 + 1  # without axes and save; the frame twice


def test_all_words_lie_inside_the_picture(drawn: dict[str, object]) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    for name, figure in drawn.items():
        copy = pickle.loads(pickle.dumps(figure))
        with drawing.styled():
            canvas = FigureCanvasAgg(copy)
            copy.draw_without_rendering()
            canvas.draw()
            box, page = copy.get_tightbbox(canvas.get_renderer()), copy.get_size_inches()
        assert min(box.x0, box.y0) > -0.02, name
        assert box.x1 < page[0] + 0.02, name
        assert box.y1 < page[1] + 0.02, name


def test_each_says_what_it_shows_and_shows_itself_in_a_notebook(drawn: dict[str, object]) -> None:
    for name, figure in drawn.items():
        shown = figure._repr_mimebundle_()
        assert len(figure.said) > 5, name
        assert shown["text/plain"] == figure.said
        assert shown["image/svg+xml"].count("<svg") == 1
        assert "<title>" in shown["image/svg+xml"]


def test_the_same_bytes_whatever_the_reader_has_set(
    drawn: dict[str, object], ring: tuple[Curve, pd.DataFrame], tmp_path: Path
) -> None:
    """In another process, on another day by its file times, with a dark style and another font size."""
    import matplotlib

    names = ("unrolled", "panels", "position")
    first = {name: hashlib.sha256(drawing.image(drawn[name], "svg")).hexdigest() for name in names}
    before = dict(matplotlib.rcParams)
    with matplotlib.rc_context({"font.size": 20, "axes.facecolor": "black", "svg.hashsalt": "other"}):
        again = {name: drawing.image(figure, "svg") for name, figure in every(ring).items() if name in names}
        assert matplotlib.rcParams["font.size"] == 20, "the reader's own settings are left as they were"
    assert dict(matplotlib.rcParams) == before
    assert {name: hashlib.sha256(data).hexdigest() for name, data in again.items()} == first
    for kind in ("png", "pdf"):
        figures.save(drawn["bars"], tmp_path / f"one.{kind}")
        assert (tmp_path / f"one.{kind}").read_bytes() == drawing.image(drawn["bars"], kind)


def test_arc_lengths_and_whiskers_on_a_circle(ring: tuple[Curve, pd.DataFrame]) -> None:
    curve, table = ring
    axes = figures.unrolled(table, curve).axes[0]
    marks = [line for line in axes.lines if line.get_label() in {"within", "undecided", "high"}]
    x, y = np.concatenate([line.get_xydata() for line in marks]).T
    assert np.allclose(x, 10 * np.pi / 4 * np.arange(8), atol=0.06), "arc length = radius times angle"
    assert np.allclose(y, 0.01 * np.arange(8), rtol=0, atol=1e-12)
    (bars,) = [one for one in axes.collections if one.get_label() == "U = 2 u"]
    ends = np.array([one.vertices[:, 1] for one in bars.get_paths()])
    assert np.allclose(ends, y[:, None] + [-0.004, 0.004])
    flat = figures.whiskers(table, curve, exaggeration=20.0).axes[0]
    tips = np.concatenate([line.get_xydata() for line in flat.lines if line.get_label() in {"within", "high"}])
    size = np.sort(np.hypot(*tips.T))
    assert np.allclose(size, 10 + 20 * 0.01 * np.array([0, 1, 2, 3, 4, 5, 7])), "foot and 20 times the deviation"
    assert "20 times" in flat.get_title(loc="left")


def test_a_histogram_counts_every_value_once() -> None:
    values = np.array([0.0, 0.01, -0.02, 0.3, np.nan, -0.4])
    figure = figures.histogram(values, lower=-0.1, upper=0.1)
    assert sum(bar.get_height() for bar in figure.axes[0].containers[0]) == 5
    assert "2 beyond the limits; 1 missing" in figure.said
    far = figures.histogram([*np.random.default_rng(1).normal(0, 0.01, 500), 1e6])
    assert len(far.axes[0].containers[0]) <= 60


def test_arcs_of_symbols_are_arcs() -> None:
    """Half circles, and the arch of profile: three points fix a circle of radius 9 (closed form)."""
    from probekit.figures.frames import _path

    circle = _path("M4 12a8 8 0 1 0 16 0a8 8 0 1 0 -16 0", np.zeros(2)).vertices
    assert np.allclose(np.hypot(*(circle - [12, 12]).T), 8)
    arch = _path("M3 17A9 9 0 0 1 21 17Z", np.array([1.0, 0.0])).vertices
    assert np.allclose(np.hypot(*(arch[:-1] - [13, 17]).T), 9)
    assert arch[:, 1].min() == pytest.approx(8), "the arch stands above its chord, not below it"
    slope = _path("M12.5 6.5L19 5L18 11.5", np.zeros(2))
    assert slope.vertices.tolist() == [[12.5, 6.5], [19, 5], [18, 11.5]]


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda c, t: figures.unrolled(t, c, within=0.1), "no touch lies within 0.1 mm"),
        (lambda c, t: figures.unrolled(t, c, within=0), "above zero"),
        (lambda c, t: figures.whiskers(t, c, exaggeration=-1), "exaggeration"),
        (lambda *_: figures.histogram([np.nan]), "no value"),
        (lambda *_: figures.histogram([1.0], lower=1, upper=0), "exchanged"),
        (lambda *_: figures.lines({}, x="a", y="b"), "nothing to draw"),
        (lambda *_: figures.lines({"a": ([1, 2], [1])}, x="a", y="b"), "not of one length"),
        (lambda *_: figures.places([1.0], [1.0], [1.0], most=0), "above zero"),
        (lambda *_: figures.blind_spot(pd.DataFrame([[2.0]])), "between 0 and 1"),
        (lambda *_: figures.panels([]), "nothing to draw"),
        (lambda *_: figures.control_frame(object()), "no feature control frame"),
        (lambda *_: figures.axes(wide=-1), "size"),
        (lambda *_: figures.save(figures.axes()[0], "a.gif"), "kind"),
    ],
)
def test_what_cannot_be_drawn_is_refused(ring: tuple[Curve, pd.DataFrame], call: object, said: str) -> None:
    with pytest.raises(pk.InputError, match=said):
        call(*ring)  # type: ignore[operator]


def test_a_curve_that_is_not_plane_is_not_drawn_as_if_it_were(ring: tuple[Curve, pd.DataFrame]) -> None:
    curve, table = ring
    bent = Curve(curve.points + np.outer(np.sin(np.arange(720) / 100), [0, 0, 2.0]), True, curve.faces, "bent")
    with pytest.raises(pk.InputError, match="not plane"):
        figures.whiskers(table, bent, within=5)


def test_without_matplotlib_it_says_what_to_install() -> None:
    code = (
        "import sys; sys.modules['matplotlib'] = None\nimport probekit as pk\n"
        "try: pk.figures.lines\nexcept pk.ProbekitError as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "figures need matplotlib" in done.stdout
    assert ".[notebook]" in done.stdout
