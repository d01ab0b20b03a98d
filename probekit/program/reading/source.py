"""The text of a program from bytes, and back to the same bytes."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from pathlib import Path

from ...errors import InputError
from ...show import shown

__all__ = ["Source", "load"]

MAX_BYTES = 100_000_000
MAX_LINES = 2_000_000

_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n|\Z)")


@shown
@dataclass(frozen=True)
class Source:
    """The text of a program and how it was stored.

    Attributes
    ----------
    text : str
        Without byte order mark; line ends as they were.
    encoding : str
        Name of the encoding.
    bom : bytes
        Byte order mark, b"" if none.
    notes : tuple of str
        What a reader should know about the way it was decoded.
    name : str
        File name, "" if it did not come from a file.
    """

    text: str
    encoding: str = "utf-8"
    bom: bytes = b""
    notes: tuple[str, ...] = ()
    name: str = ""

    @property
    def sentence(self) -> str:
        """Name, size and encoding in one line."""
        return f"{self.name or 'a text'}: {len(self.lines)} lines, {self.encoding}"

    def encode(self, text: str) -> bytes:
        """A text stored in the manner of this source.

        Parameters
        ----------
        text : str

        Raises
        ------
        InputError
            If the encoding has no such character.
        """
        try:
            return self.bom + text.encode(self.encoding)
        except UnicodeEncodeError as error:
            raise InputError(
                f"the text cannot be stored in {self.encoding} as the milling program is",
                found=error.object[error.start : error.end],
            ) from None

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines with their ends: LF, CR LF or CR and nothing else ends a line."""
        found = _LINE.findall(self.text)
        return tuple(found[:-1] if found and found[-1] == "" else found)


def load(program: str | bytes | Path | Source) -> Source:
    """Take a program as text, bytes or a path.

    Parameters
    ----------
    program : str, bytes, Path or Source
        A str is the text itself.

    Returns
    -------
    Source

    Raises
    ------
    InputError
        If the file cannot be read, holds a NUL, or is larger than 100 MB or two million lines.

    Notes
    -----
    UTF-8 with or without byte order mark, UTF-16 with one; anything else is read as Latin-1 with a note, which loses
    no byte.
    """
    if isinstance(program, Source):
        return program
    name = str(program) if isinstance(program, Path) else ""
    data = _bytes_of(program) if isinstance(program, Path) else program
    if len(data) > MAX_BYTES:
        raise InputError("the program is too large", file=name or None, found=len(data), expected="at most 100 MB")
    source = Source(data.removeprefix("\ufeff"), name=name) if isinstance(data, str) else _decoded(data, name)
    zero = source.text.find("\0")
    if zero >= 0:
        before = source.text[:zero].replace("\r\n", "\n").replace("\r", "\n")
        raise InputError(
            "there is a NUL character in the program",
            file=name or None,
            line=before.count("\n") + 1,
            todo="It is binary, damaged, or UTF-16 without a byte order mark: save it again as plain text.",
        )
    if max(source.text.count("\n"), source.text.count("\r")) > MAX_LINES:
        raise InputError("the program has too many lines", file=name or None, expected=f"at most {MAX_LINES}")
    return source


def _bytes_of(path: Path) -> bytes:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError("the program is too large", file=path, expected="at most 100 MB")
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"the program cannot be read ({error.strerror or error})", file=path) from None


def _decoded(data: bytes, name: str) -> Source:
    for bom, encoding in _BOMS:
        if data.startswith(bom):
            try:
                return Source(data[len(bom) :].decode(encoding), encoding, bom, (), name)
            except UnicodeDecodeError as error:
                raise InputError(
                    f"the program starts like {encoding} but is not", file=name or None, found=data[error.start :][:8]
                ) from None
    try:
        return Source(data.decode("utf-8"), "utf-8", b"", (), name)
    except UnicodeDecodeError as error:
        note = f"read as Latin-1: byte {data[error.start]:#04x} at {error.start} is not UTF-8"
        return Source(data.decode("latin-1"), "latin-1", b"", (note,), name)
