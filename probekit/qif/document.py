"""What every QIF document of ours has: identities, units, part, features; and the check against the schema.

A document is valid by the published schema of QIF 3.0, shipped in ``schema/`` (Boost Software License 1.0, see
``schema/LICENSE.txt``). Two places of it are changed, so that nothing needs a network: a stand-in for the W3C's
signature schema, and an open list of names of model formats.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError, how_to_install

if TYPE_CHECKING:
    from lxml import etree

__all__ = ["NAMESPACE", "Document", "checked", "lxml_etree", "numbers"]

NAMESPACE = "http://qifstandards.org/xsd/qif3"
_SPACE = uuid.UUID("6f1d2c3e-0f0b-5a0e-9a64-5f1a5c0b7a11")  # ours; names under it are made from the content


def lxml_etree() -> Any:
    """The XML library, or how to get it."""
    try:
        from lxml import etree
    except ImportError:
        raise InputError("QIF documents need the library lxml", todo=how_to_install("qif")) from None
    return etree


class Document:
    """A QIF document while it is built: each element that needs an identity takes the next number."""

    def __init__(self, part: str, *, about: str, standard: str | None) -> None:
        self.etree = lxml_etree()
        self.root = self.etree.Element(f"{{{NAMESPACE}}}QIFDocument", nsmap={None: NAMESPACE})
        self._last = 0
        self.add(self.root, "QPId", "")  # set when all is known
        header = self.add(self.root, "Header")
        self.add(self.add(header, "Application"), "Name", "probekit")
        self.add(header, "Description", about)
        standards = self.add(self.root, "StandardsDefinitions", n=1)
        self.standard = self._standard(standards, standard)
        self._units()
        self.part = part

    def add(
        self, parent: etree._Element, name: str, text: str | None = None, /, **attributes: object
    ) -> etree._Element:
        """Append an element to another one; characters that XML cannot hold are replaced."""
        made = self.etree.SubElement(parent, f"{{{NAMESPACE}}}{name}")
        for key, value in attributes.items():
            made.set(key, _plain(str(value)))
        if text is not None:
            made.text = _plain(text)
        return made

    def identified(
        self, parent: etree._Element, name: str, attributes: Mapping[str, object] | None = None
    ) -> tuple[etree._Element, str]:
        """Append an element with an identity and, if there are any, attributes of the user; and what it is called."""
        self._last += 1
        made = self.add(parent, name, id=self._last)
        if attributes:
            self.attributes(made, attributes)
        return made, str(self._last)

    def attributes(self, parent: etree._Element, named: Mapping[str, object]) -> None:
        """Append what the schema has no place for, as numbers or text by name."""
        kept = {name: value for name, value in named.items() if value is not None}
        if not kept:
            return
        group = self.add(parent, "Attributes", n=len(kept))
        for name, value in kept.items():
            number = isinstance(value, float | int) and not isinstance(value, bool)
            self.add(group, "AttributeD1" if number else "AttributeStr", name=name, value=value)

    def references(self, parent: etree._Element, name: str, ids: Sequence[str]) -> None:
        """Append a list of identities, unless it is empty."""
        if ids:
            group = self.add(parent, name, n=len(ids))
            for one in ids:
                self.add(group, "Id", one)

    def product(self) -> None:
        """Append the part that the document is about."""
        parts = self.add(self.add(self.root, "Product"), "PartSet", n=1)
        part, identity = self.identified(parts, "Part")
        self.add(self.add(part, "Header"), "Name", self.part)
        root = self.add(parts.getparent(), "RootPart")
        self.add(root, "Id", identity)

    def finished(self) -> bytes:
        """The document, checked against the schema; the same content always gives the same bytes."""
        self.root.set("versionQIF", "3.0.0")
        self.root.set("idMax", str(self._last))
        self.root[0].text = str(uuid.uuid5(_SPACE, self.etree.tostring(self.root, encoding="unicode")))
        checked(self.root)
        text = self.etree.tostring(self.root, xml_declaration=True, encoding="UTF-8", pretty_print=True)
        return bytes(text)

    def _standard(self, parent: etree._Element, standard: str | None) -> str:
        """What the tolerances are to be read by."""
        made, identity = self.identified(parent, "Standard")
        body = self.add(made, "Organization")
        organisation, _, designator = (standard or "").partition(" ")
        if organisation in ("ASME", "ISO", "DIN", "JIS"):
            self.add(body, "StandardsOrganizationEnum", organisation)
        else:
            designator = standard or "not stated"
            self.add(body, "OtherStandardsOrganization", "not stated")
        self.add(made, "Designator", designator)
        return identity

    def _units(self) -> None:
        """Millimetres and degrees, by their SI units."""
        primary = self.add(self.add(self.root, "FileUnits"), "PrimaryUnits")
        for kind, unit, name, factor in (
            ("AngularUnit", "radian", "degree", "0.017453292519943295"),
            ("LinearUnit", "meter", "mm", "0.001"),
        ):
            made = self.add(primary, kind)
            self.add(made, "SIUnitName", unit)
            self.add(made, "UnitName", name)
            self.add(self.add(made, "UnitConversion"), "Factor", factor)


def numbers(values: np.ndarray | Iterable[float]) -> str:
    """Numbers as a list of text that reads back as the same numbers."""
    return " ".join(map(repr, np.asarray(values, dtype=float).ravel().tolist()))


def checked(root: etree._Element) -> None:
    """Refuse a document that the schema of QIF 3.0 does not allow.

    Raises
    ------
    InputError
        With the first line and reason.
    """
    schema = _schema()
    if not schema.validate(root):
        first = schema.error_log[0]
        raise InputError(
            "the document is not valid by the schema of QIF 3.0: "
            + first.message.replace(f"{{{NAMESPACE}}}", "").rstrip(".")[:300],
            line=first.line or None,
            todo="Ask whoever wrote it for a valid document.",
        )


@cache
def _schema() -> Any:
    etree = lxml_etree()
    with resources.as_file(resources.files(__package__) / "schema") as folder:
        return etree.XMLSchema(etree.parse(str(folder / "QIFDocument.xsd")))


def _plain(text: str) -> str:
    """Text without what XML 1.0 cannot hold, and without characters that turn the direction of writing."""
    return "".join(
        one if (one >= " " and one not in _TURNING and not "\ud800" <= one <= "\udfff" and one < "\ufffe") else "\ufffd"
        for one in text.replace("\n", " ").replace("\r", " ").replace("\t", " ")
    )


_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f")
