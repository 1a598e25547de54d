"""Captions and chapters as WebVTT, for players and web pages.

W3C, "WebVTT: The Web Video Text Tracks Format".  UTF-8; each cue is a line of times and lines of
text, set apart by an empty line.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from syncvid.timeline import to_milliseconds

# Between & and ; stands a name; the three that the text of a cue must not hold as they are.  With
# ">" there is no "-->" either, which would be read as times.
_ESCAPES = str.maketrans(
    {"&": "&amp;", "<": "&lt;", ">": "&gt;", "\0": "\N{REPLACEMENT CHARACTER}"}
)


@dataclass(frozen=True, slots=True)
class Cue:
    """Words on screen for a while.

    Attributes
    ----------
    from_s, to_s : float
        Seconds of the video; may be infinite, and may overlap with other cues.
    text : str
        Plain text, one line or several.
    """

    from_s: float
    to_s: float
    text: str


def webvtt(cues: Iterable[Cue], *, duration_s: float, note: str = "") -> str:
    """Return the text of a WebVTT file.

    Parameters
    ----------
    cues : iterable of Cue
        In any order.  What lies outside of the video is cut off; cues without words, or that
        would last less than a millisecond, are left out.
    duration_s : float
        Length of the video.
    note : str
        One line for whoever opens the file; players do not show it.

    Returns
    -------
    str
        To be written as UTF-8.

    Examples
    --------
    >>> print(webvtt([Cue(3661.5, 3663.0, "Tutti & <soli>")], duration_s=4000.0), end="")
    WEBVTT
    <BLANKLINE>
    01:01:01.500 --> 01:01:03.000
    Tutti &amp; &lt;soli&gt;
    """
    timed = []
    for cue in cues:
        from_ms, to_ms = (
            to_milliseconds(min(max(time_s, 0.0), duration_s)) for time_s in (cue.from_s, cue.to_s)
        )
        text = _cue_text(cue.text)
        if text and from_ms < to_ms:
            timed.append((from_ms, to_ms, text))
    # In the order of their beginnings, as the format asks; otherwise as they were given.
    timed.sort(key=lambda row: row[0])
    blocks = [f"{_clock(a)} --> {_clock(b)}\n{text}\n" for a, b, text in timed]
    head = ["WEBVTT\n", *([f"NOTE {note}\n"] if note else [])]
    return "\n".join([*head, *blocks])


def chapters_webvtt(chapters: Iterable[tuple[float, str]], *, duration_s: float) -> str:
    """Return chapters as the text of a WebVTT file: each lasts until the next one begins.

    Parameters
    ----------
    chapters : iterable of (float, str)
        The second at which each begins, and its title.
    duration_s : float
        Length of the video.

    Returns
    -------
    str

    Examples
    --------
    >>> print(chapters_webvtt([(0.0, "Verse"), (8.0, "Coda")], duration_s=9.5), end="")
    WEBVTT
    <BLANKLINE>
    00:00:00.000 --> 00:00:08.000
    Verse
    <BLANKLINE>
    00:00:08.000 --> 00:00:09.500
    Coda
    """
    rows = sorted(chapters, key=lambda row: row[0])
    ends = [*(start_s for start_s, _ in rows[1:]), duration_s]
    # The title of a chapter is one line.
    cues = [
        Cue(start_s, end_s, " ".join(title.split()))
        for (start_s, title), end_s in zip(rows, ends, strict=True)
    ]
    return webvtt(cues, duration_s=duration_s)


def _cue_text(text: str) -> str:
    """Return a cue's text: no empty line, which would end the cue, and nothing read as a tag."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return "\n".join(line.strip() for line in lines if line.strip()).translate(_ESCAPES)


def _clock(time_ms: int) -> str:
    """Write a time as hours, minutes, seconds and milliseconds."""
    minutes, rest = divmod(time_ms, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02}:{minutes:02}:{rest // 1000:02}.{rest % 1000:03}"
