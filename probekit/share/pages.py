"""The pages of a folder, listed once at the start; nothing in a request ever names a file."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..report.page import shipped_scripts
from ..settle import merge, render
from ..settle.answers import Answer
from ..settle.pages import LONGEST_PAGE, Page, page_from, reading_page
from ..show import shown

__all__ = ["ChangedError", "SharedPage", "pages_of"]

_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">\n?')
_ANY_POLICY = re.compile("content-security-policy", re.IGNORECASE)

#: What the policy of a page may allow, beside scripts and styles by their checksums.
_ALLOWED = {"default-src": "'none'", "img-src": "data:", "base-uri": "'none'", "form-action": "'none'"}


class ChangedError(InputError):
    """A page that is no longer what it was when the folder was shared."""


@shown
@dataclass(frozen=True)
class SharedPage:
    """A page of the folder.

    Attributes
    ----------
    id : str
        In its address; from its content, so that an address always shows the same.
    name : str
        Name of its file.
    path : Path
    digest : str
        SHA-256 of the file.
    page : Page
        What it is, without its text.
    policy : str
        Content-Security-Policy under which it is served.
    answered : bool
        Whether it has a place for answers; a plan, a history, two parts side by side are for reading.
    """

    id: str
    name: str
    path: Path
    digest: str
    page: Page
    policy: str
    answered: bool = True

    @property
    def sentence(self) -> str:
        """Which page."""
        if not self.answered:
            return f"{self.name}: {self.page.subject['title']}, for reading"
        return f"{self.name}: {self.page.sentence}"

    def read(self) -> Page:
        """The page with its text, if the file is still what it was.

        Raises
        ------
        ChangedError
            If it is not.
        """
        try:
            data = _content(self.path)
        except OSError:
            data = b""
        if hashlib.sha256(data).hexdigest() != self.digest:
            raise ChangedError("the page was changed after the folder was shared", file=self.name)
        return replace(self.page, text=data.decode("utf-8-sig").replace("\r\n", "\n"))

    def served(self, answers: Iterable[Answer]) -> tuple[str, str]:
        """The page with its answers, in the two parts between which `share_tag` goes."""
        page = self.read()
        text = page.text if not self.answered else render(page, merge(page, answers))
        place = _POLICY.search(text)
        if place is None:  # it was there when the page was listed, and the text is the same
            raise ChangedError("the page has no policy", file=self.name)
        tag = f'<meta http-equiv="Content-Security-Policy" content="{self.policy}">\n'
        return text[: place.start()] + tag, text[place.end() :]


def share_tag(about: dict[str, Any]) -> str:
    """What tells the script of a page that it is shared, by whom it is looked at, and where answers go."""
    return f'<meta name="probekit-share" content="{escape(json.dumps(about), quote=True)}">\n'


def pages_of(folder: str | Path) -> tuple[dict[str, SharedPage], list[str]]:
    """The pages in a folder that can be shared, and why others are not.

    Links to files are never followed, and only the folder itself is looked into.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    pages : dict of str to SharedPage
        By id, in the order of their names.
    left_out : list of str
        File and reason, of each other HTML file.

    Raises
    ------
    InputError
        If there is no such folder, or no page in it.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError("there is no such folder", file=folder)
    home, found, left_out = os.path.realpath(folder), {}, []
    for path in sorted(folder.iterdir(), key=lambda one: one.name):
        if path.suffix.lower() not in (".html", ".htm"):
            continue
        try:
            if path.is_symlink() or not path.is_file() or os.path.dirname(os.path.realpath(path)) != home:
                raise InputError("it is no file of this folder, but a link to another place")
            one = _listed(path)
            found[one.id] = one
        except (InputError, OSError, UnicodeDecodeError) as error:
            left_out.append(f"{path.name}: {getattr(error, 'what', None) or error}")
    if not found:
        raise InputError(
            "there is no page to share in this folder",
            file=folder,
            found="; ".join(left_out) or "no HTML file",
            expected="a page that probekit wrote",
        )
    return found, left_out


def _listed(path: Path) -> SharedPage:
    data = _content(path)
    digest = hashlib.sha256(data).hexdigest()
    text = data.decode("utf-8-sig")
    answered = '<section id="answers"' in text
    page = page_from(text, source=path.name) if answered else reading_page(text, source=path.name)
    if not page.intact:
        raise InputError("its text is not as probekit wrote it")
    return SharedPage(digest[:16], path.name, path, digest, replace(page, text=""), _policy_of(text), answered)


def _policy_of(text: str) -> str:
    """The policy of a page, with leave to speak to this server, if it runs nothing but what probekit ships."""
    outside = re.sub(r"<(script|style)[^>]*>.*?</\1>", "", text, flags=re.DOTALL)
    stated = _POLICY.findall(outside)
    if len(stated) != 1 or len(_ANY_POLICY.findall(outside)) != 1:
        raise InputError("it has no policy, or two")
    found = dict(one.split(" ", 1) for one in stated[0].split("; ") if " " in one)
    scripts, styles = (set(found.pop(name, "").split()) for name in ("script-src", "style-src"))
    if found != _ALLOWED or not all(re.fullmatch(r"'sha256-[A-Za-z0-9+/=]+'", one) for one in styles):
        raise InputError("its policy allows what a page of probekit does not need")
    if not scripts <= {f"'{one}'" for one in shipped_scripts()}:
        raise InputError("it was made by another version of probekit: make it again with probekit inspect")
    return str(stated[0].replace("base-uri", "connect-src 'self'; base-uri", 1))


def _content(path: Path) -> bytes:
    with path.open("rb") as stream:
        data = stream.read(LONGEST_PAGE + 1)
    if len(data) > LONGEST_PAGE:
        raise InputError("it is too long for a page")
    return data
