"""From findings to the composition of a video: who is shown, where, and what is written around."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from pathlib import Path

from syncvid.errors import MediaError
from syncvid.media.info import VideoInfo
from syncvid.media.probe import probe
from syncvid.media.stills import read_still
from syncvid.picture import Composition, Piece, Voice, compose
from syncvid.picture.composing import Around, ViewOf
from syncvid.picture.headroom import Focus, Seat, frame_tiles
from syncvid.picture.tone import match_tones
from syncvid.production.captions import (
    TimedCaption,
    TimedSection,
    at_s,
    time_captions,
    time_sections,
)
from syncvid.production.layouts import Layout, find_layout
from syncvid.production.looks import with_overrides
from syncvid.production.material import Material, Recording
from syncvid.production.moments import Moment
from syncvid.production.results import SyncResult
from syncvid.progress import SILENT, Progress
from syncvid.steps.casting import ALWAYS_S, STILL_FOCUS, Cast, cast
from syncvid.steps.framing import Looks, look_at_takes
from syncvid.steps.hearing import Facts
from syncvid.steps.own_mix import NO_OWN_SOUND, OwnSound, own_sound
from syncvid.steps.parts import leads_of, with_entrances
from syncvid.steps.telling import find_beats, guide_offset_of
from syncvid.timeline import Bars, Lead, Placement


@dataclass(frozen=True, slots=True)
class Look:
    """How a video is to look; None leaves it to the production.

    Attributes
    ----------
    layout : str or None
        Name of a layout file.
    size : (int, int) or None
        Width and height in pixels, even.
    frame_rate : Fraction or None
        Pictures per second.
    begins, ends : Moment or None
        An excerpt, from the one moment up to the other; None: from the beginning, to the end.
    """

    layout: str | None = None
    size: tuple[int, int] | None = None
    frame_rate: Fraction | None = None
    begins: Moment | None = None
    ends: Moment | None = None


AS_PLANNED = Look()
"""As the production says."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """All that is known of a video before its size is.

    Attributes
    ----------
    material : Material
        What it is made of.
    players : Cast
        Who is shown.
    layout : Layout
        How.
    look_of : Look
        What was asked for.
    bars : Bars or None
        Where the bars lie on the reference.
    captions, sections : tuple
        Words and chapters on the reference.
    leads : tuple of Lead
        Who leads when, if the layout asks.
    looks : Looks
        What the takes look like, if the layout asks.
    own : OwnSound
        What is heard where there is no finished mix.
    """

    material: Material
    players: Cast
    layout: Layout
    look_of: Look
    bars: Bars | None
    captions: tuple[TimedCaption, ...]
    sections: tuple[TimedSection, ...]
    leads: tuple[Lead, ...]
    looks: Looks
    own: OwnSound = NO_OWN_SOUND

    @property
    def size(self) -> tuple[int, int]:
        """Width and height that are asked for."""
        width, _, height = self.material.picture.size.partition("x")
        return self.look_of.size or (int(width), int(height))

    @property
    def window_s(self) -> tuple[float, float] | None:
        """The excerpt, in reference seconds; None for the whole piece.

        Raises
        ------
        ProductionError
            A bar that cannot be found.
        """
        begins, ends = self.look_of.begins, self.look_of.ends
        if begins is None and ends is None:
            return None
        return (
            at_s(begins, self.bars, "the excerpt") if begins else self.players.starts_s,
            at_s(ends, self.bars, "the excerpt") if ends else self.players.duration_s,
        )

    def at(self, size: tuple[int, int]) -> Composition:
        """Lay everything out at a size.

        Raises
        ------
        ProductionError
            The layout, or something that it names, does not fit.
        """
        picture = self.material.picture
        return compose(
            self.players.voices,
            self.layout,
            size=size,
            frame_rate=self.look_of.frame_rate or picture.rate,
            starts_s=self.players.starts_s,
            duration_s=self.players.duration_s,
            window_s=self.window_s,
            bars=self.bars,
            leads=self.leads,
            absent=_absent(self.material, self.players),
            around=Around(
                title=self.material.title,
                subtitle=picture.subtitle,
                title_s=picture.title_s,
                credits=tuple(picture.credits),
                credits_s=picture.credits_s,
                captions=tuple((c.from_s, c.to_s, c.text) for c in self.captions if c.show),
            ),
            view_of=self._view_of(),
        )

    def _view_of(self) -> ViewOf | None:
        """Return what chooses where to look; None where clips are shown as they were filmed."""
        strength = self.layout.tile.equal_heads
        if strength <= 0.0 or not self.looks.by_take:
            return None
        seen = (*self.players.shown, *self.players.stills)
        takes = {entry.recording.source.file: entry.recording for entry in seen}
        return partial(_views, takes=takes, looks=self.looks, strength=strength)


def plan_video(
    material: Material,
    result: SyncResult,
    facts: dict[str, Facts],
    look_of: Look,
    progress: Progress = SILENT,
) -> Scenario:
    """Choose the takes, and find out what the layout asks of them.

    Parameters
    ----------
    material : Material
        The clips and their reference.
    result : SyncResult
        Their places.
    facts : dict
        What is known of each file, by its path as given.
    look_of : Look
        What was asked for.
    progress : Progress
        Told about takes that are looked at.

    Returns
    -------
    Scenario

    Raises
    ------
    ProductionError
        The layout is wrong, or a caption names a bar that there is not.
    MediaError
        The image behind the tiles, or the still of a part, cannot be read.
    """
    image = material.background.path if material.background else None
    if image is not None:
        # Here, where it can be said which key names it, and not in the midst of the work.
        _check_image(image, "`background` under [picture]")
    layout = find_layout(look_of.layout or material.picture.layout, material.folder)
    layout = with_overrides(layout, material.picture, image)
    if material.folder is None and look_of.layout is None:
        # Nobody has said anything of how loose clips are to look: they are shown as filmed.
        layout = replace(layout, tile=replace(layout.tile, equal_heads=0.0))
    bars = _bars(material, result)
    own = own_sound(material, result, facts, bars)
    dissolve_s = layout.tile.take_dissolve_s
    players = cast(material, result, facts, heard=own.parts, take_dissolve_s=dissolve_s)
    if own.mix is not None:
        players = replace(players, starts_s=own.mix.from_s, duration_s=own.mix.to_s)
    # Before anything that takes long: a bar that is not known ends the work.
    captions = time_captions(material.captions, bars)
    sections = time_sections(material.sections, bars)
    for moment in (look_of.begins, look_of.ends):
        if moment is not None:
            at_s(moment, bars, "the excerpt")
    if layout.tile.enter:
        players = with_entrances(players, material.store)
    leads: tuple[Lead, ...] = ()
    if any(plan.arrangement == "follow" for plan in (layout.opening, *layout.scenes)):
        leads = leads_of(players, material.store, bars_s=_bar_lines_s(bars))
    looks = Looks({})
    if layout.tile.equal_heads > 0.0 or layout.tile.match > 0.0:
        seen = [e.recording for e in players.shown if e.facts.shape is not None]
        looks = look_at_takes(seen, material.store, progress)
    players = _with_tones(players, looks, layout.tile.match)
    return Scenario(
        material=material,
        players=replace(players, voices=tuple(_with_still(voice) for voice in players.voices)),
        layout=layout,
        look_of=look_of,
        bars=bars,
        captions=captions,
        sections=sections,
        leads=leads,
        looks=looks,
        own=own,
    )


def _bars(material: Material, result: SyncResult) -> Bars | None:
    """Return where the bars lie on the reference; None without a beat map."""
    beats = find_beats(material)
    if beats is None:
        return None
    return Bars(beats, guide_offset_of(material, result))


def _bar_lines_s(bars: Bars | None) -> list[float] | None:
    """Return the reference seconds of all bar lines, if they are known."""
    if bars is None or bars.guide_offset_s is None:
        return None
    return [bars.guide_offset_s + beat.guide_s for beat in bars.beats.bar_starts()]


def _absent(material: Material, players: Cast) -> set[str]:
    """Return the parts and groups of the plan that have no voice."""
    present = {voice.part for voice in players.voices} | {v.group for v in players.voices}
    planned = {part for part, _ in material.parts} | set(material.groups.values())
    return planned - present


def _with_still(voice: Voice) -> Voice:
    """Let a part without moving picture show its image."""
    if voice.pieces or voice.still is None:
        return voice
    video = _check_image(voice.still, f"`still` of {voice.part or voice.label}")
    piece = Piece(
        file=str(voice.still),
        path=voice.still,
        placement=Placement(0.0),
        from_s=-ALWAYS_S,
        to_s=ALWAYS_S,
        shape=(video.width, video.height),
        identity=f"{voice.still} {voice.still.stat().st_mtime_ns}",
        focus=STILL_FOCUS,
        still=True,
    )
    return replace(voice, pieces=(piece,))


def _check_image(path: Path, key: str) -> VideoInfo:
    """Return what an image of the plan looks like; an error says which key names it."""
    try:
        media = probe(path)
        if media.video is None:
            raise MediaError("There is no picture in this file.", where=str(path))
        if media.is_still:
            # Its head may be whole where the rest of it is not.
            read_still(path)
    except MediaError as exc:
        fix = f"{exc.fix} {key} in production.toml names it: name another image there, or none."
        raise type(exc)(exc.what, where=exc.where, fix=fix.strip()) from exc
    return media.video


def _with_tones(players: Cast, looks: Looks, strength: float) -> Cast:
    """Bring exposure and white balance of the takes together."""
    if strength <= 0.0:
        return players
    files = [entry.recording.source.file for entry in players.shown]
    stats = [looks.of(entry.recording).tone for entry in players.shown]
    tones = dict(zip(files, match_tones(stats, strength), strict=True))
    voices = tuple(
        replace(
            voice,
            pieces=tuple(
                replace(piece, tone=tones.get(piece.file, piece.tone)) for piece in voice.pieces
            ),
        )
        for voice in players.voices
    )
    return replace(players, voices=voices)


def _views(
    items: Sequence[tuple[Piece, tuple[int, int]]],
    *,
    takes: dict[str, Recording],
    looks: Looks,
    strength: float,
) -> list[tuple[Focus, float]]:
    """Choose where to look in clips that are seen together."""
    seats = []
    for piece, size in items:
        take = takes.get(piece.file)
        if take is None or piece.still:
            seats.append(Seat(piece.shape, size, focus=piece.focus, zoom=piece.zoom))
        else:
            framing = looks.of(take).framing
            seats.append(Seat(piece.shape, size, framing, take.focus, take.zoom))
    return frame_tiles(seats, strength)
