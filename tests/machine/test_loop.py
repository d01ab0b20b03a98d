"""The way round: program text, virtual machine, results file, deviations, alignment; what was injected comes back."""

from pathlib import Path

import numpy as np
import pytest
import shapes
from machine.probing_text import probing_text, targets_at
from scipy.spatial.transform import Rotation

from probekit import deviation, fit, touches
from probekit.machine import AsMade, Hill, run
from probekit.machine.errors import Lobing, Repeatability, Scale
from probekit.nominal import load

DATA = Path(__file__).parents[2] / "data"


def test_set_up_error_and_offset_of_a_curved_part(tmp_path):
    """A doubly curved patch sits moved and turned, with 30 um left on it; the fit finds the motion, then the 30 um."""
    nominal = shapes.saddle(size=80.0, n=160)
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec((0.03, -0.02, 0.05), degrees=True).as_matrix()
    motion[:3, 3] = (0.12, -0.08, 0.06)
    made = AsMade(nominal, 0.030, motion=motion)
    axis = np.linspace(-30, 30, 9)
    x, y = (a.ravel() for a in np.meshgrid(axis, axis, indexing="ij"))
    feet = nominal.engine.feet(np.column_stack([x, y, 0 * x]), smooth=True)
    text = probing_text(targets_at(feet.foot, feet.normal))
    result = run(text, made, probe=6.0, errors=(Lobing(0.008), Repeatability(0.001)), rng=11)
    assert result.stopped == ""
    result.write(tmp_path / "run.csv")
    found = deviation.project(touches.read(tmp_path / "run.csv"), nominal, stylus=2.992, allowance=0.030)
    alignment = fit.rigid(found, nominal)
    four = 4.0 * np.sqrt(np.diag(alignment.covariance))  # of the fit's own standard uncertainties
    back = np.linalg.inv(alignment.motion)
    assert (np.abs(back[:3, 3] - motion[:3, 3]) < four[:3] + 5e-5).all()
    turn = Rotation.from_matrix(back[:3, :3]).as_rotvec(degrees=True)
    assert (np.abs(turn - (0.03, -0.02, 0.05)) < four[3:] + 1e-4).all()
    aligned = deviation.project(
        fit.move_touches(touches.read(tmp_path / "run.csv"), alignment.motion), nominal, stylus=2.992
    )
    assert aligned["deviation"].mean() == pytest.approx(0.030, abs=0.0005)
    assert aligned["deviation"].std() < 0.0012


def test_the_demo_part_from_its_exact_model():
    """A dent in the foil's flank, 0.16 mm deep, is measured to the micrometre by touches on the exact surface."""
    pytest.importorskip("OCP")
    nominal = load(DATA / "foil" / "foil.step")
    centre = nominal.engine.feet(np.array([[-7.8, -40.0, 60.0]]))
    middle, out = centre.foot[0], centre.normal[0]
    made = AsMade(nominal, {"skin": 0.03}, (Hill(tuple(middle), 8.0, -0.16, tuple(out)),))
    level = np.array([[-7.8 + dx, -40.0, 60.0 + dz] for dx in (-4, 0, 4) for dz in (-4, 0, 4)])
    feet = nominal.engine.feet(level)
    text = probing_text(targets_at(feet.foot, feet.normal, "skin"), height=160.0)
    result = run(text, made, probe=6.0, decimals=9)
    assert result.stopped == ""
    found = deviation.project(result.table, nominal, stylus=3.0)
    at = found[["foot_x", "foot_y", "foot_z"]].to_numpy()
    truth = made.left(at, found[["nx", "ny", "nz"]].to_numpy(), np.zeros(9, int))
    assert truth.min() < -0.129
    slope = 1.717 * 0.16 / 8.0
    assert np.abs(found["deviation"] - truth).max() < 1.5 * 3.0 * slope**2
    assert found["deviation"].iloc[4] == pytest.approx(-0.13, abs=1e-4)  # the slope is zero at the deepest point


def test_scale_error_looks_like_a_part_of_another_size():
    """A box touched on both ends by a machine whose X is 200 um/m wrong: short by that much of its 60 mm and ball."""
    box = shapes.box()
    text = probing_text(targets_at([[30.0, 0, 0], [-30.0, 0, 0]], [[1.0, 0, 0], [-1.0, 0, 0]]))
    table = run(text, box, probe=6.0, errors=(Scale(x=200.0),), decimals=9).table
    found = deviation.project(table, box, stylus=3.0)
    np.testing.assert_allclose(found["deviation"], -33.0 * 200e-6 / 1.0002, atol=3e-7)
