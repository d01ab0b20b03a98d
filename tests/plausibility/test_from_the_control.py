"""Results of a control through a study, on the pad: numbers of parameters and values, and nothing else."""

from pathlib import Path

import numpy as np
import pytest
from plausibility import pad

import probekit as pk
from probekit.columns import MEASURED

LOG = 'file = "run.log"\npattern = "N(?P<touch>[0-9]+) (?P<x>[^ ]+) (?P<y>[^ ]+) (?P<z>[^ ]+)"\n'
LOG += 'unit = "mm"\nrecorded = "centre"\n'
TABLE = '[machine]\naxes = [{letter = "A", moves = "table"}]\n'


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> tuple[Path, pk.study.inspection.Inspection]:
    """The pad, its touches in parameters from #501 on in an order of their own; and what the full file gives."""
    study = pad.write(tmp_path_factory.mktemp("control"))
    whole = pk.study.run(pk.study.load(study))
    table = pk.touches.read(study.parent / "touches.csv").sample(frac=1.0, random_state=1)
    moves, values = ["move,touch,angles,tip,slot"], []
    for place, (touch, *at) in enumerate(table[["touch", *MEASURED]].to_numpy().tolist()):
        moves.append(f"Record,{int(touch)},(),0,{501 + 3 * place}")
        values += [f"{501 + 3 * place + k}\t{value:.6f}" for k, value in enumerate(at)]
    (study.parent / "moves.csv").write_text("\n".join(moves) + "\n")
    (study.parent / "kept.txt").write_text("\n".join(values) + "\n")
    (study.parent / "run.log").write_text(
        "".join(f"N{int(t)} {x:.6f} {y:.6f} {z:.6f}\n" for t, x, y, z in table[["touch", *MEASURED]].to_numpy())
    )
    return study, whole


def studied(good, keys: str, more: str = "") -> pk.study.model.Study:
    path = good[0].with_name("control.toml")
    path.write_text(good[0].read_text().replace('file = "touches.csv"', keys) + more)
    return pk.study.load(path)


@pytest.mark.parametrize(
    "keys",
    [
        'file = "kept.txt"\nmoves = "moves.csv"',
        'file = "kept.txt"\nformat = "parameters"\nmoves = "moves.csv"',
        LOG + 'coordinates = "program"\nmoves = "moves.csv"',
        LOG + 'moves = "moves.csv"',
        LOG,
    ],
)
def test_the_same_verdict_from_a_control(good, keys):
    found, whole = pk.study.run(studied(good, keys)), good[1]
    assert found.verdict.part == whole.verdict.part == "conforms"
    ours, theirs = (one.verdict.table.set_index("touch")["deviation"].sort_index() for one in (found, whole))
    assert np.abs(ours - theirs).max() < 2e-6  # the file has six decimals


def test_parameters_that_are_not_there_are_missed(good):
    """The run stopped before its last touch: undecided, and the touch is named."""
    lines = (good[0].parent / "kept.txt").read_text().splitlines()
    (good[0].parent / "cut.txt").write_text("\n".join(lines[:-3]) + "\n")
    found = pk.study.run(studied(good, 'file = "cut.txt"\nmoves = "moves.csv"'))
    missed = found.measured[found.measured["reason"] != ""]
    first = 501 + 3 * (len(found.measured) - 1)
    assert missed["reason"].tolist() == [f"parameters #{first} to #{first + 2} are not in the file"]
    assert (found.verdict.table["verdict"] == "missed").sum() == 1


@pytest.mark.parametrize(
    ("keys", "more", "words"),
    [
        ('file = "kept.txt"', "", r"control.toml, key 'touches.moves': .* found 'no file .*results/moves.csv'"),
        ('file = "kept.txt"\nformat = "dump"', "", r"'touches.format': .* found 'dump'; expected 'parameters'"),
        ('file = "run.log"\nformat = "parameters"\nmoves = "moves.csv"', "", r"run.log: the file holds none of the"),
        (LOG + 'coordinates = "machine"\nmoves = "moves.csv"', "", r"'touches.work_offset': machine coordinates and"),
        (LOG + "work_offset = [1, 2, 3]", "", r"'touches.work_offset': machine coordinates and the origin"),
        (
            LOG + 'coordinates = "machine"\nmoves = "moves.csv"\nwork_offset = [1, 2, 3]',
            "",
            r"control.toml, key 'touches.tool_length': the length of the probe matters here; expected mm",
        ),
        ('file = "kept.txt"\nmoves = "moves.csv"', TABLE, r"moves were made for a machine with other rotary axes"),
        (
            'file = "kept.txt"\nmoves = "moves.csv"',
            TABLE + "translation = [1, 0, 0]\n",
            r"'machine.translation': .*one place is not enough",
        ),
    ],
)
def test_keys_that_do_not_fit_are_told(good, keys, more, words):
    with pytest.raises(pk.InputError, match=words):
        pk.study.run(studied(good, keys, more))
