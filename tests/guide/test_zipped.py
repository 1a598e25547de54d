"""Compressed MusicXML, and XML that means harm.

https://www.w3.org/2021/06/musicxml40/tutorial/compressed-mxl-files/
"""

from __future__ import annotations

import io
import time
import tracemalloc
import zipfile
from pathlib import Path

import pytest

from syncvid.errors import ProductionError
from syncvid.guide.xml_tree import MOST_TAGS, parse_xml
from syncvid.guide.zipped import CONTAINER, unzip_score

SCORE = b"<score-partwise version='4.0'/>"
POINTS_TO = (
    '<?xml version="1.0"?><container><rootfiles>'
    '<rootfile full-path="{}" media-type="application/vnd.recordare.musicxml+xml"/>'
    '<rootfile full-path="score.pdf"/></rootfiles></container>'
)


def packed(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", method) as archive:
        for path, data in members.items():
            archive.writestr(path, data)
    return file.getvalue()


def mxl(score: bytes = SCORE, path: str = "scores/lied.xml") -> bytes:
    return packed({CONTAINER: POINTS_TO.format(path).encode(), "other.xml": b"<x/>", path: score})


def test_the_container_says_which_file_is_the_score() -> None:
    assert unzip_score(mxl(), name="lied.mxl") == SCORE


def test_without_a_container_the_only_score_is_taken() -> None:
    assert unzip_score(packed({"lied.musicxml": SCORE}), name="lied.mxl") == SCORE


@pytest.mark.parametrize(
    "members",
    [
        {},
        {"picture.png": b"x"},
        {"a.xml": SCORE, "b.xml": SCORE},
        {CONTAINER: POINTS_TO.format("missing.xml").encode()},
        {CONTAINER: POINTS_TO.format("../../etc/passwd").encode(), "a.xml": SCORE},
    ],
)
def test_an_archive_without_a_score(members: dict[str, bytes]) -> None:
    with pytest.raises(ProductionError, match="holds no score"):
        unzip_score(packed(members), name="lied.mxl")


def test_encrypted_archives_are_refused() -> None:
    # The first bit of the flags (APPNOTE 4.4.4) says that a file is encrypted.
    data = bytearray(packed({"lied.musicxml": SCORE}))
    data[6] |= 1
    data[data.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(ProductionError, match="encrypted"):
        unzip_score(bytes(data), name="lied.mxl")


def test_a_bomb_is_stopped_while_it_is_unpacked() -> None:
    bomb = mxl(b" " * (8 << 20))
    assert len(bomb) < 20_000
    with pytest.raises(ProductionError, match="larger than 4 megabytes"):
        unzip_score(bomb, name="lied.mxl", most_bytes=4 << 20)


def test_a_bomb_fills_no_memory() -> None:
    bomb = mxl(b" " * (64 << 20))
    tracemalloc.start()
    try:
        with pytest.raises(ProductionError, match="larger than 1 megabytes"):
            unzip_score(bomb, name="lied.mxl", most_bytes=1 << 20)
        assert tracemalloc.get_traced_memory()[1] < 16 << 20
    finally:
        tracemalloc.stop()


def test_a_bomb_that_lies_about_its_size_is_stopped() -> None:
    data = bytearray(packed({"lied.musicxml": b" " * (8 << 20)}))
    place = data.index(b"PK\x01\x02") + 24
    data[place : place + 4] = (100).to_bytes(4, "little")
    with pytest.raises(ProductionError, match=r"broken|larger"):
        unzip_score(bytes(data), name="lied.mxl", most_bytes=4 << 20)


def test_other_packings_are_refused() -> None:
    data = packed({"lied.musicxml": SCORE}, zipfile.ZIP_LZMA)
    with pytest.raises(ProductionError, match="does not use"):
        unzip_score(data, name="lied.mxl")


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9, 0.99])
def test_truncated_archives_are_refused(share: float) -> None:
    data = mxl(SCORE * 50)
    with pytest.raises(ProductionError, match="broken"):
        unzip_score(data[: int(share * len(data))], name="lied.mxl")


def test_every_damaged_byte_is_refused_or_harmless() -> None:
    whole = mxl()
    for place in range(len(whole)):
        data = bytearray(whole)
        data[place] ^= 0xFF
        try:
            unzip_score(bytes(data), name="lied.mxl")
        except ProductionError:
            continue


def laughs(levels: int) -> str:
    """Return an entity that stands for very many letters (the "billion laughs")."""
    lines = ['<!ENTITY a0 "ha">']
    lines += [f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, levels)]
    return f"<!DOCTYPE s [{''.join(lines)}]><s>&a{levels - 1};</s>"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize(
    "text",
    [
        laughs(12),
        '<!DOCTYPE s [<!ENTITY x SYSTEM "file:///etc/passwd">]><s>&x;</s>',
        '<!DOCTYPE s [<!ENTITY % x SYSTEM "http://localhost:9/x"> %x;]><s/>',
        f'<!DOCTYPE s [<!ENTITY x "{"y" * 1000}">]><s a="&x;&x;"/>',
    ],
)
def test_entities_are_refused(text: str, encoding: str) -> None:
    with pytest.raises(ProductionError, match="declares entities"):
        parse_xml(text.encode(encoding), name="lied.musicxml")


def test_a_document_type_alone_is_usual(tmp_path: Path) -> None:
    secret = tmp_path / "dtd"
    secret.write_text('<!ENTITY x "secret">')
    text = f'<!DOCTYPE score-partwise PUBLIC "-//x//y//EN" "{secret.as_uri()}"><s>a</s>'
    assert parse_xml(text.encode(), name="lied.musicxml").text == "a"


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"   ",
        b"<a><b></a>",
        b"<a>",
        b"no xml",
        b"<a>&nbsp;</a>",
        b'<?xml version="1.0" encoding="nonsense"?><a/>',
        b"<a>\x00</a>",
        b"<n>" * 100_000 + b"</n>" * 100_000,
    ],
)
def test_broken_xml_is_refused(data: bytes) -> None:
    with pytest.raises(ProductionError, match="broken"):
        parse_xml(data, name="lied.musicxml")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-8-sig", "iso-8859-1"])
def test_encodings(encoding: str) -> None:
    declared = encoding.removesuffix("-sig")
    text = f'<?xml version="1.0" encoding="{declared}"?><a>Flöte</a>'
    assert parse_xml(text.encode(encoding), name="lied.musicxml").text == "Flöte"


def test_namespaces_do_not_matter() -> None:
    root = parse_xml(b'<a xmlns="http://www.musicxml.org"><b/></a>', name="x")
    assert [element.tag for element in root.iter()] == ["a", "b"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_document_of_far_too_many_elements_is_refused_before_it_is_parsed(encoding: str) -> None:
    # Some hundred kilobytes of archive; as a tree they would be gigabytes.
    text = "<score-partwise>" + "<a/>" * MOST_TAGS + "</score-partwise>"
    begun = time.process_time()
    with pytest.raises(ProductionError, match=r"more than .* elements"):
        parse_xml(text.encode(encoding), name="lied.musicxml")
    assert time.process_time() - begun < 1.0
