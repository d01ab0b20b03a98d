"""Rooms whose parts are imported when they are first used, because most runs need few of them."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping

__all__ = ["on_first_use", "pandas_alone"]


def pandas_alone() -> None:
    """Import pandas without pyarrow, which pandas takes along if it is installed: 40 MB and 0.2 s that one run of a
    study does not need.

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
