"""STEP files (ISO 10303) in, through the CAD kernel; what comes out is plain arrays (`Brep`)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from unicodedata import normalize

from ...errors import InputError, ProbekitError
from ...values import unseen
from ..faces import unique_names
from .brep import Brep
from .check import check_records, check_text
from .extent import explore
from .extract import extract
from .file_units import length_units, readable
from .kernel import Progress, kernel
from .meshed import facets_of

__all__ = ["chosen_bodies", "face_shapes", "kernel_failures", "read_step", "transfer"]

_SHOWN = 120  # characters of a name in a list


def read_step(
    path: Path, *, deflection: float | None = None, body: str | None = None, progress: Progress | None = None
) -> Brep:
    """Read the solids of a STEP file.

    Parameters
    ----------
    path : Path
    deflection : float, optional
        Largest distance of the facets from the exact surface [mm]; by default 1/10 000 of the diagonal, but 0.002 to
        0.05 mm, or 1/20 000 of more than a metre. Facets seed the exact search and are drawn; deviations do not
        depend on them.
    body : str, optional
        One body, or those below one assembly, by name or path ("Vice/Jaw_2"); "*" for all together. By default the
        solids of the one part that the file holds, or its surfaces if it has no solid.
    progress : callable, optional
        As of `probekit.nominal.load`.

    Returns
    -------
    Brep
        In millimetres, whatever the file's unit.

    Raises
    ------
    MissingKernelError
        If the CAD kernel is not installed.
    InputError
        If the file is not a whole STEP file, does not say its unit, holds no body with faces, none or several of that
        name, or several parts and none was chosen.
    """
    tell = progress or (lambda _step, _done: None)
    tell("checking the text of the file", 0.0)
    described = check_text(path)
    with kernel_failures(path):
        bodies, names, unit, colours, notes, _ = transfer(path, tell)
        made = _count_faces([shape for _, shape in bodies])
        if made < described:
            notes.append(f"of the {described} faces that the file describes the CAD kernel made {made}")
        chosen = chosen_bodies(path, bodies, body, notes)
        if body is None and len(chosen) > 1:
            notes.append(f"the part is of {len(chosen)} bodies, taken together")
        if body is not None and len(chosen) < len(bodies):
            notes.append(f"body {body!r} was chosen: {len(chosen)} of the {len(bodies)} bodies in the file")
        if body is None and len(chosen) < len(bodies):
            loose = ", ".join(name for name, shape in bodies if not _is_solid(shape))
            notes.append(f"loose surfaces were left out, because they belong to no solid: {loose}")
        brep = extract(path, chosen, names, colours, deflection, tell)
    return replace(brep, unit=unit, bodies=tuple(name for name, _ in bodies), notes=(*notes, *brep.notes))


@contextmanager
def kernel_failures(path: Path) -> Iterator[None]:
    """Say of which file nothing could be made.

    The kernel's own errors share no base but Exception in its binding, and what it hands on of a broken shape can fail
    anywhere in what is made of it; the cause is kept for those who look for it.
    """
    try:
        yield
    except (ProbekitError, MemoryError):
        raise
    except Exception as error:
        raise InputError(
            "the CAD kernel cannot interpret the STEP file",
            file=path,
            found=f"{type(error).__name__} {error}".strip(),
            todo="Export it again.",
        ) from error


def face_shapes(path: Path, brep: Brep, *, body: str | None = None) -> tuple[list[Any], Any]:
    """The kernel's faces behind the faces of a model, in its order, and the reader that they came from.

    Parameters
    ----------
    path : Path
        The file that `brep` was read from.
    brep : Brep
    body : str, optional
        The body that was chosen then.

    Raises
    ------
    InputError
        If the file does not give these faces.
    """
    with kernel_failures(path):
        return _face_shapes(path, brep, body)


def _face_shapes(path: Path, brep: Brep, body: str | None) -> tuple[list[Any], Any]:
    mesh, topods = kernel("BRepMesh", "TopoDS")
    bodies, *_, reader = transfer(path, lambda _step, _done: None)
    shapes = chosen_bodies(path, bodies, body)
    faces = [topods.TopoDS.Face(face) for shape in shapes for face in explore(shape, "FACE")]
    if len(faces) != len(brep.faces):  # those without facets were left out
        for shape in shapes:
            mesh.BRepMesh_IncrementalMesh(shape, brep.deflection, False, 0.35, True)
        faces = [face for face in faces if len(facets_of(face)[2])]
    if len(faces) != len(brep.faces):
        raise InputError(
            "the faces of the STEP file differ from those of the model",
            file=path,
            found=f"{len(faces)} faces",
            expected=f"{len(brep.faces)} faces",
            todo="Name the body that the model was loaded with.",
        )
    return faces, reader


def chosen_bodies(path: Path, bodies: list[tuple[str, Any]], body: str | None, notes: Iterable[str] = ()) -> list[Any]:
    """The bodies that are meant: those of one name or path, or of the one part that there is."""
    if not bodies:
        raise InputError(
            "the STEP file holds no solid and no shell",
            file=path,
            found=next((f"facets only: {note.rpartition(': ')[2]}" for note in notes if "facets only" in note), None),
            todo="Export the part as a solid body with exact surfaces, not as curves or facets.",
        )
    solids = [(name, shape) for name, shape in bodies if _is_solid(shape)] or bodies
    if body == "*":
        return [shape for _, shape in solids]
    if body is not None:
        return _named(path, bodies, body)
    parts = dict.fromkeys(_part_of(name) for name, _ in solids)
    if len(parts) > 1:
        raise InputError(
            "the STEP file holds several parts, and none was chosen",
            file=path,
            expected="one of " + _listed(name for name, _ in solids),
            todo='Name one: body = "..." in [part], or --body; body = "*" takes all together.',
        )
    return [shape for _, shape in solids]


def _named(path: Path, bodies: list[tuple[str, Any]], body: str) -> list[Any]:
    """Bodies of a path, whole or from its end on, or below it; of a part with several bodies, all."""
    body = normalize("NFC", body).strip()
    for fits in (
        lambda name: name == body,
        lambda name: _part_of(name) == body or name.startswith(f"{body}/"),
        lambda name: f"/{name}".endswith(f"/{body}"),
        lambda name: f"/{_part_of(name)}".endswith(f"/{body}") or f"/{body}/" in f"/{name}",
    ):
        found = [(name, shape) for name, shape in bodies if fits(name)]
        places = dict.fromkeys(_place_of(name, body) for name, _ in found)
        if len(places) > 1:
            raise InputError(
                "several bodies of the STEP file have that name",
                file=path,
                found=body,
                expected="one of " + _listed(name for name, _ in found),
                todo="Write more of its path.",
            )
        if found:
            return [shape for _, shape in found]
    raise InputError(
        "the STEP file has no body with that name",
        file=path,
        found=body,
        expected="one of " + _listed(name for name, _ in bodies),
    )


def _part_of(name: str) -> str:
    """Path of the part that a body is of: without the number that tells several bodies of one part apart."""
    return name.partition("#")[0]


def _place_of(name: str, body: str) -> str:
    """What of a path a name stands for: so much of it as ends with the name."""
    part = _part_of(name)
    if name == body or "#" in body:
        return name
    inside = f"/{part}/".find(f"/{body}/")
    return part if inside < 0 else f"/{part}/"[: inside + len(body) + 1]


def _listed(names: Iterable[str]) -> str:
    listed = [name if len(name) <= _SHOWN else f"{name[:_SHOWN]}..." for name in dict.fromkeys(names)]
    return ", ".join(listed[:40]) + (f" and {len(listed) - 40} more" if len(listed) > 40 else "")


def _is_solid(shape: Any) -> bool:
    (topabs,) = kernel("TopAbs")
    return shape.ShapeType() == topabs.TopAbs_ShapeEnum.TopAbs_SOLID


def _count_faces(shapes: list[Any]) -> int:
    """Number of faces, those of a part that stands in several places counted once."""
    collections, toploc = kernel("collections", "TopLoc")
    seen = collections.IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher()
    for shape in shapes:
        for face in explore(shape, "FACE"):
            seen.Add(face.Located(toploc.TopLoc_Location()))
    return seen.Extent()


def transfer(
    path: Path, tell: Progress, *, facets: bool = False
) -> tuple[list[tuple[str, Any]], list[tuple[Any, str]], str, list[tuple[Any, Any]], list[str], Any]:
    """Bodies with names, named faces, the file's unit of length, coloured faces, notes, the kernel's reader.

    With `facets`, bodies of facets alone are among them.
    """
    caf, tdoc, tcoll, xcaf, collections, interface, select = kernel(
        "STEPCAFControl", "TDocStd", "TCollection", "XCAFDoc", "collections", "Interface", "IFSelect"
    )
    document = tdoc.TDocStd_Document(tcoll.TCollection_ExtendedString("probekit"))
    reader = caf.STEPCAFControl_Reader()
    interface.Interface_Static.SetIVal_s("read.stepcaf.subshapes.name", 1)  # known only once a reader exists
    interface.Interface_Static.SetCVal_s("read.step.tessellated", "On" if facets else "Off")
    reader.SetNameMode(True)
    for unread in (reader.SetLayerMode, reader.SetPropsMode, reader.SetMatMode, reader.SetViewMode, reader.SetMetaMode):
        unread(False)
    tell("the CAD kernel reads the file", 0.03)
    with readable(path) as (copy, open_texts):
        if reader.ReadFile(str(copy)) != select.IFSelect_ReturnStatus.IFSelect_RetDone:
            raise InputError("the STEP file cannot be parsed", file=path, todo="Export it again.")
    notes, coloured = check_records(path, reader.ChangeReader())
    notes += open_texts
    reader.SetColorMode(coloured)
    units = length_units(path, reader.ChangeReader())
    tell("the CAD kernel makes the shapes", 0.12)
    if not reader.Transfer(document):
        raise InputError("the STEP file holds nothing that can be transferred", file=path)
    tool = xcaf.XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    roots = collections.Sequence_TDF_Label()
    tool.GetFreeShapes(roots)
    bodies: list[tuple[str, Any]] = []
    names: list[tuple[Any, str]] = []
    colours: list[tuple[Any, Any]] = []
    labels = [roots.Value(k) for k in range(1, roots.Length() + 1)]
    for label, called in zip(labels, unique_names([_step_of(one) for one in labels]), strict=True):
        _walk(label, None, None, (bodies, names, colours), called)
    if bodies and not units:
        raise InputError(
            "the STEP file does not state its unit of length", file=path, todo="Export it again, with a unit."
        )
    return bodies, names, ", ".join(units), colours, notes, reader


def _walk(label: Any, location: Any, colour: Any, found: tuple[list, list, list], trail: str) -> None:
    """Collect bodies of a label and of the components below it, each in its place, with names and colours of faces.

    `trail` is the path of the label: names of parts, those that stand several times in one assembly numbered.
    """
    bodies, names, colours = found
    xcaf, collections = kernel("XCAFDoc", "collections")
    shape_tool = xcaf.XCAFDoc_ShapeTool
    if shape_tool.IsAssembly_s(label):
        parts = collections.Sequence_TDF_Label()
        shape_tool.GetComponents_s(label, parts)
        below = [parts.Value(k) for k in range(1, parts.Length() + 1)]
        called = unique_names([_step_of(_referred(one)) for one in below])
        for part, name in zip(below, called, strict=True):
            own = shape_tool.GetLocation_s(part)
            place = own if location is None else location.Multiplied(own)
            _walk(_referred(part), place, _colour_of(part) or colour, found, f"{trail}/{name}")
        return
    shape = shape_tool.GetShape_s(label)
    if location is not None:
        shape = shape.Moved(location)
    solids, shells = list(explore(shape, "SOLID")), list(explore(shape, "SHELL", outside="SOLID"))
    several = len(solids) + len(shells) > 1
    bodies += [(f"{trail}#{k + 1}" if several else trail, body) for k, body in enumerate((*solids, *shells))]
    later: list[tuple[Any, Any]] = []
    subs = collections.Sequence_TDF_Label()
    shape_tool.GetSubShapes_s(label, subs)
    for k in range(1, subs.Length() + 1):
        sub, part = subs.Value(k), shape_tool.GetShape_s(subs.Value(k))
        if location is not None:
            part = part.Moved(location)
        text = _name_of(sub)
        if text:
            names.append((part, text))
        own = _colour_of(sub)
        if own is not None:
            # a colour of a body, or part of one, is that of its faces, unless they have their own
            more = (face for face in explore(part, "FACE") if not face.IsSame(part))
            colours.append((part, own))
            later += [(face, own) for face in more]
    whole = _colour_of(label) or colour
    if whole is not None:
        later += [(face, whole) for face in explore(shape, "FACE")]
    colours += later


def _step_of(label: Any) -> str:
    """What a label adds to a path: its name, without marks that nobody sees or that tell parts and bodies apart."""
    name = "".join("?" if unseen(mark) else mark for mark in _name_of(label))
    return (name or "body").replace("/", "_").replace("#", "_")


def _referred(label: Any) -> Any:
    xcaf, tdf = kernel("XCAFDoc", "TDF")
    target = tdf.TDF_Label()
    return target if xcaf.XCAFDoc_ShapeTool.GetReferredShape_s(label, target) else label


def _name_of(label: Any) -> str:
    (names,) = kernel("TDataStd")
    found, which = names.TDataStd_Name(), names.TDataStd_Name.GetID_s()
    if not (label.IsAttribute(which) and label.FindAttribute(which, found)):  # the latter crashes where there is none
        return ""
    # one letter with its accent, or two marks: nobody sees which, so that neither is found by the other
    return normalize("NFC", found.Get().ToExtString()).strip()


def _colour_of(label: Any) -> tuple[float, float, float] | None:
    xcaf, quantity = kernel("XCAFDoc", "Quantity")
    colour = quantity.Quantity_Color()
    for kind in (xcaf.XCAFDoc_ColorType.XCAFDoc_ColorSurf, xcaf.XCAFDoc_ColorType.XCAFDoc_ColorGen):
        if xcaf.XCAFDoc_ColorTool.GetColor_s(label, kind, colour):
            return colour.Red(), colour.Green(), colour.Blue()
    return None
