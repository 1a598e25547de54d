"""Reading XML that strangers have written: nothing is expanded, fetched or nested without end."""

from __future__ import annotations

from typing import Any
from xml.parsers import expat

from syncvid.errors import ProductionError

MOST_TAGS = 8_000_000
"""More tags are refused unread (project choice): as a tree so many take a gigabyte."""

_AGAIN = "Export the score again as MusicXML."


class _Begun(Exception):  # noqa: N818 - it is a signal, no failure
    """The first element has been reached."""


def parse_xml(data: bytes, *, name: str) -> Any:
    """Parse a document.

    Parameters
    ----------
    data : bytes
        In any encoding that it declares.
    name : str
        Of the file, for messages.

    Returns
    -------
    lxml element
        The root; names of elements without namespaces.

    Raises
    ------
    ProductionError
        It is no XML, declares entities, has too many elements, or is nested deeper than music
        can be.
    """
    from lxml import etree

    _check_head(data, name)
    _check_amount(data, name)
    parser = etree.XMLParser(
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError) as exc:
        raise _broken(name, exc) from exc
    if str(root.tag).startswith("{"):
        for element in root.iter("{*}*"):
            element.tag = etree.QName(element).localname
    return root


def _check_head(data: bytes, name: str) -> None:
    """Refuse documents that declare entities; reads no further than to the first element."""

    def refuse(*_: object) -> None:
        raise ProductionError(
            "The file declares entities, which no score needs and bad files abuse.",
            where=name,
            fix=_AGAIN,
        )

    def begin(*_: object) -> None:
        raise _Begun

    parser = expat.ParserCreate()
    parser.EntityDeclHandler = refuse
    parser.StartElementHandler = begin
    try:
        parser.Parse(data, True)
    except _Begun:
        return
    except (expat.ExpatError, LookupError, ValueError) as exc:
        if isinstance(exc, ProductionError):
            raise
        raise _broken(name, exc) from exc


def _check_amount(data: bytes, name: str) -> None:
    """Refuse documents of which a tree would fill the memory: small archives can hold them."""
    # A tag begins with the same byte in every encoding that a score comes in.
    if data.count(b"<") > MOST_TAGS:
        raise ProductionError(
            f"The file has more than {MOST_TAGS // 2:,} elements: no score has.",
            where=name,
            fix="Export a movement at a time.",
        )


def _broken(name: str, exc: Exception) -> ProductionError:
    """Return the error of what cannot be parsed."""
    reason = str(exc).splitlines()[0][:200] if str(exc) else "it is empty"
    return ProductionError(f"The XML is broken: {reason}.", where=name, fix=_AGAIN)
