"""The shipped demo, written anywhere."""

from __future__ import annotations

import shutil
from pathlib import Path

from .errors import InputError

__all__ = ["demo_folder", "write_demo"]

_FILES = (
    *("study.toml", "study_mesh.toml", "foil.step", "foil.3mf", "foil.stl"),
    *("milling.nc", "touches.csv", "truth.json"),
)


def demo_folder() -> Path:
    """The folder that holds the demo: inside an installed package, or in the source tree.

    Raises
    ------
    InputError
        If this installation has no demo.
    """
    here = Path(__file__).parent
    for folder in (here / "demo_data", here.parent / "data"):
        if (folder / "foil" / "study.toml").is_file():
            return folder
    raise InputError("this installation of probekit has no demo", file=here, todo="Install it again.")


def write_demo(folder: str | Path) -> list[Path]:
    """Write the demo study into a folder, which is made if need be.

    Parameters
    ----------
    folder : str or Path
        Files of the same names that are there already are not touched.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If the folder holds one of the files already, or cannot be written to.
    """
    folder, source = Path(folder), demo_folder()
    pairs = [(source / "foil" / name, folder / name) for name in _FILES] + [
        (source / "README.md", folder / "README.md")
    ]
    for _, to in pairs:
        if to.exists():
            raise InputError("a file with that name exists already", file=to, todo="Choose a new or empty folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for origin, to in pairs:
            shutil.copyfile(origin, to)
    except OSError as error:
        raise InputError(f"the demo cannot be written ({error.strerror})", file=folder) from None
    return [to for _, to in pairs]
