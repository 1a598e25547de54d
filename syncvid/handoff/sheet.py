"""The sheet: one page that tells a musician what was found.

It reads like a programme note under a score: what was found, the players and their clips, the
score of takes, and then a paragraph for each clip with its evidence.  The page asks for nothing
from outside but the video beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib import resources
from urllib.parse import quote

from syncvid.handoff import words
from syncvid.handoff.axis import Axis, axis_of
from syncvid.handoff.fonts import font_faces
from syncvid.handoff.markup import clean_text, element, escape, isolate
from syncvid.handoff.page import SheetClip, SheetPage, SheetSound
from syncvid.handoff.score import draw_score
from syncvid.handoff.votes import caption, plot_votes

_OPEN_PLOTS = 16
"""With more clips than these the plots of the sure ones are folded away."""

_REFERENCE_NAMES = {"mix": "finished mix", "guide": "guide track", "clips": "the clips themselves"}


_DOCUMENT = """<!DOCTYPE html>
<html lang="en">
<head>
{head}</head>
<body>
{body}</body>
</html>
"""


def render_sheet(page: SheetPage) -> str:
    """Write the sheet.

    Parameters
    ----------
    page : SheetPage
        Everything to tell.

    Returns
    -------
    str
        A whole HTML document that needs nothing beside it but the video that it names.  The
        same page gives the same text.
    """
    axis = axis_of(page)
    sections = (
        ("What was found", _found(page)),
        ("Players and clips", _table(page)),
        ("Takes", draw_score(page, axis) + _misfits(page)),
        ("Clip by clip", "".join(_clips(page, axis))),
    )
    shown = [(title, content) for title, content in sections if content]
    main = "".join(_section(place, *section) for place, section in enumerate(shown, 1))
    body = _header(page, axis) + element("main", main) + _footer(page)
    style = (resources.files("syncvid.handoff") / "style.css").read_text(encoding="utf-8")
    head = (
        '<meta charset="utf-8">\n<meta name="viewport" content="width=device-width">\n'
        + element("title", escape(f"{page.title or 'Untitled'}: score of takes"))
        + f"\n<style>\n{font_faces(body)}{style}</style>\n"
    )
    return _DOCUMENT.format(head=head, body=body)


def _header(page: SheetPage, axis: Axis) -> str:
    """Return the title block."""
    parts = len({clip.sync.part for clip in page.placed if clip.sync.part})
    return element(
        "header",
        element("p", "Score of takes"),
        element("h1", isolate(page.title or "Untitled")),
        element("p", f"for {words.count(parts, 'part')}" if parts else ""),
        element("p", escape(_about(page, axis)), class_="about"),
    )


def _about(page: SheetPage, axis: Axis) -> str:
    """Say what everything was laid against."""
    facts = [f"reference: {_REFERENCE_NAMES[page.reference]}"]
    if page.placed or page.reference_duration_s:
        minutes, seconds = divmod(round(axis.duration_s), 60)
        facts.append(f"{minutes} min {seconds} s" if minutes else f"{seconds} s")
    bars = {mark.bar for mark in axis.bars.bar_starts() if mark.bar > 0} if axis.bars else set()
    if bars:
        facts.append(f"{len(bars)} {'bar' if len(bars) == 1 else 'bars'}")
    return ", ".join(facts)


def _section(place: int, title: str, content: str) -> str:
    """Return a numbered section."""
    numeral = element("span", str(place), class_="numeral", aria_hidden="true")
    heading = element("h2", numeral, f" {title}", id=f"section-{place}")
    return element("section", heading, content, aria_labelledby=f"section-{place}") + "\n"


def _found(page: SheetPage) -> str:
    """Return the summary, with the video beside it."""
    told = "".join(element("p", line) for line in _summary(page))
    listen = "".join(
        element("li", _link(index, clip), f" {escape(words.sentence(clip.sync.finding.reason))}")
        for index, clip in enumerate(page.clips, 1)
        if clip in page.unsure
    )
    others = "".join(element("p", line, class_="other") for line in _others(page))
    text = element("div", told, element("ul", listen, class_="listen") if listen else "", others)
    return element("div", text, _video(page), class_="found")


def _summary(page: SheetPage) -> Iterator[str]:
    """Yield the sentences that say how it went."""
    unsure = len(page.unsure)
    if not page.clips:
        yield "No clips yet."
    elif not page.placed:
        yield "No clip has found its place."
    else:
        have = "has found its place" if len(page.placed) == 1 else "have found their places"
        line = f"{words.sentence(words.count(len(page.placed), 'clip'))[:-1]} {have}."
        yield line + ("" if unsure else " None of them needs your ear.")
    if unsure:
        wants = "wants" if unsure == 1 else "want"
        yield f"{words.sentence(words.count(unsure, 'clip'))[:-1]} {wants} your ear:"


def _others(page: SheetPage) -> Iterator[str]:
    """Yield, as markup, the sentences about files that are not in the video."""
    if page.unplaced:
        verb = "has" if len(page.unplaced) == 1 else "have"
        names = ", ".join(isolate(words.last_name(clip.sync.file)) for clip in page.unplaced)
        counted = words.count(len(page.unplaced), "clip")
        yield f"{words.sentence(counted)[:-1]} {verb} no place: {names}."
    for file, why in page.left_out:
        yield f"Left out: {isolate(file)}. {escape(words.sentence(why))}"


def _link(index: int, clip: SheetClip) -> str:
    """Return a link to a clip's paragraph."""
    return element("a", isolate(f"{clip.sync.name}:"), href=f"#clip-{index}")


