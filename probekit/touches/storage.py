"""A file as text, with its checksum."""

from __future__ import annotations

import codecs
import hashlib
from pathlib import Path

from ..errors import InputError


def load(path: str | Path, encoding: str | None = None) -> tuple[str, str]:
    """The text of a file and the SHA-256 of its bytes.

    Parameters
    ----------
    path : str or Path
    encoding : str, optional
        As Python names it. Without it: UTF-16 if the file begins with its byte order mark, else UTF-8 (with or
        without one).

    Raises
    ------
    InputError
        If the file cannot be opened, is empty, is not in that encoding, or holds NUL bytes.
    """
    try:
        if Path(path).is_fifo():  # reading would wait for ever if nobody writes into it
            raise InputError("this is a pipe, not a file", file=path, todo="Save the results in a file first.")
        data = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"the file cannot be read ({getattr(error, 'strerror', None) or error})", file=path) from None
    text = _decoded(data, encoding, path)
    if not text.strip():
        raise InputError("the file is empty", file=path)
    if "\0" in text:
        raise InputError(
            "the file holds NUL bytes, so it is not plain text",
            file=path,
            line=text.count("\n", 0, text.index("\0")) + 1,
            expected="UTF-8 text (or UTF-16 that begins with a byte order mark)",
            todo="Save it as UTF-8, or name its encoding in read_text(encoding=...)",
        )
    return text, hashlib.sha256(data).hexdigest()


def _decoded(data: bytes, encoding: str | None, path: str | Path) -> str:
    utf16 = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    name = encoding or ("utf-16" if utf16 else "utf-8-sig")
    try:
        return data.decode(name).removeprefix("\ufeff")
    except LookupError:
        raise InputError("unknown encoding", file=path, found=name, expected="a name such as cp1252") from None
    except UnicodeDecodeError as error:
        raise InputError(
            f"the bytes are not {name.removesuffix('-sig').upper()} text",
            file=path,
            line=data.count(b"\n", 0, error.start) + 1,
            found=f"byte 0x{data[error.start]:02X}",
            todo="Save the file as UTF-8, or name its encoding in read_text(encoding=...), for example 'cp1252'",
        ) from None
