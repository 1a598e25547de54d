"""The plot of a clip's window votes: lag over time, as inline SVG.

Each short window of a clip votes for a lag.  Votes that agree lie on a line, whose height is the
offset and whose slope is the drift; the plot shows how far each vote lies from that line, so that
tenths of a millisecond can be seen beside an offset of many seconds.
"""

from __future__ import annotations

import hashlib
import io
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from syncvid.arrays import Floats
from syncvid.handoff import words
from syncvid.handoff.markup import clean_text, number
from syncvid.production.results import ClipSync, Finding
from syncvid.timeline import PPM

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_PX, HEIGHT_PX = 440, 200
TEXT_PX = 15

PALETTE = {"#1f1c18": "ink", "#a3261d": "red", "#6a645b": "aside"}
"""Colours of the plot, and the names under which a style sheet may change them."""

INK, RED, ASIDE = PALETTE

MARKS = ("dots", "crosses", "a cross")
"""What the marks of the plot are called: windows that agree, others, one other."""

# The plot shows at least this far to each side of the line, and otherwise this many times as far
# as the votes that agree reach; votes that lie further away stand at the rim.
_LEAST_MS = 0.5
_ROOM = 2.2
_RIM = 0.93

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_REFERENCE = re.compile(r"#([A-Za-z_][\w-]*)")
_FONT = re.compile(r"font(-size|-family)?: [^;]*;?\s*")
_IDLE_TURN = re.compile(r"rotate\(-?0 .*")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{2,}")


def draw_votes(clip: ClipSync) -> str:
    """Draw the votes of a clip's windows.

    Windows that agree are filled dots, the others open crosses; the fitted line runs level.

    Parameters
    ----------
    clip : ClipSync
        The finding about a clip.

    Returns
    -------
    str
        One ``<svg>`` element without any outside reference, the same for the same clip, whose
        ids no other clip's plot repeats.  Empty if no votes were kept.
    """
    return plot_votes(clip, prefix=f"v{hashlib.sha1(repr(clip).encode()).hexdigest()[:10]}")


def plot_votes(clip: ClipSync, *, prefix: str) -> str:
    """Draw the votes with ids that start with `prefix`, an ASCII word; see `draw_votes`."""
    if not clip.finding.votes:
        return ""
    root = ElementTree.fromstring(_matplotlib_svg(clip.finding, salt=prefix))
    _tidy(root, prefix)
    _describe(root, clip)
    text = ElementTree.tostring(root, encoding="unicode", short_empty_elements=True)
    for colour, name in PALETTE.items():
        text = text.replace(colour, f"var(--{name}, {colour})")
    return text


def caption(finding: Finding, *, marks: tuple[str, str, str] = MARKS) -> str:
    """Say in a sentence what the plot shows, with the words for its marks."""
    dots, crosses, a_cross = marks
    agree, all_votes = words.agreeing(finding)
    if finding.placement is None:
        return f"No line runs through the {words.count(all_votes, 'window')} of this clip."
    text = f"{agree} of {all_votes} windows ({dots}) lie on the line"
    others = all_votes - agree
    if not others:
        return f"{text}."
    beyond = int((np.abs(away_ms(finding)) > limit_ms(finding)).sum())
    rim = f", {beyond} by more than the plot shows" if beyond else ""
    does = f"one ({a_cross}) does" if others == 1 else f"{others} ({crosses}) do"
    return f"{text}; {does} not{rim}: rests, or sound that is not there."


