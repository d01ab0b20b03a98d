"""Rooms whose parts are imported when they are first used, because most runs need few of them."""

from __future__ import annotations

import importlib
import os
import re
import sys
from collections.abc import Callable, Mapping
from functools import cache, partial
from pathlib import Path
from types import ModuleType

__all__ = ["installed_version", "lean_imports", "on_first_use"]


def lean_imports() -> None:
    """Import pandas, and the beginnings of scipy, without what they take along that one run of a study does not need.

    For pandas it is pyarrow (40 MB, 0.2 s). For scipy it is numpy's wrapper of Fortran and its tests, which scipy asks
    for when it copies all names of numpy, and the rewriting of 300 docstrings (0.3 s together). Whoever imports these
    later finds them as ever, but some functions of scipy have lost their docstrings: this is for the command line,
    where nobody reads them. What is imported already stays as it is.

    The threads of OpenBLAS, which numpy and scipy bring, spin for some 25 ms after each product of matrices in case
    another comes: a fifth of the processor time of a run. Here, and in processes started from here, they sleep at once,
    after 2^4 ticks of the clock. The sums stay the same bits, and whoever has set the variable is heeded.
    """
    os.environ.setdefault("OPENBLAS_THREAD_TIMEOUT", "4")  # read when numpy is imported
    _pandas_alone()
    if "scipy._lib._util" in sys.modules:
        return
    numpy = importlib.import_module("numpy")
    # `from numpy import *` asks for all that numpy would import on first use
    placed = [name for name in ("f2py", "testing") if name not in vars(numpy)]
    for name in placed:
        setattr(numpy, name, ModuleType(f"numpy.{name}"))
    try:
        _scipy_without_manuals()
    finally:
        for name in placed:
            if isinstance(vars(numpy).get(name), ModuleType) and f"numpy.{name}" not in sys.modules:
                delattr(numpy, name)


def _scipy_without_manuals() -> None:
    """Import what scipy marks its functions with, so that it takes their docstrings for empty."""
    try:
        scrape = importlib.import_module("scipy._lib._docscrape")
    except ImportError:
        return
    parsed = getattr(scrape, "FunctionDoc", None)
    if parsed is None:  # an inner part of scipy: where it is another, imports take the time that they took
        return
    vars(scrape)["FunctionDoc"] = partial(parsed, doc="")
    try:
        for name in ("_util", "_array_api", "deprecation"):
            importlib.import_module(f"scipy._lib.{name}")
    except Exception:
        return  # of another scipy, which does need them: what failed is imported anew as ever
    finally:
        vars(scrape)["FunctionDoc"] = parsed


def _pandas_alone() -> None:
    """Import pandas without pyarrow.

    Nothing happens if either is imported already. Afterwards pyarrow can be imported as ever: None in `sys.modules`
    makes an import fail, by the reference of the language.
    """
    if "pandas" in sys.modules or "pyarrow" in sys.modules:
        return
    sys.modules["pyarrow"] = None  # type: ignore[assignment]
    try:
        importlib.import_module("pandas")
    finally:
        del sys.modules["pyarrow"]


def installed_version(name: str) -> str:
    """Version of an installed distribution, as the name of its folder of metadata has it.

    The form of that name is that of the specification of recorded installed projects. Where no folder tells, the
    standard library is asked, whose import and parsing take 0.1 s.

    Parameters
    ----------
    name : str

    Raises
    ------
    importlib.metadata.PackageNotFoundError
        If it is not installed.
    """
    found = _folders_of_metadata().get(_normal(name))
    return importlib.import_module("importlib.metadata").version(name) if found is None else found


@cache
def _folders_of_metadata() -> dict[str, str]:
    """Names and versions of distributions, those first found by an import first."""
    found: dict[str, str] = {}
    for place in sys.path:
        for folder in Path(place).glob("*-*.dist-info"):
            name, _, version = folder.name.removesuffix(".dist-info").partition("-")
            found.setdefault(_normal(name), version)
    return found


def _normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def on_first_use(
    room: str, homes: Mapping[str, str] | None = None
) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    """`__getattr__` and `__dir__` of a package (PEP 562).

    Parameters
    ----------
    room : str
        The package: its `__name__`.
    homes : mapping, optional
        Module of the package -> names that the package exports from it, separated by blanks. No name may be that of a
        module beside it.
    """
    home_of = {name: home for home, names in (homes or {}).items() for name in names.split()}

    def get(name: str) -> object:
        if name in home_of:
            found: object = getattr(importlib.import_module(f"{room}.{home_of[name]}"), name)
        else:
            missing = AttributeError(f"module {room!r} has no attribute {name!r}")
            if name.startswith("_"):
                raise missing
            try:
                found = importlib.import_module(f"{room}.{name}")
            except ModuleNotFoundError as error:
                if error.name != f"{room}.{name}":
                    raise
                raise missing from None
        setattr(sys.modules[room], name, found)
        return found

    def names() -> list[str]:
        return sorted({*vars(sys.modules[room]), *home_of})

    return get, names
