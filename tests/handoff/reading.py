"""Read a sheet the way a browser would, as far as the tests need."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from xml.etree import ElementTree

VOID = {"meta", "br", "hr", "img", "link", "input"}
INLINE = {"a", "bdi", "em", "i", "span", "strong"}
URLS = {"src", "href", "poster", "action", "data", "srcset"}


class Reader(HTMLParser):
    """Collects text, ids, addresses and tags; complains about tags that do not close."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.attributes: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert not self.open, f"never closed: {self.open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        assert len(found) == len(attrs), f"an attribute stands twice: {attrs}"
        self.tags.append(tag)
        self.attributes.append((tag, found))
        self.ids += [found["id"]] if "id" in found else []
        self.addresses += [value for name, value in found.items() if name in URLS]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"{tag} closes nothing"
        assert self.open.pop() == tag, f"{tag} closes something else"
        if tag not in INLINE:
            self.words.append(" ")

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in {"style", "title"}:
            self.words.append(data)

    @property
    def text(self) -> str:
        """All that can be read, in one line, with ordinary blanks."""
        return " ".join("".join(self.words).split())


def drawings(text: str) -> list[ElementTree.Element]:
    """Return every inline SVG, parsed as XML."""
    return [ElementTree.fromstring(found) for found in re.findall(r"<svg.*?</svg>", text, re.S)]


def line_drawings(text: str) -> list[ElementTree.Element]:
    """Return the drawings of the lines of clips on the score, in their order."""
    lines = text[
        text.index('class="lines"') : text.index("<figcaption", text.index('class="lines"'))
    ]
    return drawings(lines)


def extent(path: str) -> tuple[float, float, float]:
    """Follow a path of the form M x y l dx dy ...; return its first, least and greatest x."""
    start, there, back = re.fullmatch(r"M(\S+) 0l(.*?)l(.*?)z", path).groups()  # type: ignore[union-attr]
    x = first = float(start)
    seen = [x]
    for steps in (there, back):
        for dx in re.findall(r"-?\d*\.?\d+", steps)[::2]:
            x += float(dx)
            seen.append(x)
    return first, min(seen), max(seen)