def _video(page: SheetPage) -> str:
    """Return the video that lies beside the sheet."""
    if not page.video:
        return ""
    source = "./" + quote(page.video.encode("utf-8", "replace"))
    link = element("a", isolate(page.video), href=source)
    player = element("video", link, controls="", preload="metadata", src=source)
    return element("figure", player, element("figcaption", "The preview, ", link), class_="video")


def _table(page: SheetPage) -> str:
    """Return the table of players and clips."""
    heads = ("Part", "Player", "Take", "File", "What was heard")
    head = element("tr", *(element("th", title, scope="col") for title in heads))
    rows = "".join(
        _row(clip, before) for before, clip in zip((None, *page.clips), page.clips, strict=False)
    )
    table = element("table", element("thead", head), element("tbody", rows), class_="clips")
    return table if page.clips else ""


def _misfits(page: SheetPage) -> str:
    """Name the clips that are not on the score, and say why."""
    named = ((isolate(words.last_name(clip.sync.file)), clip) for clip in page.unplaced)
    told = (
        f"{words.opening(clip.sync.finding)[:-1]}: {name}. {_reason(clip)}" for name, clip in named
    )
    return "".join(element("p", text, class_="misfit") for text in told)


def _row(clip: SheetClip, before: SheetClip | None) -> str:
    """Return a clip's row; what repeats the row above stays unsaid."""
    sync = clip.sync
    same = before is not None and bool(sync.part) and before.sync.part == sync.part
    part = isolate(sync.part) if sync.part else element("i", "no part")
    player = "" if same and before and before.sync.player == sync.player else isolate(sync.player)
    return element(
        "tr",
        element("th", element("span", part, class_="again") if same else part, scope="row"),
        element("td", player, data_label="Player"),
        element("td", str(sync.take) if sync.part else "", data_label="Take"),
        element("td", isolate(words.last_name(sync.file)), class_="file", data_label="File"),
        element("td", _heard(clip), data_label="What was heard"),
    )


def _heard(clip: SheetClip) -> str:
    """Return what was heard in a clip, in a few sentences."""
    verdict = clip.sync.finding.verdict
    told_first = words.opening(clip.sync.finding)
    opening = element("strong" if verdict == "check" else "span", told_first)
    texts = [*clip.notes] if verdict == "sure" else [clip.sync.finding.reason, *clip.notes]
    unused = "" if clip.chosen or verdict == "none" else "Not shown in the video."
    told = [escape(words.sentence(text)) for text in texts]
    return " ".join(filter(None, (opening, *told, unused)))


