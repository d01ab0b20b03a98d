"""The demo part with tolerances and datums of one's own, through `probekit inspect`, and what that wrote."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from probekit.cli import main
from probekit.demo import demo_folder


def elsewhere(text: str, source: Path) -> str:
    """The text of a study of the demo, for another folder than that of the demo's files, which it permits."""
    for name in ("foil.step", "foil.3mf", "touches.csv"):
        text = text.replace(f'"{name}"', f'"{(source / name).as_posix()}"')
    return text + f'\n[study]\noutside = ["{source.as_posix()}"]\n'


def inspected(folder: Path, tolerances: str, datums: str | None = None) -> dict[str, dict[str, Any]]:
    """Evaluations by name, as results.json has them; all other tolerances of the demo are left out."""
    source = demo_folder() / "foil"
    text = (source / "study_mesh.toml").read_text(encoding="utf-8")
    start, end = text.index("[[tolerance]]"), text.index("[uncertainty]")
    text = text[:start] + tolerances + "\n" + text[end:]
    if datums is not None:
        text = re.sub(r"\[alignment\].*?(?=\[\[tolerance)", lambda _: datums + "\n", text, count=1, flags=re.DOTALL)
    path = folder / "study.toml"
    path.write_text(elsewhere(text, source), encoding="utf-8")
    main(["inspect", str(path), "--to", str(folder / "out"), "--quiet"])
    written = json.loads(next((folder / "out").rglob("results.json")).read_text(encoding="utf-8"))
    return {one["name"]: one for one in written["evaluations"]}
