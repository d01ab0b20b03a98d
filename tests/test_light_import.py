"""What a second inspection of the demo imports: no CAD kernel, and nothing that it does not use."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parent.parent / "data" / "foil" / "study.toml"

#: What must not come back, and what it is for.
UNUSED = {
    "OCP": "the CAD kernel",
    "probekit.machine.virtual": "the virtual machine",
    "probekit.machine.errors": "its errors",
    "probekit.plan.access.reach": "whether the probe reaches",
    "probekit.plan.route": "the order of touches",
    "probekit.program.reading.interpreter": "programs read",
    "probekit.program.writing.write": "programs written",
    "probekit.program.checking": "programs checked",
    "probekit.study.preparation": "plan and program",
    "probekit.draft": "drafts of studies",
    "probekit.widgets": "notebooks",
    "scipy.io": "files",
    "scipy.stats": "statistics",
    "scipy.signal": "signals",
    "trimesh": "mesh files",
    "matplotlib": "plots",
    "IPython": "notebooks",
}

CODE = """if True:
    import sys
    from probekit.cli import main
    main(["inspect", sys.argv[1], "--to", sys.argv[2], "--quiet"])
    print(*sorted(sys.modules), sep="\\n")
"""


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    pytest.importorskip("OCP")
    folder = tmp_path_factory.mktemp("light")
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", CODE, str(STUDY), str(folder / "out")],
            capture_output=True,
            text=True,
            check=True,
            env=os.environ | {"PROBEKIT_CACHE": str(folder / "cache")},
        )
    return set(done.stdout.split())


@pytest.mark.parametrize("name", UNUSED)
def test_a_second_inspection_does_not_import(name: str, imported: set[str]) -> None:
    assert not [one for one in imported if one == name or one.startswith(f"{name}.")], UNUSED[name]
    assert "probekit.study.inspection" in imported