def _reason(clip: SheetClip) -> str:
    """Return a clip's evidence as an escaped sentence."""
    return escape(words.sentence(clip.sync.finding.reason))


def _clips(page: SheetPage, axis: Axis) -> Iterator[str]:
    """Yield a paragraph for each clip."""
    for index, clip in enumerate(page.clips, 1):
        folded = len(page.clips) > _OPEN_PLOTS and clip.sync.finding.verdict != "check"
        article = element(
            "article",
            element("div", _account(clip, page, axis, index), class_="account"),
            _plot(clip, index, folded=folded),
            _numbers(clip, page),
            id=f"clip-{index}",
            class_=f"clip {clip.sync.finding.verdict}",
            aria_labelledby=f"clip-{index}-name",
        )
        yield f"{article}\n"


def _account(clip: SheetClip, page: SheetPage, axis: Axis, index: int) -> str:
    """Return heading, verdict, evidence and rivals of a clip."""
    finding = clip.sync.finding
    further = (words.splice_text(finding), *clip.notes, *words.rival_texts(clip, axis))
    return "".join(
        (
            element("h3", isolate(words.heading(clip.sync)), id=f"clip-{index}-name"),
            element("p", isolate(clip.sync.file), class_="file") if clip.sync.part else "",
            element("p", escape(words.verdict_text(clip, page)), class_="verdict"),
            element("p", _reason(clip), class_="evidence") if finding.reason else "",
            *(element("p", escape(words.sentence(text))) for text in further if text),
            _ears(clip),
            _settle(clip),
        )
    )


def _ears(clip: SheetClip) -> str:
    """Return the short sounds by which an ear can decide."""
    linked = [sound for sound in clip.sounds if sound.link]
    if not linked:
        return ""
    rows = "".join(
        element(
            "li",
            element("a", _place_name(sound), href=sound.link),
            element(
                "audio",
                controls="",
                controlslist="nodownload noplaybackrate",
                preload="none",
                src=sound.link,
                aria_label=f"{clip.sync.name}, {_place_name(sound)}",
            ),
        )
        for sound in linked
    )
    caution = "Headphones down first; the clip is in the left ear, the reference in the right:"
    return element("p", caution, class_="aside") + element("ul", rows, class_="ears")


def _place_name(sound: SheetSound) -> str:
    """Return what to call the place of a listening sound."""
    return f"rival {sound.rival}" if sound.rival else "as proposed"


def _settle(clip: SheetClip) -> str:
    """Say how to settle an unsure clip's place."""
    options = words.settle_options(clip)
    if not options:
        return ""
    command = element("kbd", isolate(clip.settle))
    rows = "".join(
        element("li", element("kbd", escape(option)), f" {escape(meaning)}")
        for option, meaning in options
    )
    told = element("p", f"When you have decided, {command} with", class_="aside")
    return told + element("ul", rows, class_="settle")


def _plot(clip: SheetClip, index: int, *, folded: bool) -> str:
    """Return the plot of a clip's votes with its caption, perhaps folded away."""
    svg = plot_votes(clip.sync, prefix=f"v{index}")
    if not svg:
        return element(
            "p", "No window of it stands out, so there is nothing to draw.", class_="aside"
        )
    figure = element("figure", svg, element("figcaption", caption(clip.sync.finding)))
    if not folded:
        return figure
    return element("details", element("summary", "The votes of its windows"), figure)


def _numbers(clip: SheetClip, page: SheetPage) -> str:
    """Return a clip's small table of numbers."""
    rows = "".join(
        element("tr", element("th", name, scope="row"), element("td", isolate(value)))
        for name, value in words.numbers(clip, page)
    )
    title = element("caption", f"Numbers of {isolate(clip.sync.name)}", class_="unseen")
    return element("table", title, element("tbody", rows), class_="numbers")


def _footer(page: SheetPage) -> str:
    """Return the last line: when the sheet was made."""
    made = clean_text(page.made)
    return element("footer", element("p", escape(f"Made {made}."))) if made else ""
