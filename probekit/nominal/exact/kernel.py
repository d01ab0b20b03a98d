"""The CAD kernel, imported when first needed: it is an optional extra."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import ModuleType
from typing import Any

from ...errors import ProbekitError, how_to_install

__all__ = ["MissingKernelError", "Progress", "kernel", "records"]

#: Told the name of each step as it begins, and the part of the job done so far (0 to 1).
Progress = Callable[[str, float], None]


class MissingKernelError(ProbekitError, ImportError):
    """The CAD kernel is not installed."""


@cache
def kernel(*modules: str) -> tuple[ModuleType, ...]:
    """Modules of the CAD kernel by name, its chatter on standard output switched off.

    Asked thousands of times in one load: what was found once is kept.

    Raises
    ------
    MissingKernelError
        If the extra is not installed, with the line that installs it.
    """
    import importlib

    try:
        message = importlib.import_module("OCP.Message")
        found = tuple(importlib.import_module(f"OCP.{name}") for name in modules)
    except ImportError as error:
        raise MissingKernelError(
            f"STEP files need the CAD kernel ({error}). {how_to_install('step')} "
            "(on Debian also install the system packages libgl1 and libx11-6)."
        ) from error
    messenger = message.Message.DefaultMessenger_s()
    for printer in list(messenger.Printers()):
        messenger.RemovePrinter(printer)
    return found


def records(reader: Any, kind: Any) -> list[Any]:
    """Records of a STEP file of one of the kernel's types, or of one derived from it, in the order of the file.

    The kernel sorts them out: of a large file, one by one takes seconds.
    """
    (select,) = kernel("IFSelect")
    chosen = select.IFSelect_SelectType(kind.get_type_descriptor_s())
    chosen.SetInput(select.IFSelect_SelectModelEntities())
    found = reader.WS().SelectionResult(chosen)
    return [found.Value(k) for k in range(1, found.Length() + 1)]
