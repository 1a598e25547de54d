"""Moments that lie outside of the piece: they are moved to its ends, and that is told."""

from __future__ import annotations

from collections.abc import Iterator

from syncvid.picture import Composition
from syncvid.production.captions import at_s
from syncvid.production.moments import Moment
from syncvid.steps.composing import Scenario
from syncvid.timeline import picture_at, picture_start_s

# The last bar of a guide often ends a little after the mix was cut: that much is no mistake.
# Project choice.
_BEYOND_S = 0.5


def outside_the_piece(scenario: Scenario) -> list[str]:
    """Name what the plan, the layout or the excerpt puts before or after the music.

    An excerpt of which nothing is left is refused where it is laid out; see `picture.compose`.

    Parameters
    ----------
    scenario : Scenario
        What is known of the video.

    Returns
    -------
    list of str
        Sentences; none where everything lies in the music.
    """
    return [*_of_excerpt(scenario), *_of_words(scenario), *_of_scenes(scenario)]


def still_outside(moment: Moment, moment_s: float, composition: Composition) -> list[str]:
    """Say which picture a still shows whose moment lies outside of the video.

    Parameters
    ----------
    moment : Moment
        As it was asked for.
    moment_s : float
        The same in reference seconds.
    composition : Composition
        The video.
    """
    rate = composition.frame_rate
    picture = picture_at(moment_s, rate)
    if composition.first <= picture < composition.last:
        return []
    early = picture < composition.first
    edge_s = picture_start_s(composition.first if early else composition.last, rate)
    return [
        f"The still was asked for at {moment}, {'before' if early else 'after'} the video "
        f"{'begins' if early else 'ends'} ({edge_s:.1f} s): it shows the "
        f"{'first' if early else 'last'} picture."
    ]


def _of_excerpt(scenario: Scenario) -> Iterator[str]:
    """Name the ends of an excerpt that lie outside."""
    window_s, length_s = scenario.window_s, scenario.players.duration_s
    if window_s is None:
        return
    begins, ends = scenario.look_of.begins, scenario.look_of.ends
    if begins is not None and window_s[0] < scenario.players.starts_s:
        yield (
            f"The excerpt would begin at {_when(begins, window_s[0])}, before the music: it begins "
            "with the music."
        )
    if ends is not None and window_s[1] > length_s + _BEYOND_S:
        yield (
            f"The excerpt would end at {_when(ends, window_s[1])}, but the music ends at "
            f"{length_s:.1f} s: it goes to the end."
        )


def _of_words(scenario: Scenario) -> Iterator[str]:
    """Name captions and sections that lie outside."""
    length_s = scenario.players.duration_s
    for caption in scenario.captions:
        if caption.from_s >= length_s or caption.to_s <= scenario.players.starts_s:
            side = (
                "before the music"
                if caption.to_s <= scenario.players.starts_s
                else _after(length_s)
            )
            yield (
                f"The caption {caption.text!r} ({caption.from_s:.1f} to {caption.to_s:.1f} s) lies "
                f"{side}, so it is never seen. Mend its `from` and `to` in production.toml."
            )
        elif caption.to_s > length_s + _BEYOND_S:
            yield (
                f"The caption {caption.text!r} would last to {caption.to_s:.1f} s, but the music "
                f"ends at {length_s:.1f} s. Mend its `to` in production.toml."
            )
    for section in scenario.sections:
        if section.from_s >= length_s:
            yield (
                f"The section {section.name!r} would begin at {section.from_s:.1f} s, "
                f"{_after(length_s)}, so it is left out. Mend its `from` in production.toml."
            )


def _of_scenes(scenario: Scenario) -> Iterator[str]:
    """Name the scenes of the layout that are never seen."""
    length_s, layout = scenario.players.duration_s, scenario.layout
    for number, plan in enumerate(layout.scenes, 1):
        where = f"layout {layout.name}, scene {number}"
        if plan.begins is None:
            continue
        begins_s = at_s(plan.begins, scenario.bars, where)
        if begins_s >= length_s:
            yield (
                f"Scene {number} of layout {layout.name} would begin at "
                f"{_when(plan.begins, begins_s)}, {_after(length_s)}, so it is never seen. "
                "Mend its `from` in the layout's file."
            )


def _when(moment: Moment, moment_s: float) -> str:
    """Return a moment as it was written; a bar with its second."""
    return str(moment) if moment.seconds is not None else f"{moment} ({moment_s:.1f} s)"


def _after(length_s: float) -> str:
    """Say where the music ends."""
    return f"after the end of the music ({length_s:.1f} s)"
