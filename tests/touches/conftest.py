from pathlib import Path

import numpy as np
import pandas as pd
import pytest

HEAD = "# unit: mm\n# recorded: centre\n"
NAMES = "touch,feature,x0,y0,z0,i,j,k,x,y,z,reason\n"
ROWS = (
    "1,upper,10.0,5.0,12.5,0,0,1,10.001,5.0,15.512,\n"
    "2,upper,20.0,5.0,12.1,0,0,1,20.002,5.001,15.098,\n"
    "3,bore,40.0,0.0,6.0,1,0,0,,,,no trigger\n"
)


@pytest.fixture
def save(tmp_path):
    """Write text (UTF-8 unless said otherwise) or bytes to a file; give its path."""

    def save_to(content: str | bytes, encoding: str = "utf-8") -> Path:
        path = tmp_path / "run.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return save_to


@pytest.fixture
def good() -> str:
    """A small file without a fault: metadata on lines 1 and 2, header on line 3, touches on lines 4 to 6."""
    return HEAD + NAMES + ROWS


@pytest.fixture
def sphere_table() -> pd.DataFrame:
    """Touches all over a sphere (radius 40 mm, not about the origin), ball centres 2 mm outside, noise of 5 um."""
    rng = np.random.default_rng(20)
    normal = rng.normal(size=(60, 3))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    target = np.array([70.0, 20.0, 35.0]) + 40.0 * normal
    measured = target + 2.0 * normal + rng.normal(scale=0.005, size=(60, 3))
    columns = {
        "touch": np.arange(1, 61),
        "feature": ["ball"] * 60,
        **dict(zip(("x0", "y0", "z0"), target.T, strict=True)),
        **dict(zip(("i", "j", "k"), normal.T, strict=True)),
        **dict(zip(("x", "y", "z"), measured.T, strict=True)),
        "reason": [""] * 60,
    }
    table = pd.DataFrame(columns)
    table.attrs = {"unit": "mm", "recorded": "centre"}
    return table
