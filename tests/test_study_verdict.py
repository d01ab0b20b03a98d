"""What a study says of uncertainty and flags reaches its verdict; summary, page and tables show that verdict."""

import json
from pathlib import Path

import pytest
import tiny

import probekit as pk
from probekit.cli import main


def with_u(values: dict[int, float]) -> str:
    """The touches file with a column u that holds some numbers."""
    lines, out = tiny.touches().splitlines(), []
    for line in lines:
        touch = line.split(",")[0]
        out.append(
            line if line.startswith("#") else f"{line},{'u' if touch == 'touch' else values.get(int(touch), '')}"
        )
    return "\n".join(out) + "\n"


def test_the_own_u_of_a_touch_decides(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One touch with u = 0.05 in a zone of +-0.05: it conformed, with the u shown beside it."""
    study = tiny.write(tmp_path, touches_csv=with_u({2: 0.05}))
    found = pk.study.run(pk.study.load(study))
    table = found.verdict.table.set_index("touch")
    assert table["verdict"].map(str)[2] == "undecided"
    assert (table["verdict"].drop(index=2) == "within").all()
    assert found.verdict.tolerances["word"].tolist() == ["undecided", "conforms"]
    assert main(["inspect", str(study)]) == 1
    told = capsys.readouterr().out
    assert "UNDECIDED" in told
    shown = next(line.split() for line in told.splitlines() if line.startswith("  top "))
    assert shown[1] == "undecided"
    results = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    assert [one["word"] for one in results["tolerances"]] == ["undecided", "conforms"]


def test_results_read_again_do_not_count_the_frame_twice(tmp_path: Path) -> None:
    study = tiny.write(tmp_path)
    first = pk.study.run(pk.study.load(study)).verdict.table
    assert (first["u_judged"] < first["u"]).all()  # the touches that made the frame are judged in it
    assert (first["u"] == 0.003).all()


def test_the_covariance_of_the_alignment_is_made_of_no_less_than_u(tmp_path: Path) -> None:
    """The scatter of the touches is 2 um; a study that states 10 um is believed."""
    stated = [
        pk.study.run(pk.study.load(tiny.write(tmp_path / name, ("u = 0.003", f"u = {u}"))))
        for name, u in (("a", 0.003), ("b", 0.030))
    ]
    free = stated[0].alignment.uncertainty > 0
    ratio = stated[1].alignment.uncertainty[free] / stated[0].alignment.uncertainty[free]
    assert ratio == pytest.approx([10.0] * int(free.sum()), rel=1e-3)


@pytest.mark.parametrize("accepted", [False, True])
def test_a_flag_is_accepted_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str], accepted: bool) -> None:
    """All touches are further than max_distance from the model, yet within their zones: somebody has to have looked."""
    changes = [tiny.QUALIFIED, ("max_distance = 2.0", "max_distance = 1e-6")]
    if accepted:
        changes.append(("[decision]", '[gate]\naccept = ["far from model"]\nreason = "seen"\n\n[decision]'))
    study = tiny.write(tmp_path, *changes)
    assert main(["inspect", str(study)]) == (0 if accepted else 1)
    told = " ".join(capsys.readouterr().out.split())
    assert ("Undecided at best because" in told) == (not accepted)
    assert ("further away than max_distance" in told) == (not accepted)
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert ("The part <strong>conforms" in page) == accepted
    assert ("the foot is further away than max_distance" in page) == (not accepted)


def test_a_flag_that_leaves_nothing_undecided_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = tiny.write(tmp_path, ('rule = "guarded"', 'rule = "guarded"\naccept_flags = ["edge"]'))
    assert main(["inspect", str(study)]) == 2
    assert "'edge'" in capsys.readouterr().err
