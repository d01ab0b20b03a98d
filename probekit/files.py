"""Making folders, and writing files so that a reader never sees half of one."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from .errors import InputError

__all__ = ["make_folder", "store"]


def make_folder(path: str | Path) -> Path:
    """The folder, made with those above it if need be.

    Raises
    ------
    InputError
        If it cannot be made.
    """
    try:
        Path(path).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"the folder cannot be made ({error.strerror})", file=path) from None
    return Path(path)


def store(path: str | Path, data: bytes) -> None:
    """Write `data` to `path`: a temporary file in the same folder, then one rename, so never half a file.

    Raises
    ------
    InputError
        If the folder does not exist or cannot be written to; what stood at `path` is then still there.
    """
    path = Path(path)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with temporary.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except OSError as error:
        raise InputError(f"the file cannot be written ({error.strerror or error})", file=path) from None
    finally:
        temporary.unlink(missing_ok=True)
