"""Bytes in and out: a file as text with its checksum, and a file written all or not at all."""

from __future__ import annotations

import codecs
import hashlib
import os
import secrets
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
        data = Path(path).read_bytes()
    except OSError as error:
        raise InputError(f"the file cannot be read ({error.strerror or error})", file=path) from None
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
