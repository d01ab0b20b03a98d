"""What people answer on a page: answers as data, checked against the page they name, merged, written into the page.

An answer names the page by the SHA-256 of its data blocks, and its text by the edition, so that an answer for another
page is refused and a changed page is found. Nothing here decides: several answers are put beside each other, as they
are. A decision on a page does not move the machine.
"""

from .merging import merge
from .pages import read_answers, read_page
from .render import render
from .signing import new_key, sign

__all__ = ["merge", "new_key", "read_answers", "read_page", "render", "sign"]
