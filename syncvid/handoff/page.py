"""What a sheet is made of: plain records, put together by the caller.

Times are reference seconds, where the reference is the finished mix, the guide or one of the
clips; `syncvid.timeline` ties them to the clips' own clocks.
"""

from __future__ import annotations

from dataclasses import dataclass

from syncvid.production.results import ClipSync, Levels, Overview, Reference
from syncvid.timeline import BeatMap


@dataclass(frozen=True, slots=True)
class SheetSound:
    """A short sound by which an ear can decide: the clip left, the reference right.

    Attributes
    ----------
    rival : int
        0 for the proposed place, otherwise the number of the rival.
    from_s : float
        Reference time at which it begins.
    path : str
        Where it lies, as a program on the sheet's machine finds it.
    link : str
        The same seen from the sheet; empty where there is no way there.
    """

    rival: int
    from_s: float
    path: str
    link: str = ""


@dataclass(frozen=True, slots=True)
class SheetClip:
    """One clip as the sheet tells of it.

    Attributes
    ----------
    sync : ClipSync
        Where it was found to belong, and why.
    overview : Overview or None
        Its sound, to be drawn; None draws a bare line.
    levels : Levels or None
        What its sound is like, for the table of numbers.
    chosen : bool
        Whether this take is shown in the video.
    notes : tuple of str
        Further sentences about it.
    sounds : tuple of SheetSound
        Short sounds by which an ear can decide about it.
    settle : str
        The command that settles its place, without its options; empty where there is none.
    """

    sync: ClipSync
    overview: Overview | None = None
    levels: Levels | None = None
    chosen: bool = True
    notes: tuple[str, ...] = ()
    sounds: tuple[SheetSound, ...] = ()
    settle: str = ""

    @property
    def length_s(self) -> float:
        """Length in clip seconds: as told, or that of the overview."""
        if self.sync.duration_s is not None:
            return self.sync.duration_s
        return len(self.overview.peaks) * self.overview.step_s if self.overview else 0.0

    @property
    def stretch_s(self) -> tuple[float, float]:
        """The part of the file that holds the take, in clip seconds."""
        return self.sync.stretch.within(self.length_s)

    @property
    def extent_s(self) -> tuple[float, float] | None:
        """Reference times at which it starts and ends; None where it has no place."""
        placement = self.sync.finding.placement
        if placement is None:
            return None
        begin_s, end_s = self.stretch_s
        return placement.to_reference(begin_s), placement.to_reference(end_s)


@dataclass(frozen=True, slots=True)
class SheetPage:
    """Everything that one sheet tells.

    Attributes
    ----------
    title : str
        Name of the piece.
    reference : {"mix", "guide", "clips"}
        Whose first sample is reference time 0.
    reference_duration_s : float or None
        Its length in seconds; None: the page ends with the last clip.
    mix_overview : Overview or None
        The sound of the reference, drawn above the parts.
    clips : tuple of SheetClip
        In score order, the takes of a part next to each other.
    left_out : tuple of (str, str)
        Files that could not be used, each with the reason.
    bars : BeatMap or None
        The beats of the guide, in guide seconds.
    guide_offset_s : float or None
        Where the guide's zero lies on the reference; without it the bars are not used, except
        where the guide is the reference.
    video : str
        Name of the video that lies beside the sheet; empty if there is none.
    made : str
        When the sheet was made, as it should be read.
    """

    title: str
    reference: Reference = "mix"
    reference_duration_s: float | None = None
    mix_overview: Overview | None = None
    clips: tuple[SheetClip, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    bars: BeatMap | None = None
    guide_offset_s: float | None = None
    video: str = ""
    made: str = ""

    @property
    def unsure(self) -> tuple[SheetClip, ...]:
        """The clips that an ear should check; further takes in a file ask for none."""
        return tuple(
            clip for clip in self.clips if clip.sync.finding.verdict == "check" and clip.sync.listed
        )

    @property
    def placed(self) -> tuple[SheetClip, ...]:
        """The clips that have a place on the reference."""
        return tuple(clip for clip in self.clips if clip.sync.finding.placement is not None)

    @property
    def unplaced(self) -> tuple[SheetClip, ...]:
        """The clips that fit nowhere."""
        return tuple(clip for clip in self.clips if clip.sync.finding.placement is None)
