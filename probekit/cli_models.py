"""Commands that look into a model: the study that its tolerances ask for, and its faces."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from .console import say
from .errors import InputError

__all__ = ["add_commands"]


def add_commands(commands: Any) -> None:
    """Add the commands to those of the command line."""
    draft = commands.add_parser(
        "draft",
        help="draft a study file from the tolerances that a STEP model carries",
        description="Write a draft study file from the semantic tolerances of a STEP AP242 model. What cannot be "
        "judged or was not understood is written as comments; what only you can know is marked 'fill in'.",
    )
    draft.add_argument("model", type=Path, help="the STEP file")
    draft.add_argument(
        "--to", type=Path, metavar="FILE", help="file for the draft (default: study.toml, beside the model)"
    )
    draft.add_argument(
        "--touches", default="touches.csv", metavar="NAME", help="results file that the study is to name"
    )
    draft.add_argument("--body", metavar="NAME", help="one of several bodies, by name or path; * for all together")
    draft.set_defaults(run=_draft)
    faces = commands.add_parser(
        "faces",
        help="list the faces of a model, with pictures that show their names",
        description="List the faces of a model, or of a study's part as the study names them: kind, size, place. "
        "Writes faces.html, to choose faces from, and faces.svg.",
    )
    faces.add_argument("model", type=Path, help="the model, or a study file")
    faces.add_argument("--to", type=Path, metavar="FOLDER", help="where they go (default: results beside the model)")
    faces.add_argument("--unit", help="unit of a model that does not say it, such as mm")
    faces.add_argument("--body", metavar="NAME", help="one body of several, by name or path; * for all together")
    faces.set_defaults(run=_faces)


def _draft(options: argparse.Namespace) -> int:
    from . import cache, nominal
    from .draft import draft_study
    from .files import store
    from .nominal.exact.pmi_kept import read_pmi_once

    to = options.to or options.model.parent / "study.toml"
    if to.exists():
        raise InputError("a file with that name exists already", file=to, todo="Choose another name with --to.")
    part = nominal.load(options.model, body=options.body, cache=True)
    pmi = read_pmi_once(options.model, part, cache.folder(), body=options.body)
    try:
        model = os.path.relpath(options.model, to.parent)
    except ValueError:  # on another drive of Windows
        model = os.path.abspath(options.model)
    text = draft_study(Path(model).as_posix(), pmi, part, touches=options.touches, body=options.body)
    store(to, text.encode("utf-8"))
    say(pmi.sentence)
    say(f"written: {to}; replace every 'fill in' in it, then run: probekit inspect {to}")
    return 0


def _faces(options: argparse.Namespace) -> int:
    from . import nominal, study
    from .files import make_folder, store
    from .nominal.load import implausible_size
    from .report.faces_page import faces_page
    from .scene.face_pictures import face_pictures, faces_svg

    if options.model.suffix.lower() == ".toml":
        part = study.model.nominal_of(study.load(options.model))
    else:
        part = nominal.load(options.model, unit=options.unit, body=options.body, cache=True)
    listed, pictures = nominal.list_faces(part), face_pictures(part)
    folder = make_folder(options.to or options.model.parent / "results")
    store(folder / "faces.svg", faces_svg(pictures).encode("utf-8"))
    page = faces_page(listed, pictures, title=part.name, to=folder / "faces.html")
    if part.brep is not None and len(part.brep.bodies) > 1:
        say("bodies in the file: " + ", ".join(part.brep.bodies))
    say(nominal.face_list.faces_text(listed))
    if said := implausible_size(part):
        say(f"note: {said}")
    say(f"written: {page}, {folder / 'faces.svg'}")
    return 0
