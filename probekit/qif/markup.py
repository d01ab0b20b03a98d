"""XML of strangers: read without entities, network, or a document type of its own, and walked by local names."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from .document import NAMESPACE, lxml_etree

if TYPE_CHECKING:
    from lxml import etree

__all__ = ["child", "local", "parsed", "texts"]


def parsed(data: bytes, path: str | Path) -> etree._Element:
    """The root of a QIF 3 document.

    Raises
    ------
    InputError
        If the bytes are no well-formed XML, declare a document type (entities come with one), are nested deeper or
        hold longer texts than the library allows, or are a document of another kind or version.
    """
    etree = lxml_etree()
    options = {"resolve_entities": False, "no_network": True, "load_dtd": False, "dtd_validation": False}
    parser = etree.XMLParser(**options, huge_tree=False, remove_comments=True, remove_pis=True)
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise InputError(
            "the file is not well-formed XML, or too deep or long",
            file=path,
            line=error.lineno,
            found=str(error.msg)[:200],
        ) from None
    tree = root.getroottree()
    if tree.docinfo.internalDTD is not None or tree.docinfo.externalDTD is not None:
        raise InputError(
            "the file declares a document type, which can hold entities",
            file=path,
            expected="a QIF document, which has none",
            todo="Remove the DOCTYPE from it.",
        )
    name = etree.QName(root)
    if name.localname != "QIFDocument" or name.namespace != NAMESPACE:
        raise InputError(
            "the file is no document of QIF 3.0",
            file=path,
            found=f"{name.localname} of {name.namespace or 'no namespace'}"[:200],
            expected=f"QIFDocument of {NAMESPACE}",
            todo="Export it as QIF 3.0.",
        )
    return root


def local(one: etree._Element) -> str:
    """Name of an element without its namespace."""
    tag = one.tag
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""


def child(one: etree._Element, name: str) -> etree._Element | None:
    """The first child of a name."""
    return next((each for each in one if local(each) == name), None)


def texts(one: etree._Element, *path: str) -> list[str]:
    """Texts of the elements at the end of a path of names below an element, stripped."""
    found = [one]
    for name in path:
        found = [each for parent in found for each in parent if local(each) == name]
    return [(each.text or "").strip() for each in found]
