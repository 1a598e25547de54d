"""Write HTML and SVG safely: every name that a person chose passes through here.

Functions that take *content* want finished markup; functions that take *text* escape it.
"""

from __future__ import annotations

import html
import re
import unicodedata

# Control characters cannot be shown, and unpaired surrogates not even be written as UTF-8;
# direction marks reach beyond the name that they stand in.
_UNSHOWABLE = {"Cc", "Cs"}
_BREAKS = re.compile(r"[ \t\n\v\f\r\x1c-\x1f\x85\u2028\u2029]+")
_DIRECTION_MARKS = set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def clean_text(text: str) -> str:
    r"""Return text on one line, with a replacement mark for what cannot be shown.

    Examples
    --------
    >>> clean_text("flute\n 2.mov")
    'flute 2.mov'
    """
    shown = (
        "\ufffd" if unicodedata.category(char) in _UNSHOWABLE or char in _DIRECTION_MARKS else char
        for char in _BREAKS.sub(" ", text).strip()
    )
    return "".join(shown)


def escape(text: str) -> str:
    """Return text that is safe between tags and inside a quoted attribute.

    Examples
    --------
    >>> escape('"Flute" <2>')
    '&quot;Flute&quot; &lt;2&gt;'
    """
    return html.escape(clean_text(text), quote=True)


def isolate(text: str) -> str:
    """Return a name, escaped, whose writing direction does not touch its surroundings."""
    return f"<bdi>{escape(text)}</bdi>"


def element(tag: str, *content: str, **attributes: str | None) -> str:
    """Return one element.

    Parameters
    ----------
    tag : str
        Its name.
    *content : str
        Finished markup.
    **attributes : str or None
        Attribute texts, escaped here; None leaves one out, "" writes the bare name.  A trailing
        underscore is dropped and the others become hyphens, so that ``class_`` and
        ``aria_label`` can be written.

    Examples
    --------
    >>> element("p", "Sure.", class_="verdict")
    '<p class="verdict">Sure.</p>'
    """
    written = "".join(
        f" {name.rstrip('_').replace('_', '-')}" + (f'="{escape(value)}"' if value else "")
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{written}>{''.join(content)}</{tag}>"


def number(value: float, decimals: int = 2) -> str:
    """Return a coordinate, rounded and without idle zeros.

    Examples
    --------
    >>> number(12.50), number(-0.001), number(3.0)
    ('12.5', '0', '3')
    """
    text = f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in {"-0", ""} else text
