"""All that decides how a mix comes out, found before anything is mixed."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from syncvid.errors import ProductionError
from syncvid.mix.panning import pan_of
from syncvid.mix.rooms import ROOMS
from syncvid.picture import compose
from syncvid.production.files import fingerprint
from syncvid.production.layouts import find_layout
from syncvid.production.looks import with_overrides
from syncvid.production.material import Material, source_record, take_file
from syncvid.production.results import SyncResult
from syncvid.production.sound_plan import Amount, SoundPlan, Use
from syncvid.steps.casting import cast, label_of
from syncvid.steps.entries import reference_s_of
from syncvid.steps.heard_parts import HeardPart, heard_parts
from syncvid.steps.hearing import Facts
from syncvid.steps.music_window import MusicWindow, music_window
from syncvid.steps.shared_clips import shared_clips
from syncvid.steps.telling import DISTORTED, find_beats, find_guide_map, guide_offset_of
from syncvid.timeline import Bars

# Raised when the same wishes give another mix.
_MIXING = "mixing/1"


# A take that ends earlier than this before the music is worth a word.
_STOPS_EARLY_S = 2.0


@dataclass(frozen=True, slots=True)
class MixWishes:
    """What is asked for besides the plan; None leaves it to the plan.

    Attributes
    ----------
    loudness : str or None
        What the mix is for.
    room, amount : str or None
        Which room, or the file of its impulse response; and how much of it.
    stems : bool
        Write the stems as files too.
    """

    loudness: Use | None = None
    room: str | None = None
    amount: Amount | None = None
    stems: bool = False

    @property
    def room_file(self) -> str:
        """The path of an impulse response; empty if none is asked for."""
        return SoundPlan(room=self.room).room_file if self.room else ""

    def wherever(self) -> MixWishes:
        """Return the same wishes for a command that is given elsewhere."""
        file = self.room_file
        return replace(self, room=str(Path(file).absolute())) if file else self


@dataclass(frozen=True, slots=True)
class MixPlan:
    """What is mixed, and how.

    Attributes
    ----------
    material : Material
        The recordings.
    reference : str
        ``mix``, ``guide`` or ``clips``.
    parts : tuple of HeardPart
        What is heard, in score order.
    window : MusicWindow
        When.
    sound : SoundPlan
        How, what is asked for included.
    pans : dict
        Where each part stands, by (part, player), -1 to 1; by its tile or as the user says.
    bars : Bars or None
        Where the bars lie on the reference.
    stems : bool
        Whether stems are written as files.
    remarks : tuple of str
        What is worth knowing.
    """

    material: Material
    reference: str
    parts: tuple[HeardPart, ...]
    window: MusicWindow
    sound: SoundPlan
    pans: dict[tuple[str, str], float]
    bars: Bars | None
    stems: bool
    remarks: tuple[str, ...]

    def key(self) -> str:
        """Return what the mix depends on."""
        parts = [
            (
                part.name,
                [(repr(p.line), p.entry.sound and p.entry.sound.source.identity, p.from_s, p.to_s,
                  p.gain_db, p.entry.stretch_s) for p in part.passages],
                [repr(splice) for splice in part.splices],
                repr(part.wishes),
                self.material.groups.get((part.part, part.player), ""),
                self.pans.get((part.part, part.player), 0.0),
            )
            for part in self.parts
        ]  # fmt: skip
        room = source_record(self.material.room)
        window = asdict(self.window)
        sound = repr(self.sound)
        return fingerprint(_MIXING, parts, room, window, sound, self.stems, self.material.title)


def plan_mix(
    material: Material, result: SyncResult, facts: dict[str, Facts], wishes: MixWishes
) -> MixPlan:
    """Decide what is mixed, and how.

    Parameters
    ----------
    material : Material
        A production.
    result : SyncResult
        The places of its clips.
    facts : dict
        What is known of each file, by its path as given.
    wishes : MixWishes
        What is asked for besides the plan.

    Returns
    -------
    MixPlan

    Raises
    ------
    ProductionError
        A passage, a melody or a room of the plan cannot be found.
    MediaError
        The room's file that is asked for cannot be read.
    """
    sound = _as_wished(material.sound, wishes)
    if file := wishes.room_file:
        material = replace(material, room=take_file(file))
    beats, offset_s = find_beats(material), guide_offset_of(material, result)
    bars = Bars(beats, offset_s) if beats is not None else None
    parts, remarks = heard_parts(material, result, facts, bars)
    _check(material, sound, parts)
    guide = find_guide_map(material)
    window = music_window(material, parts, guide, offset_s, reference_s_of(result))
    pans, more = _pans(material, result, facts, parts, sound)
    return MixPlan(
        material=material,
        reference=result.reference,
        parts=tuple(parts),
        window=window,
        sound=sound,
        pans=pans,
        bars=bars,
        stems=wishes.stems,
        remarks=(
            *remarks,
            *shared_clips(parts),
            *more,
            *_doubts(parts, window),
            *_advice(sound, parts),
        ),
    )


def _doubts(parts: Sequence[HeardPart], window: MusicWindow) -> list[str]:
    """Name takes whose place is not sure, and parts that stop before the music does."""
    told = [
        f"{entry.recording.name} is placed, but not surely: please listen."
        for part in parts
        for entry in part.entries
        if entry.sync.finding.verdict == "check"
    ]
    for part in parts:
        last = part.passages[-1]
        if last.entry.sound is None:
            continue
        ends_s = min(last.to_s, last.line.to_reference(last.entry.sound.take.stretch_s[1]))
        missing_s = window.music_s[1] - ends_s
        if missing_s > _STOPS_EARLY_S:
            told.append(f"{part.name}: its take ends {missing_s:.0f} s before the music does.")
    return told


def _advice(sound: SoundPlan, parts: Sequence[HeardPart]) -> list[str]:
    """Say which cleaning would help where it was not asked for."""
    told = []
    for part in parts:
        asked = sound.clean if part.wishes.clean is None else part.wishes.clean
        steps = {wish.step for wish in asked}
        levels = [entry.levels for entry in part.entries if entry.levels is not None]
        if "clipping" not in steps and any(level.clipped_share > DISTORTED for level in levels):
            told.append(
                f"{part.name}: the phone has cut off its loudest notes. "
                '`clean = ["clipping"]` under the part rounds them out.'
            )
    return told


def _as_wished(sound: SoundPlan, wishes: MixWishes) -> SoundPlan:
    """Lay what is asked for over the plan."""
    asked: dict[str, Any] = {
        "loudness": wishes.loudness,
        "room": wishes.room,
        "room_amount": wishes.amount,
    }
    return sound.model_copy(update={key: value for key, value in asked.items() if value})


def _check(material: Material, sound: SoundPlan, parts: Sequence[HeardPart]) -> None:
    """Refuse names that there are not."""
    names = {name for part in parts for name in (part.part, part.name)}
    names |= {part for part, _ in material.parts}
    for name in sound.melody:
        if name not in names:
            raise ProductionError(
                f"`melody` under [sound] names {name!r}, and there is no such part"
                f"{_meant(name, sorted(names))}.",
                fix="Write the part's name as it stands in production.toml.",
            )
    if not sound.room_file and sound.room not in ROOMS:
        raise ProductionError(
            f"There is no room {sound.room!r}{_meant(sound.room, list(ROOMS))}.",
            fix=f"Choose one of {', '.join(ROOMS)}, or the file of an impulse response.",
        )


def _meant(name: str, known: Sequence[str]) -> str:
    """Return which name was probably meant, as the end of a sentence."""
    near = difflib.get_close_matches(name, known, n=1)
    return f" (did you mean {near[0]!r}?)" if near else ""


def _pans(
    material: Material,
    result: SyncResult,
    facts: dict[str, Facts],
    parts: Sequence[HeardPart],
    sound: SoundPlan,
) -> tuple[dict[tuple[str, str], float], list[str]]:
    """Return where each part stands, and what is worth knowing."""
    across: dict[str, float] = {}
    remarks = []
    if sound.pan > 0.0:
        try:
            across = _tiles_across(material, result, facts, parts)
        except ProductionError as exc:
            remarks.append(f"All parts stand in the middle, for there is no layout: {exc.what}")
    pans = {}
    for part in parts:
        own = part.wishes.pan
        by_tile = pan_of(across.get(label_of(part), 0.5), strength=sound.pan)
        pans[part.part, part.player] = by_tile if own is None else own
    return pans, remarks


def _tiles_across(
    material: Material,
    result: SyncResult,
    facts: dict[str, Facts],
    parts: Sequence[HeardPart],
) -> dict[str, float]:
    """Return where across the picture the tile of each voice is, 0 to 1, by its label."""
    players = cast(material, result, facts, heard=parts)
    if not players.voices:
        return {}
    image = material.background.path if material.background else None
    layout = with_overrides(
        find_layout(material.picture.layout, material.folder), material.picture, image
    )
    width, height = (int(side) for side in material.picture.size.split("x"))
    shown = compose(
        players.voices,
        layout,
        size=(width, height),
        frame_rate=material.picture.rate,
        duration_s=players.duration_s,
        bars=None,
        absent={name for name, _ in material.parts} | set(material.groups.values()),
    )
    sums: dict[str, float] = {}
    times: dict[str, float] = {}
    for scene in shown.scenes:
        seen_s = min(scene.to_s, players.duration_s) - max(scene.from_s, 0.0)
        for tile in scene.places:
            label = players.voices[tile.voice].label
            centre = (tile.rect.x + tile.rect.width / 2) / width
            sums[label] = sums.get(label, 0.0) + seen_s * centre
            times[label] = times.get(label, 0.0) + seen_s
    return {label: sums[label] / times[label] for label in sums if times[label] > 0.0}


def default_out(material: Material) -> Path:
    """Return where a production's mix is written if nobody says where."""
    return (material.folder or Path()) / "mix" / "mix.wav"
