"""The score of takes: the players down the left, the sound of each clip on the common clock.

The lines are SVG that stretches with the window; words and labels are HTML on top, so that they
keep their size.  The x axis of each drawing is `syncvid.handoff.axis.Axis.x`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from syncvid.handoff import words
from syncvid.handoff.axis import WIDTH, Axis
from syncvid.handoff.markup import element, escape, isolate, number
from syncvid.handoff.page import SheetClip, SheetPage
from syncvid.handoff.waves import Piece, outline, pieces_of
from syncvid.production.results import Overview
from syncvid.timeline import Placement, clock_text

_CLOSE_LINES = 24
"""With more lines than these the score is set closer."""

_ROOM = 0.1
"""Share of the line that words need beside the ink; with less they stand above or below it."""

_LEGEND = (
    "Each line is the sound of one clip on the common clock, at a height of its own.",
    "A dotted end means that the clip goes on outside {reference}.",
)
_LEGEND_CHECK = "Open lines in square brackets want your ear."
_LEGEND_OSSIA = "Small lines are takes that the video does not show."
_LEGEND_PALE = "Pale ink is sound that is not in {reference}."


def draw_score(page: SheetPage, axis: Axis) -> str:
    """Return the score of all clips that have a place, as a figure.

    Parameters
    ----------
    page : SheetPage
        All clips; those without a place are passed over.
    axis : Axis
        The stretch of reference time to draw.

    Returns
    -------
    str
        HTML; empty where no clip has a place.
    """
    if not page.placed:
        return ""
    lines = tuple(_clip_lines(page, axis))
    close = " close" if len(lines) > _CLOSE_LINES else ""
    system = element(
        "div",
        _bar_lines(axis),
        element("div", *_labels(axis), class_="labels", aria_hidden="true"),
        _mix_line(page, axis),
        element("ul", *lines, class_="lines"),
        class_=f"system{close}",
    )
    legend = element("figcaption", escape(_legend(page, axis)))
    return element("figure", system, legend, class_="score")


def _bar_lines(axis: Axis) -> str:
    """Return the lines that run through all parts."""
    inner = "".join(f"M{number(axis.x(mark.reference_s))} 0V10" for mark in axis.marks())
    return element(
        "svg",
        element("path", d=inner or "M0 0"),
        element("path", d=f"M0 0V10M{number(WIDTH)} 0V10", class_="outer"),
        class_="bars",
        viewBox="0 0 1000 10",
        preserveAspectRatio="none",
        aria_hidden="true",
    )


def _labels(axis: Axis) -> Iterator[str]:
    """Yield the bar numbers or times above the score."""
    for mark in axis.marks():
        if mark.label:
            yield element("span", mark.label, style=f"--x:{_percent(mark.reference_s, axis)}")


def _mix_line(page: SheetPage, axis: Axis) -> str:
    """Return the line of the reference itself, if its sound is known."""
    overview = page.mix_overview
    if overview is None or page.reference == "clips":
        return ""
    name = words.REFERENCES[page.reference]
    piece = Piece(0.0, len(overview.peaks) * overview.step_s, Placement(0.0))
    staff = _staff((_ink(overview, piece, axis),), f"The sound of {name}")
    label = element("span", name.removeprefix("the ").capitalize(), class_="part")
    return element("div", element("div", label, class_="who"), staff, class_="line mix")


def _clip_lines(page: SheetPage, axis: Axis) -> Iterator[str]:
    """Yield a line for each placed clip: in each part first what is shown, then the rest."""
    numbered = [
        (index, clip)
        for index, clip in enumerate(page.clips, 1)
        if clip.sync.finding.placement is not None
    ]
    groups = itertools.groupby(numbered, key=lambda entry: entry[1].sync.part or entry[0])
    for _, entries in groups:
        group = sorted(entries, key=lambda entry: not entry[1].chosen)
        for position, (index, clip) in enumerate(group):
            label = _label(clip, first=position == 0, alone=len(group) == 1, index=index)
            yield _clip_line(clip, label, axis)


def _clip_line(clip: SheetClip, label: str, axis: Axis) -> str:
    """Return the line of one clip."""
    start_s, end_s = clip.extent_s or (0.0, 0.0)
    beyond = " before" * (start_s < -words.EDGE_S)
    beyond += " after" * (end_s > axis.duration_s + words.EDGE_S)
    ink = tuple(_ink(clip.overview, piece, axis) for piece in pieces_of(clip))
    staff = _staff(ink, _description(clip, axis), *_marks(clip, axis), beyond=beyond)
    kinds = " ossia" * (not clip.chosen) + " check" * (clip.sync.finding.verdict == "check")
    return element("li", label, staff, class_=f"line{kinds}")


def _label(clip: SheetClip, *, first: bool, alone: bool, index: int) -> str:
    """Return what stands left of a line: part, player, take and, if it must, the wish to listen."""
    sync = clip.sync
    take = f"take {words.take_text(sync)}"
    name = isolate(sync.part or sync.file) if first else take
    asides = [
        element("span", isolate(sync.player), class_="player") if first and sync.player else "",
        element("span", take, class_="take") if first and sync.part and not alone else "",
        element("strong", words.LISTEN) if sync.finding.verdict == "check" else "",
    ]
    link = element("a", name, href=f"#clip-{index}", class_="part" if first else "take")
    return element("div", " ".join(filter(None, (link, *asides))), class_="who")


def _staff(ink: tuple[str, ...], title: str, *marks: str, beyond: str = "") -> str:
    """Return one line of the score: its ink, the words on it, and hints of what lies beyond."""
    drawing = element(
        "svg",
        element("title", escape(title)),
        element("path", d=f"M0 0H{number(WIDTH)}", class_="silence"),
        *ink,
        viewBox="0 -100 1000 200",
        preserveAspectRatio="none",
        role="img",
        aria_label=title,
    )
    return element("div", drawing, *marks, class_=f"staff{beyond}")


def _ink(overview: Overview | None, piece: Piece, axis: Axis) -> str:
    """Return the ink of one piece; a thick line where its sound is not known."""
    path = outline(overview, piece, axis) if overview else _bare(piece, axis)
    kind = ("sound" if piece.heard else "sound pale") if overview else "sound bare"
    return element("path", d=path, class_=kind) if path else ""


def _bare(piece: Piece, axis: Axis) -> str:
    """Return a flat block that shows a piece's place without its sound."""
    start_x = max(0.0, axis.x(piece.placement.to_reference(piece.clip_from_s)))
    end_x = min(WIDTH, axis.x(piece.placement.to_reference(piece.clip_to_s)))
    return f"M{number(start_x)}-6H{number(end_x)}V6H{number(start_x)}z" if end_x > start_x else ""