def _matplotlib_svg(finding: Finding, *, salt: str) -> str:
    """Return the plot as matplotlib writes it."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"svg.fonttype": "none", "svg.hashsalt": salt, "axes.unicode_minus": True}):
        figure = Figure(figsize=(WIDTH_PX / 72, HEIGHT_PX / 72), dpi=72)
        axes = figure.add_axes((0.175, 0.25, 0.815, 0.71))
        if finding.placement is None:
            _draw_scattered(axes, finding)
        else:
            _draw_around_line(axes, finding)
        _style(axes)
        target = io.StringIO()
        nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        figure.savefig(target, format="svg", metadata=nothing)
    return target.getvalue()


def _draw_around_line(axes: Axes, finding: Finding) -> None:
    """Draw the votes as distances from the line that was chosen."""
    reach_ms = limit_ms(finding)
    times_s = np.array([vote.clip_s for vote in finding.votes])
    shown_ms = np.clip(away_ms(finding), -_RIM * reach_ms, _RIM * reach_ms)
    axes.axhline(0.0, color=RED, linewidth=1.2, zorder=1)
    _draw_span_lines(axes, finding, reach_ms)
    _draw_points(axes, times_s, shown_ms, agrees(finding))
    axes.set_ylim(-reach_ms, reach_ms)
    axes.set_ylabel("ms from the line")


def _draw_span_lines(axes: Axes, finding: Finding, reach_ms: float) -> None:
    """Draw a line of its own for each span that lies elsewhere."""
    offset_s, clip_drift_ppm = _line(finding)
    for span in finding.spans:
        drift_ppm = clip_drift_ppm if span.drift_ppm is None else span.drift_ppm
        ends_s = np.array([span.clip_from_s, span.clip_to_s])
        away_ms = 1000 * (span.offset_s - offset_s + ends_s * (drift_ppm - clip_drift_ppm) * PPM)
        if 0.01 * reach_ms < np.abs(away_ms).max() <= reach_ms:
            axes.plot(ends_s, away_ms, color=RED, linewidth=1.2, zorder=1)


def _draw_scattered(axes: Axes, finding: Finding) -> None:
    """Draw the votes of a clip that has no place: lags, in seconds."""
    times_s = np.array([vote.clip_s for vote in finding.votes])
    lags_s = np.array([vote.lag_s for vote in finding.votes])
    _draw_points(axes, times_s, lags_s, agrees(finding))
    axes.margins(y=0.12)
    axes.set_ylabel("lag in seconds")


def _draw_points(axes: Axes, times_s: Floats, heights: Floats, agree: NDArray[np.bool_]) -> None:
    """Draw dots for the votes that agree and crosses for the others."""
    axes.plot(times_s[~agree], heights[~agree], "x", color=ASIDE, markersize=6, markeredgewidth=1.1)
    axes.plot(times_s[agree], heights[agree], "o", color=INK, markersize=4.4, markeredgewidth=0)


def _style(axes: Axes) -> None:
    """Take away what carries no meaning, and name the axes in words."""
    axes.set_xlabel("seconds into the clip")
    axes.patch.set_visible(False)
    axes.figure.patch.set_visible(False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("bottom", "left"):
        axes.spines[side].set(color=ASIDE, linewidth=0.8)
    axes.locator_params(axis="x", nbins=6)
    axes.locator_params(axis="y", nbins=4)
    axes.yaxis.set_major_formatter(lambda value, _: number(value).replace("-", "−"))
    axes.tick_params(colors=ASIDE, labelcolor=INK, labelsize=TEXT_PX, width=0.8, length=3)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set(color=INK, fontsize=TEXT_PX, fontstyle="italic")


def agrees(finding: Finding) -> NDArray[np.bool_]:
    """Return which votes agree; none does where no place was found."""
    found = finding.placement is not None
    return np.array([found and vote.agrees for vote in finding.votes], dtype=np.bool_)


def away_ms(finding: Finding) -> Floats:
    """Return how far each vote lies from the line that was chosen, in milliseconds."""
    offset_s, drift_ppm = _line(finding)
    lags_s = np.array([vote.lag_s for vote in finding.votes])
    times_s = np.array([vote.clip_s for vote in finding.votes])
    return np.asarray(1000 * (lags_s - offset_s - times_s * drift_ppm * PPM), dtype=np.float64)


def _line(finding: Finding) -> tuple[float, float]:
    """Return offset and drift of the line that was chosen; zeros where there is none."""
    placement = finding.placement
    return (placement.offset_s, placement.drift_ppm) if placement else (0.0, 0.0)


def limit_ms(finding: Finding) -> float:
    """Return how far from the line the plot reaches."""
    reach_ms = np.abs(away_ms(finding)[agrees(finding)]).max(initial=0.0)
    return max(_LEAST_MS, _ROOM * float(reach_ms))


def _tidy(root: ElementTree.Element, prefix: str) -> None:
    """Make the drawing fit to stand in a page: short, without namespaces, with ids of its own."""
    named = {node.get("id", "") for node in root.iter()}
    used = named.intersection(
        match
        for node in root.iter()
        for value in node.attrib.values()
        for match in _REFERENCE.findall(value)
    )
    for node in root.iter():
        node.tag = node.tag.removeprefix(_SVG)
        node.attrib = {
            name.removeprefix(_LINK[:-4]): _tidy_value(name, value, used, prefix)
            for name, value in node.attrib.items()
            if (name != "id" or value in used) and not _IDLE_TURN.match(value)
        }
        node.text = (node.text or "").strip() or None
        node.tail = None
    _share_styles(root)


def _tidy_value(name: str, value: str, used: set[str], prefix: str) -> str:
    """Shorten an attribute and make the ids in it the plot's own."""
    if name == "id":
        return f"{prefix}-{value}"
    value = _REFERENCE.sub(
        lambda match: f"#{prefix}-{match[1]}" if match[1] in used else match[0], value
    )
    value = _FONT.sub("", value)
    return " ".join(_LONG_NUMBER.sub(lambda match: number(float(match[0]), 2), value).split())


def _share_styles(root: ElementTree.Element) -> None:
    """Write the style of equal markers once, at their group."""
    for group in root.iter("g"):
        marks = group.findall("use")
        styles = {mark.get("style", "") for mark in marks}
        if len(marks) == len(list(group)) - len(group.findall("defs")) and len(styles) == 1:
            group.set("style", styles.pop())
            for mark in marks:
                mark.attrib.pop("style", None)


def _describe(root: ElementTree.Element, clip: ClipSync) -> None:
    """Give the drawing its size, type and a description in words."""
    title = f"Windows of {clean_text(clip.name)}"
    root.attrib = {
        "xmlns": "http://www.w3.org/2000/svg",
        "class": "votes",
        "viewBox": f"0 0 {WIDTH_PX} {HEIGHT_PX}",
        "role": "img",
        "aria-label": f"{title}. {caption(clip.finding)}",
        "font-family": "'EB Garamond', Garamond, serif",
        "font-size": str(TEXT_PX),
    }
    for parent in list(root.iter()):
        for node in list(parent):
            if node.tag in {"title", "style", "metadata"} or (node.tag == "defs" and not len(node)):
                parent.remove(node)
    description = ElementTree.Element("title")
    description.text = title
    root.insert(0, description)
