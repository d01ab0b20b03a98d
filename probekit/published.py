"""Sets of files that one run leaves in a folder: published together, never mixed with those of another run.

When a run begins, what an earlier run left is moved into ``old/KIND``, and in place of its page stands one that says
that a run is under way; if the run is refused, that page says so, and why. Its own files are written into a hidden
folder beside and then moved in, the page last. ``KIND.sha256`` lists them with their checksums (as ``sha256sum -c``
reads it). So a kill at any moment leaves the old set or the new one whole, or a set that is seen not to be whole.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path

from .errors import InputError, ProbekitError, in_full
from .files import alone, make_folder, store
from .show import shown

__all__ = ["ResultSet"]

_MARK = b"<!doctype html><!-- probekit: no results -->"
_LINE = re.compile(r"([0-9a-f]{64})  ([^/\\\0]+)")
_STALE = 3600.0  # seconds after which a hidden folder of publishing is one that a killed run left


@shown
@dataclass(frozen=True)
class ResultSet:
    """A set of files that one kind of run leaves in a folder.

    Attributes
    ----------
    folder : Path
        Made if need be.
    kind : str
        What kind of run: the name of the checksum file and of the folder in ``old``.
    page : str
        The HTML file that stands for the set: moved in last, replaced by a page that says so if there are no results.
    names : collection of str
        Files that such a run may leave, for folders without a checksum file. Without any, only what certainly is of
        an earlier run is moved away: the page, and files with the checksum that is listed.
    keep : collection of Path
        Files that are never moved: inputs.
    """

    folder: Path
    kind: str
    page: str
    names: Collection[str] = ()
    keep: Collection[Path] = ()

    @property
    def checksums(self) -> Path:
        """The file that lists the set."""
        return self.folder / f"{self.kind}.sha256"

    @property
    def old(self) -> Path:
        """Where the set of the run before goes."""
        return self.folder / "old" / self.kind

    def check(self) -> tuple[str, ...]:
        """Names of the files of the set, all there and from one run.

        Raises
        ------
        InputError
            If there is no set, or a file is missing or not of this run.
        """
        listed = self._listed()
        if not listed:
            raise InputError("there are no results of a completed run", file=self.checksums)
        for name, expected in listed.items():
            found = self._sum(name)
            if found != expected:
                raise InputError(
                    "this file is not from the same run as the others",
                    file=self.folder / name,
                    found=found,
                    expected=f"SHA-256 {expected}",
                    todo="Run the command again.",
                )
        return tuple(listed)

    def left(self, name: str) -> bytes | None:
        """Content of a file of the last completed run, here or in `old`; None if it is not as that run wrote it."""
        for there in (self, replace(self, folder=self.old)):
            expected = there._listed().get(name)
            if expected is not None:
                with suppress(OSError):
                    content = (there.folder / name).read_bytes()
                    return content if hashlib.sha256(content).hexdigest() == expected else None
        return None

    @contextmanager
    def running(self, command: str) -> Iterator[None]:
        """Around a run: the results of the one before are moved away; if it does not come to its end, a page says so.

        Parameters
        ----------
        command : str
            What is running, for the page.

        Raises
        ------
        InputError
            If the old results cannot be moved: the folder is read-only, or a program holds one of them open; if
            nothing can be written there; or if another run makes results there.
        """
        self._check_writable()
        if not self.folder.is_dir():
            yield  # a folder that is not there yet is made when the results are
            return
        with alone(self.folder / f".{self.kind}.running", "makes results"):
            yield from self._run(command)

    def _run(self, command: str) -> Iterator[None]:
        self._sweep()
        if not self._retire() and not self._is_told():
            yield  # a folder without results stays as it is until there are some
            return
        self._tell(f"{command} is running, or was terminated from outside.", "Wait until it ends, or run it again.")
        try:
            yield
        except BaseException as error:
            self._tell(f"{command} was not completed.", _why(error))
            raise

    @contextmanager
    def publishing(self) -> Iterator[Path]:
        """A folder to write the set into; at the end its files are moved in, all or none.

        Yields
        ------
        Path
            A hidden folder in `folder`.

        Raises
        ------
        InputError
            If a file cannot be written or moved; no file of this set is there then.
        """
        make_folder(self.folder)
        part = make_folder(self.folder / f".{self.kind}.{secrets.token_hex(6)}.part")
        try:
            yield part
            names = sorted(path.name for path in part.iterdir())
            lines = (f"{hashlib.sha256((part / name).read_bytes()).hexdigest()}  {name}\n" for name in names)
            store(part / self.checksums.name, "".join(lines).encode())
            with alone(self.folder / f".{self.kind}.lock", "writes results", wait=30.0):
                self._retire(names)
                self._move_in(part, [self.checksums.name, *(n for n in names if n != self.page), self.page])
        except InputError as error:
            if error.file is None or Path(error.file).parent != part:
                raise
            raise InputError(error.what, file=self.folder / Path(error.file).name, todo=error.todo) from None
        finally:
            shutil.rmtree(part, ignore_errors=True)

    def _check_writable(self) -> None:
        """Tell before a long run, not after it, that the folder cannot be written to."""
        there = next((one for one in (self.folder, *self.folder.absolute().parents) if os.path.lexists(one)), None)
        if there is None or not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
            raise InputError(
                "the folder for the results cannot be written to",
                file=self.folder,
                found=None if there is None else f"{there} is {'read-only' if there.is_dir() else 'no folder'}",
                todo="Choose another folder with --to. Its contents are from an earlier run.",
            )

    def _listed(self) -> dict[str, str]:
        """Name -> checksum of the set that is there, as far as its list can be read."""
        try:
            text = self.checksums.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            return {}
        return {match[2]: match[1] for match in map(_LINE.fullmatch, text.splitlines()) if match}

    def _sum(self, name: str) -> str:
        path = self.folder / name
        return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "no file"

    def _is_told(self, name: str | None = None) -> bool:
        """Whether the page is one that says that there are no results."""
        try:
            with (self.folder / (name or self.page)).open("rb") as stream:
                return stream.read(len(_MARK)) == _MARK
        except OSError:
            return False

    def _tell(self, what: str, more: str) -> None:
        """Put a page in place of the results; if that cannot be, there is none, which says the same."""
        left = [path.stat().st_mtime for path in self.old.glob("*")] if self.old.is_dir() else []
        before = ""
        if left:
            when = time.strftime("%Y-%m-%d %H:%M", time.localtime(max(left)))
            before = (
                f"The results of the previous run, of {when}, are in the folder old/{self.kind}. They say nothing "
                "about the present study and its files."
            )
        lines = "".join(f"<p>{escape(line)}</p>" for line in (what, more, before) if line)
        text = '<html lang="en"><meta charset="utf-8"><title>No results</title><h1>No results</h1>' + lines
        with suppress(InputError):
            store(self.folder / self.page, _MARK + text.encode() + b"</html>\n")

    def _retire(self, more: Collection[str] = ()) -> bool:
        """Move what an earlier run left into `old`; whether there was anything."""
        kept = {os.path.realpath(path) for path in self.keep}
        listed = [name for name, checksum in self._listed().items() if self.names or self._sum(name) == checksum]
        wanted = dict.fromkeys([self.page, self.checksums.name, *listed, *self.names, *more])
        here = [
            name
            for name in wanted
            if os.path.lexists(self.folder / name)
            and os.path.realpath(self.folder / name) not in kept
            and not self._is_told(name)
        ]
        if not here:
            return False
        make_folder(self.old.parent)
        part = make_folder(self.old.with_name(f".{self.kind}.{secrets.token_hex(6)}.part"))
        moved: list[str] = []
        try:
            for name in here:
                os.replace(self.folder / name, part / name)
                moved.append(name)
            if self.old.is_dir():
                shutil.rmtree(self.old)
            os.replace(part, self.old)
        except OSError as error:
            for name in moved:
                with suppress(OSError):
                    os.replace(part / name, self.folder / name)
            with suppress(OSError):
                part.rmdir()
            raise InputError(
                f"a file of an earlier run cannot be moved away ({error.strerror or error})",
                file=self.folder / here[min(len(moved), len(here) - 1)],
                todo="Close the program that holds it open, or choose another folder with --to. The contents "
                "of the folder are from the earlier run.",
            ) from None
        return True

    def _move_in(self, part: Path, names: list[str]) -> None:
        moved: list[str] = []
        try:
            for name in names:
                os.replace(part / name, self.folder / name)
                moved.append(name)
        except OSError as error:
            for name in moved:
                with suppress(OSError):
                    (self.folder / name).unlink()
            raise InputError(
                f"the file cannot be written ({error.strerror or error})",
                file=self.folder / name,
                todo="Close the program that holds it open, or choose another folder with --to.",
            ) from None

    def _sweep(self) -> None:
        """Take away hidden folders of publishing that killed runs left."""
        for part in self.folder.glob(f".{self.kind}.*.part"):
            with suppress(OSError):
                if time.time() - part.stat().st_mtime > _STALE:
                    shutil.rmtree(part)


def _why(error: BaseException) -> str:
    if isinstance(error, ProbekitError):
        return in_full(error)
    return f"An internal fault of probekit: {error!r}" if isinstance(error, Exception) else "It was interrupted."
