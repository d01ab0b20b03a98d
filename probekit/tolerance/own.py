"""A check of one's own: a function in a module beside the study file that makes an `Evaluation`.

Caution: a study that names such a function runs the code of that module, with the rights of whoever runs the study.
Inspect a study from a stranger only after reading the modules it names.
"""

from __future__ import annotations

import hashlib
import importlib
import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from ..errors import InputError
from ..making import takes
from ..show import shown
from .evaluation import Evaluation
from .spec import Tolerance

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = ["OFFERED", "Own", "function_of"]

OFFERED = ("name", "nominal")  # what a function is given if it takes it, and no key of the table sets for it


@shown
@dataclass(frozen=True, kw_only=True)
class Own(Tolerance):
    """A check of one's own.

    Attributes
    ----------
    function : callable
        Called with the table of deviations, and by name with those of `width`, `features`, `between` that are stated,
        with `options`, and with `name` and `nominal` if it takes them. It returns an `Evaluation`.
    options : mapping
        What the study says besides.
    code : str
        Where the function is from, for a note of the evaluation.
    """

    function: Callable[..., Evaluation]
    options: Mapping[str, Any]
    code: str = ""

    characteristic: ClassVar[str] = "own check"

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, _free: Freedom) -> Evaluation:
        stated = {"width": self.width, "features": self.features or None, "between": self.between}
        offered = {key: value for key, value in zip(OFFERED, (self.name, nominal), strict=True)}
        own = {key: value for key, value in offered.items() if key in takes(self.function)}
        own |= {key: value for key, value in stated.items() if value is not None}
        try:
            one = self.function(deviations, **own, **self.options)
        except InputError:
            raise
        except Exception as error:
            what = f"tolerance '{self.name}': the check failed with {type(error).__name__}: {error}"
            raise InputError(what, todo=f"Mend the function, {self.code}.") from error
        if not isinstance(one, Evaluation):
            raise InputError(
                f"tolerance '{self.name}': a check returns an Evaluation",
                found=type(one).__name__,
                todo="Make it by Evaluation.by_touch or Evaluation.as_whole.",
            )
        return replace(one, name=self.name, notes=(*one.notes, *((f"judged by {self.code}",) if self.code else ())))

    @property
    def frame(self) -> str:
        """A check of one's own has no feature control frame: its name and width."""
        return f"{self.name}: {self._amount()}"

    def _amount(self) -> str:
        return "" if self.width is None else f"{self.width:g} mm"

    def _repr_svg_(self) -> None:
        return None


def function_of(kind: str, folder: Path) -> tuple[Callable[..., Evaluation], str]:
    """The function that "module:function" names, in a module of a folder, and what code that is.

    Parameters
    ----------
    kind : str
        Such as "checks:waviness" or "ours.checks:waviness". The module is imported, anew at each call.
    folder : Path
        Where the module must be.

    Raises
    ------
    InputError
        If it names no function of a module there, or the module cannot be imported.
    """
    if not re.fullmatch(r"[^\W\d]\w*(\.[^\W\d]\w*)*:[^\W\d]\w*", kind):
        raise InputError("this names no check", found=kind, expected="module:function, the module beside the study")
    module, _, name = kind.partition(":")
    source = (folder / Path(*module.split("."))).with_suffix(".py").resolve()
    if not source.is_file():
        raise InputError("there is no such module in the folder of the study", found=kind, expected=str(source))
    loaded = _imported(module, folder.resolve(), source)
    function = getattr(loaded, name, None)
    if not callable(function):
        raise InputError("the module has no such function", found=kind, todo=f"Define {name} in {source.name}.")
    return function, f"the check {kind}, {source.name} with SHA-256 {hashlib.sha256(source.read_bytes()).hexdigest()}"


def _imported(module: str, folder: Path, source: Path) -> Any:
    before = sys.modules.pop(module, None)
    sys.path.insert(0, str(folder))
    importlib.invalidate_caches()
    try:
        loaded = importlib.import_module(module)
    except Exception as error:
        what = f"the module of a check cannot be imported: {type(error).__name__}: {error}"
        raise InputError(what, found=source.name) from error
    finally:
        sys.path.remove(str(folder))
        if before is not None and getattr(before, "__file__", None) != str(source):
            sys.modules[module] = before  # a module of the same name from elsewhere stays what it was
    if Path(str(loaded.__file__)).resolve() != source:
        raise InputError("another module has that name", found=str(loaded.__file__), todo="Rename the module.")
    return loaded