def _marks(clip: SheetClip, axis: Axis) -> Iterator[str]:
    """Yield the words that stand at a line: starts late, ends early, or elsewhere."""
    start_s, end_s = clip.extent_s or (0.0, 0.0)
    start, end = words.edge_texts(clip, axis)
    if start:
        roomy = " roomy" if start_s > _ROOM * axis.duration_s else ""
        yield _mark(start, f"start{roomy}", _percent(start_s, axis))
    if end:
        roomy = " roomy" if end_s < (1 - _ROOM) * axis.duration_s else ""
        yield _mark(end, f"end{roomy}", _percent(axis.duration_s - end_s, axis))
    if rival := words.rival_mark(clip):
        yield _mark(rival, "rival", "0%")


def _mark(text: str, kind: str, share: str) -> str:
    """Return a few words that stand at a place on the line."""
    return element("span", escape(text), class_=f"mark {kind}", style=f"--x:{share}")


def _percent(reference_s: float, axis: Axis) -> str:
    """Return a time as a share of the line, for the style sheet."""
    return f"{number(min(max(axis.x(reference_s), 0.0), WIDTH) / WIDTH * 100, 3)}%"


def _description(clip: SheetClip, axis: Axis) -> str:
    """Tell what a line shows to those who do not see it."""
    start_s, end_s = clip.extent_s or (0.0, 0.0)
    start_s, end_s = max(start_s, 0.0), min(end_s, axis.duration_s)
    shown = "shown" if clip.chosen else "not shown"
    doubt = f", please {words.LISTEN}" if clip.sync.finding.verdict == "check" else ""
    stretch = f"{clock_text(start_s, decimals=0)} to {clock_text(end_s, decimals=0)}"
    return f"{clip.sync.name}: sounds from {stretch}, {shown} in the video{doubt}"


def _unheard(clip: SheetClip, axis: Axis) -> bool:
    """Return whether a line shows sound of a clip that is not in the reference."""
    return any(
        not piece.heard and clip.overview is not None and bool(outline(clip.overview, piece, axis))
        for piece in pieces_of(clip)
    )


def _legend(page: SheetPage, axis: Axis) -> str:
    """Explain the signs that occur in this score, and only those."""
    reference = words.REFERENCES[page.reference]
    parts = [*_LEGEND]
    parts += [_LEGEND_CHECK] * any(clip.sync.finding.verdict == "check" for clip in page.placed)
    parts += [_LEGEND_OSSIA] * any(not clip.chosen for clip in page.placed)
    parts += [_LEGEND_PALE] * any(_unheard(clip, axis) for clip in page.placed)
    return " ".join(parts).format(reference=reference)
