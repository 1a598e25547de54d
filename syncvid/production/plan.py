"""The plan of a production: what ``production.toml`` may say.

The file is the user's.  It names the reference, the parts in score order and their takes; nothing
that a machine found stands in it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from syncvid.errors import SyncvidError
from syncvid.production.passages import Passage
from syncvid.production.sound_plan import (
    Cleaning,
    Gain,
    Pan,
    PartSound,
    PassageEntry,
    Shift,
    SoundPlan,
)
from syncvid.production.strict import (
    At,
    CardSeconds,
    Corners,
    Gap,
    Margin,
    Name,
    Seconds,
    Share,
    Strict,
    is_colour,
)
from syncvid.timeline import FrameRate, parse_frame_rate

PLAN_FILE = "production.toml"
PLAN_FORMAT = "syncvid.production/1"

# A clock a tenth off is a sound at the wrong rate (44.1 kHz taken for 48 kHz: 88,400 millionths);
# more than a fifth is a slip of the pen.
LARGEST_DRIFT_PPM = 200_000.0

# Sound and picture of one file are never further apart than this; more is a slip of the pen.
LARGEST_SHIFT_MS = 5_000.0


# Beyond this a phone's picture is a blur: 1080 lines become 270.
LARGEST_ZOOM = 4.0


class Take(Strict):
    """One recording of a part.

    Attributes
    ----------
    take : int
        Its number, from 1.
    file : str
        Path of the clip, absolute or from the production's folder.
    use : bool
        Show this take whatever sync prefers.
    withdrawn : bool
        The player took it back: it is in no result.
    focus : (float, float) or None
        What the tile keeps when it crops: shares of the width and height of the upright picture.
    zoom : float
        How much closer the tile looks, around the focus: at 2 it shows half the width and height.
    sound : str
        Path of a separate recorder's file, if its sound is used in place of the clip's own.
    from_s, to_s : float or None
        The stretch of the file that holds this take, in the file's own seconds; None: to its end.
    offset_s, drift_ppm : float or None
        A place that the user has settled, on the reference; it wins over what sync finds.
    not_in_piece : bool
        The user has settled that this take does not belong to the piece.
    picture_shift_ms : float
        By how much the picture comes late behind the sound; it is then shown that much earlier.
    """

    take: Annotated[int, Field(ge=0)] = 1
    file: Annotated[str, Field(min_length=1)]
    use: bool = False
    withdrawn: bool = False
    focus: Annotated[list[Share], Field(min_length=2, max_length=2)] | None = None
    zoom: Annotated[Seconds, Field(ge=1.0, le=LARGEST_ZOOM)] | None = None
    sound: str = ""
    from_s: Annotated[Seconds, Field(ge=0.0)] | None = None
    to_s: Annotated[Seconds, Field(gt=0.0)] | None = None
    offset_s: Seconds | None = None
    drift_ppm: Annotated[Seconds, Field(ge=-LARGEST_DRIFT_PPM, le=LARGEST_DRIFT_PPM)] | None = None
    not_in_piece: bool = False
    picture_shift_ms: Annotated[Seconds, Field(ge=-LARGEST_SHIFT_MS, le=LARGEST_SHIFT_MS)] = 0.0

    @field_validator("to_s")
    @classmethod
    def _ends_after_it_begins(cls, to_s: float | None, given: ValidationInfo) -> float | None:
        """Refuse a stretch that ends before it begins."""
        from_s = given.data.get("from_s")
        if to_s is not None and from_s is not None and to_s <= from_s:
            raise ValueError(f"the stretch would end before it begins (from_s = {from_s:g})")
        return to_s

    @field_validator("drift_ppm")
    @classmethod
    def _drift_has_a_place(cls, drift_ppm: float | None, given: ValidationInfo) -> float | None:
        """Refuse a drift without the offset that it belongs to."""
        if drift_ppm is not None and given.data.get("offset_s", 0.0) is None:
            raise ValueError("a drift needs an offset_s beside it")
        return drift_ppm

    @field_validator("not_in_piece")
    @classmethod
    def _has_no_place(cls, not_in_piece: bool, given: ValidationInfo) -> bool:
        """Refuse a place for what is not in the piece."""
        if not_in_piece and given.data.get("offset_s") is not None:
            raise ValueError("it contradicts offset_s: keep one of the two")
        return not_in_piece


class Part(Strict):
    """One line of the score, and one tile: its name, its player, its takes.

    Attributes
    ----------
    name, player : str
        What is played, and by whom.
    group : str
        The section it sits in, for rows by section.
    still : str
        Path of an image that is shown where the part has no moving picture.
    takes : list of Take
        Its recordings.
    gain_db, pan, shift_ms, muted, room_db, clean, passages, shown
        Its sound, as `syncvid.production.sound_plan.PartSound` says.
    """

    name: Name
    player: str = ""
    group: str = ""
    still: str = ""
    gain_db: Gain = 0.0
    pan: Pan | None = None
    shift_ms: Shift = 0.0
    muted: bool = False
    room_db: Gain = 0.0
    clean: list[Cleaning] | None = None
    passages: list[PassageEntry] = Field(default_factory=list)
    shown: bool = True
    takes: list[Take] = Field(default_factory=list)

    @field_validator("passages")
    @classmethod
    def _stand_side_by_side(cls, passages: list[Passage]) -> list[Passage]:
        """Refuse two passages of which it is clear that they overlap."""
        for number, one in enumerate(passages):
            for other in passages[:number]:
                apart = one.ends.surely_not_after(other.begins)
                if not apart and not other.ends.surely_not_after(one.begins) and _clear(one, other):
                    raise ValueError(f"{str(one)!r} and {str(other)!r} overlap")
        return passages

    @property
    def sound(self) -> PartSound:
        """What is said of its sound."""
        return PartSound(
            gain_db=self.gain_db,
            pan=self.pan,
            shift_ms=self.shift_ms,
            muted=self.muted,
            room_db=self.room_db,
            clean=None if self.clean is None else tuple(self.clean),
            passages=tuple(self.passages),
            shown=self.shown,
        )


def _clear(one: Passage, other: Passage) -> bool:
    """Tell whether two passages are told alike, so that their order is known without bars."""
    moments = (one.begins, one.ends, other.begins, other.ends)
    return len({moment.seconds is None for moment in moments}) == 1


class Picture(Strict):
    """How the video looks; the command line wins over it, and it wins over the layout's file.

    Attributes
    ----------
    layout : str
        Name of the layout.
    size, frame_rate : str
        Of the video.
    background : str
        A colour, or the path of an image that lies behind the tiles.
    gap, margin, corners, names, match, equal_heads
        As in the layout's file; None leaves it to the layout.
    title_s : float
        How long a plate with the title stands before the music; 0: there is none.
    subtitle : str
        The plate's second line.
    credits : list of str
        Lines that are shown after the music; none: no plate.
    credits_s : float
        How long they stand.
    """

    layout: str = "grid"
    size: Annotated[str, Field(pattern=r"^\d{2,5}x\d{2,5}$")] = "1920x1080"
    frame_rate: str | int | float = "30"
    background: Name | None = None
    gap: Gap | None = None
    margin: Margin | None = None
    corners: Corners | None = None
    names: bool | None = None
    match: Share | None = None
    equal_heads: Share | None = None
    title_s: CardSeconds = 0.0
    subtitle: str = ""
    credits: list[str] = Field(default_factory=list)
    credits_s: CardSeconds = 6.0

    @field_validator("background")
    @classmethod
    def _is_no_broken_colour(cls, value: str | None) -> str | None:
        """Refuse what was meant as a colour and is none."""
        if value is not None and value.startswith("#") and not is_colour(value):
            raise ValueError(f"{value!r} is no colour like '#a3261d'")
        return value

    @property
    def background_image(self) -> str:
        """The path of the image behind the tiles; empty if there is none."""
        return "" if self.background is None or is_colour(self.background) else self.background

    @field_validator("frame_rate")
    @classmethod
    def _is_a_rate(cls, value: str | int | float) -> str | int | float:
        """Refuse what is no picture rate."""
        try:
            parse_frame_rate(value)
        except SyncvidError as exc:
            raise ValueError(str(exc)) from exc
        return value

    @property
    def rate(self) -> FrameRate:
        """The picture rate as a fraction."""
        return parse_frame_rate(self.frame_rate)


class CaptionEntry(Strict):
    """One entry of ``[[captions]]``: words beside the video, and in the picture where wanted.

    Attributes
    ----------
    begins, ends : Moment
        Written ``from`` and ``to``.
    text : str
        The words.
    show : bool
        Whether they are painted into the picture too.
    """

    begins: Annotated[At, Field(alias="from")]
    ends: Annotated[At, Field(alias="to")]
    text: Name
    show: bool = False


class SectionEntry(Strict):
    """One entry of ``[[sections]]``: a section of the piece, and a chapter of the video."""

    name: Name
    begins: Annotated[At, Field(alias="from")]


class Plan(Strict):
    """A whole ``production.toml``.

    ``guide_offset_s`` settles where the guide's beginning lies on the mix: what the user says wins
    over what sync finds.
    """

    format: Annotated[str, Field(pattern=r"^syncvid\.production/1$")] = PLAN_FORMAT
    title: str = ""
    mix: str = ""
    guide: str = ""
    guide_offset_s: Seconds | None = None
    picture: Picture = Picture()
    sound: SoundPlan = SoundPlan()
    captions: list[CaptionEntry] = Field(default_factory=list)
    sections: list[SectionEntry] = Field(default_factory=list)
    parts: list[Part] = Field(default_factory=list)

    def files(self) -> list[tuple[str, str]]:
        """Return (what it is, path as written) of every file that is in use."""
        named = [("mix", self.mix), ("guide", self.guide)]
        named.append(("`background` under [picture]", self.picture.background_image))
        named.append(("`room` under [sound]", self.sound.room_file))
        for part in self.parts:
            named.append((f"`still` of {part.name}", part.still))
            for take in part.takes:
                what = f"{part.name}, take {take.take}"
                if not take.withdrawn:
                    named += [(what, take.file), (f"{what}, its recorder", take.sound)]
        return [(what, file) for what, file in named if file]


def resolve(file: str, folder: Path) -> Path:
    """Return where a path of the plan points, seen from the production's folder."""
    return Path(file) if Path(file).is_absolute() else folder / file
