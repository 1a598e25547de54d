"""The files of a guide: where each lies, and that none of somebody else's is written over."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from syncvid.errors import ProductionError
from syncvid.media.sound_file import ENDINGS
from syncvid.production.files import check_target

# A part's name may hold what no file name can.
_NOT_IN_NAMES = '/\\:*?"<>|'


@dataclass(frozen=True, slots=True)
class GuideFiles:
    """The files of a guide, all named after the track.

    Attributes
    ----------
    out : Path
        The guide track.
    also : tuple of str
        Endings of further copies, such as ``m4a``.
    """

    out: Path
    also: tuple[str, ...] = ()

    @property
    def tracks(self) -> tuple[Path, ...]:
        """The track and its copies."""
        endings = (ending.strip().lstrip(".").lower() for ending in self.also)
        copies = (self.out.with_suffix(f".{ending}") for ending in endings)
        return tuple(dict.fromkeys((self.out, *copies)))

    @property
    def beats(self) -> Path:
        """The beat map."""
        return self.out.with_suffix(".beats.json")

    @property
    def midi(self) -> Path:
        """The beat map as MIDI."""
        return self.out.with_suffix(".beats.mid")

    @property
    def picture(self) -> Path:
        """The picture of the tempo."""
        return self.out.with_suffix(".tempo.svg")

    @property
    def plan(self) -> Path:
        """The plan that is written from a score."""
        return self.out.with_suffix(".plan.toml")

    @property
    def sheets(self) -> tuple[Path, Path]:
        """The players' sheet as a page and as PDF."""
        return self.named("players", ".html"), self.named("players", ".pdf")

    @property
    def video(self) -> Path:
        """The guide as a video."""
        return self.named("video", ".mp4")

    @property
    def conducted(self) -> Path:
        """The conductor's video."""
        return self.named("conducted", ".mp4")

    def named(self, words: str, ending: str | None = None) -> Path:
        """Return the path of a version of the track, or of what goes with it."""
        safe = "".join(c if c.isprintable() and c not in _NOT_IN_NAMES else "-" for c in words)
        return self.out.with_name(f"{self.out.stem} {safe}{ending or self.out.suffix}")

    def version(self, label: str) -> Path:
        """Return the path of a version for practice: of the first further kind, if there is one."""
        copies = self.tracks[1:]
        return self.named(label, copies[0].suffix if copies else None)

    def check(self, planned: Sequence[Path], known: Collection[str]) -> None:
        """Refuse at the door what could not be written at the end, or would hit what is not ours.

        Parameters
        ----------
        planned : sequence of Path
            All that is to be written.
        known : collection of str
            Names of files beside the track that syncvid made.

        Raises
        ------
        ProductionError
            No kind of sound that can be written, or a file that is not ours.
        MediaError
            The folder is not there.
        """
        for path in self.tracks:
            if path.suffix.lower() not in ENDINGS:
                raise ProductionError(
                    f"A guide cannot be written as {path.suffix or 'a file without an ending'!r}.",
                    where=str(path),
                    fix=f"Choose one of {', '.join(ENDINGS)}.",
                )
            check_target(path)
        for path in planned:
            if path.exists() and path.name not in known:
                raise ProductionError(
                    "This file would be overwritten, and syncvid did not make it for this guide.",
                    where=str(path),
                    fix="Move it away, or give the guide another name.",
                )
