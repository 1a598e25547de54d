"""Looking at the takes that are shown: where their heads are, what moves, how bright they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

from syncvid.errors import MissingExtraError, SyncvidError
from syncvid.media.probe import probe
from syncvid.media.samples import sample_pictures
from syncvid.picture.faces import FaceFinder
from syncvid.picture.framing import UNKNOWN, Framing, Head, measure_framing
from syncvid.picture.movement import Region
from syncvid.picture.tone import ToneStats, measure_tone
from syncvid.production.material import Recording
from syncvid.production.store import Store
from syncvid.progress import SILENT, Progress
from syncvid.steps.hearing import side_by_side

# Raised when what is measured changes, so that old records are made again.
_LOOKING = "looking/1"

# Seven pictures leave four that must agree on a face; at this width a face of a player who is seen
# from head to knees still has the 20 pixels that it takes.
_PICTURES, _WIDTH_PX = 7, 480


@dataclass(frozen=True, slots=True)
class Look:
    """What a take looks like.

    Attributes
    ----------
    framing : Framing
        Where to look in it.
    tone : ToneStats or None
        How bright it is; None where no picture could be read.
    """

    framing: Framing = UNKNOWN
    tone: ToneStats | None = None


UNSEEN = Look()
"""Nothing is known of it."""


@dataclass(frozen=True, slots=True)
class Looks:
    """What several takes look like.

    Attributes
    ----------
    by_take : dict
        A `Look` for each take, by `Recording.key`.
    remarks : tuple of str
        What the user should know, in sentences.
    """

    by_take: dict[str, Look]
    remarks: tuple[str, ...] = ()

    def of(self, recording: Recording) -> Look:
        """Return what a take looks like; `UNSEEN` if nobody has looked or could."""
        return self.by_take.get(recording.key, UNSEEN)


def look_at_takes(
    recordings: Sequence[Recording], store: Store, progress: Progress = SILENT
) -> Looks:
    """Look at takes side by side, or take what is kept of them.

    A take that cannot be read is `UNSEEN`: what is wrong with it, rendering will tell.

    Parameters
    ----------
    recordings : sequence of Recording
        The takes that are shown.
    store : Store
        Where results are kept.
    progress : Progress
        Told how far it is.

    Returns
    -------
    Looks
    """
    faces, remarks = _faces_can_be_found()
    takes = {recording.key: recording for recording in recordings}
    kept = {key: _kept(recording, store, faces=faces) for key, recording in takes.items()}
    new = [recording for key, recording in takes.items() if kept[key] is None]
    looks = {key: look for key, look in kept.items() if look is not None}
    jobs = [partial(_look, recording, faces=faces) for recording in new]
    answers = side_by_side(jobs, progress, "looking at the players")
    for recording, answer in zip(new, answers, strict=True):
        if not isinstance(answer, SyncvidError):
            looks[recording.key] = answer
            _keep(recording, answer, store, faces=faces)
    return Looks(looks, remarks)


def _faces_can_be_found() -> tuple[bool, tuple[str, ...]]:
    """Tell whether the optional package is there; if not, with a remark."""
    try:
        FaceFinder()
    except MissingExtraError as exc:
        return False, (
            f"{exc.what} Players are framed by where they move, and nobody is enlarged. "
            f"For equal heads: {exc.fix}.",
        )
    return True, ()


def _look(recording: Recording, *, faces: bool) -> Look:
    """Look at a take."""
    media = probe(recording.source.path)
    if media.video is None:
        return UNSEEN
    begin_s, end_s = recording.stretch.within(media.duration_s)
    pictures = sample_pictures(media, _PICTURES, _WIDTH_PX, from_s=begin_s, to_s=end_s)
    framing = measure_framing(pictures, FaceFinder() if faces else None)
    return Look(framing, measure_tone(pictures))


def _kept(recording: Recording, store: Store, *, faces: bool) -> Look | None:
    """Return what is kept of a take; one without faces serves only where none can be found."""
    record = (store.load(_name(recording), _LOOKING) or {}).get(recording.stretch.text)
    return _look_from(record) if record and (record["faces"] or not faces) else None


def _keep(recording: Recording, look: Look, store: Store, *, faces: bool) -> None:
    """Keep what was seen of a take, beside other takes of its file."""
    records = store.load(_name(recording), _LOOKING) or {}
    records[recording.stretch.text] = {**asdict(look), "faces": faces}
    store.save(_name(recording), _LOOKING, records)


def _name(recording: Recording) -> str:
    """Return what the record of a take's file is called."""
    return f"look-{recording.source.identity}"


def _look_from(record: Any) -> Look:
    """Read a look back from plain data."""
    framing, tone = record["framing"], record["tone"]
    return Look(
        Framing(
            heads=tuple(Head(**head) for head in framing["heads"]),
            sure=framing["sure"],
            moving=Region(**framing["moving"]) if framing["moving"] else None,
        ),
        ToneStats(**tone) if tone else None,
    )
