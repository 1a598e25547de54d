"""Compressed MusicXML: the score within an archive, read in memory and never to disk.

MusicXML 4.0, "Compressed .MXL Files" (w3.org/2021/06/musicxml40/tutorial/compressed-mxl-files):
``META-INF/container.xml`` names the root file; files are stored or deflated.
"""

from __future__ import annotations

import io
import zipfile
import zlib

from syncvid.errors import ProductionError
from syncvid.guide.xml_tree import parse_xml

CONTAINER = "META-INF/container.xml"

# Unpacked, in bytes (project choice): the largest symphonies are a third of it.
MOST_BYTES = 150 << 20
_MOST_CONTAINER_BYTES = 1 << 20

_AGAIN = "Export the score again, best as plain MusicXML (.musicxml)."


def unzip_score(data: bytes, *, name: str, most_bytes: int = MOST_BYTES) -> bytes:
    """Return the score within a compressed MusicXML file.

    Parameters
    ----------
    data : bytes
        The archive.
    name : str
        Of the file, for messages.
    most_bytes : int
        A larger score is refused while it is unpacked.

    Returns
    -------
    bytes
        XML.

    Raises
    ------
    ProductionError
        The archive is broken, encrypted or too large, or has no score.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _member(archive, _root(archive, name), most_bytes, name)
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError) as exc:
        if isinstance(exc, ProductionError):
            raise
        raise ProductionError(
            "The archive is broken: it cannot be unpacked.", where=name, fix=_AGAIN
        ) from exc


def _root(archive: zipfile.ZipFile, name: str) -> str:
    """Return the name of the score within the archive."""
    members = archive.namelist()
    if CONTAINER in members:
        container = parse_xml(
            _member(archive, CONTAINER, _MOST_CONTAINER_BYTES, name), name=f"{name}: {CONTAINER}"
        )
        # The first root file is the score; others are the same in other forms.
        for root in container.iter("rootfile"):
            path = root.get("full-path") or ""
            if path in members:
                return path
    else:
        scores = [m for m in members if m.lower().endswith((".musicxml", ".xml"))]
        if len(scores) == 1:
            return scores[0]
    raise ProductionError(
        "This archive holds no score.", where=name, fix=f"Compressed MusicXML names it. {_AGAIN}"
    )


def _member(archive: zipfile.ZipFile, path: str, most_bytes: int, name: str) -> bytes:
    """Return one file of the archive."""
    info = archive.getinfo(path)
    if info.flag_bits & 1:
        raise ProductionError(
            "The archive is encrypted.", where=name, fix="Save it without a password."
        )
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise ProductionError(
            "The archive is packed in a way that MusicXML does not use.", where=name, fix=_AGAIN
        )
    with archive.open(info) as file:
        # The size that the archive states may be a lie: what counts is what comes out.
        unpacked = file.read(most_bytes + 1)
    if len(unpacked) > most_bytes:
        raise ProductionError(
            f"Unpacked the file would be larger than {most_bytes >> 20} megabytes: no score is.",
            where=name,
            fix=_AGAIN,
        )
    return unpacked
