"""What a file holds, on its own clock, without decoding more than its first pictures and samples.

Edit lists are where readers go wrong.  The demuxer applies them, but where a cut lies between two
pictures it puts the first whole picture at 0, up to one picture early against the sound.  With
``advanced_editlist=0`` every timestamp is exact and the pictures before the cut carry negative
ones; one of these may still be on screen at 0.  That mode knows one cut only, so it is used just
for files that start with one and have no other; those with several are `syncvid.media.edits`.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from av.container import InputContainer

from syncvid.errors import MediaError
from syncvid.media.edits import Edit, read_edits
from syncvid.media.info import MediaInfo, SoundInfo, VideoInfo, open_media
from syncvid.media.orientation import UPRIGHT, orientation_of, shape_as_shown
from syncvid.media.stills import still_shape

__all__ = ["MediaInfo", "SoundInfo", "VideoInfo", "decoded", "open_media", "probe"]

# Packets read at a file's head before a stream counts as empty: some sound starts late.
_HEAD_PACKETS = 3000

# Seconds before the end from which the last timestamps are read.
_TAIL_S = 4.0

# A file that states this much more than it holds was cut off; smaller differences are rounding.
_CUT_OFF_S = 1.0

# ITU-T H.273: transfer characteristics of PQ and HLG.
_HDR_TRANSFERS = (16, 18)


def probe(path: str | os.PathLike[str]) -> MediaInfo:
    """Find the streams of a file, and where they lie on its clock.

    Parameters
    ----------
    path : str or path-like
        The file.

    Returns
    -------
    MediaInfo
        With `video` or `sound` None where there is none; never both.

    Raises
    ------
    MediaNotFoundError
        No such file.
    MediaError
        A folder, an empty or damaged file, a photo of an unknown kind, or a file with neither
        sound nor picture.
    """
    shape = still_shape(path)
    if shape is not None:
        return _describe_still(path, shape)
    edits = read_edits(path)
    exact_edits = not edits and _starts_with_a_cut(path)
    with open_media(path, exact_edits=exact_edits, own_edits=bool(edits)) as container:
        video, sound = _video_stream(container), _sound_stream(container)
        heads = _read_heads(container, [s for s in (video, sound) if s is not None])
        if not heads:
            raise MediaError(
                "The file holds neither sound nor moving picture.",
                where=str(path),
                fix="Name recordings: sound or video files.",
            )
        if edits:
            return _describe_edited(path, container, heads, edits)
        shift = _presentation_floor(container)
        zero = min(
            max(_start(item), shift) if shift is not None else _start(item)
            for item in heads.values()
        )
        ends = _read_ends(path, container, list(heads), exact_edits)
        return _describe(path, container, heads, ends, zero, exact_edits)


def _describe_edited(
    path: str | os.PathLike[str],
    container: InputContainer,
    heads: dict[int, Any],
    edits: dict[int, tuple[Edit, ...]],
) -> MediaInfo:
    """Describe a file with several cuts: its streams begin and end where the edits do."""
    media = _describe(path, container, heads, {}, Fraction(0), exact_edits=False)
    parts: list[VideoInfo | SoundInfo] = [p for p in (media.video, media.sound) if p is not None]
    lists = [edits.get(container.streams[part.index].id, ()) or _whole(part) for part in parts]
    zero = min(edit[0].from_s for edit in lists)
    edited = [
        replace(
            part,
            first_s=float(listed[0].from_s - zero),
            end_s=float(listed[-1].to_s - zero),
            edits=listed,
        )
        for part, listed in zip(parts, lists, strict=True)
    ]
    return replace(
        media,
        zero=zero,
        duration_s=max(part.end_s for part in edited),
        video=next((part for part in edited if isinstance(part, VideoInfo)), None),
        sound=next((part for part in edited if isinstance(part, SoundInfo)), None),
        missing_s=0.0,
        own_edits=True,
    )


def _whole(part: VideoInfo | SoundInfo) -> tuple[Edit, ...]:
    """Return the one edit of a stream that has none beside others that have."""
    return (Edit(Fraction(part.first_s), Fraction(part.end_s), Fraction(part.first_s)),)


def _describe_still(path: str | os.PathLike[str], shape: tuple[int, int]) -> MediaInfo:
    """Describe a still image."""
    video = VideoInfo(
        index=0,
        width=shape[0],
        height=shape[1],
        coded_width=shape[0],
        coded_height=shape[1],
        rotation=0,
        first_s=0.0,
        end_s=0.0,
        rate=Fraction(1),
        is_hdr=False,
    )
    return MediaInfo(Path(os.path.abspath(path)), Fraction(0), 0.0, video, None, is_still=True)


def _starts_with_a_cut(path: str | os.PathLike[str]) -> bool:
    """Tell whether an edit list cuts into a stream's head."""
    with open_media(path, exact_edits=True) as container:
        return "mov" in container.format.name.split(",") and any(
            (stream.start_time or 0) < 0
            for stream in (*container.streams.video, *container.streams.audio)
        )


def _video_stream(container: InputContainer) -> Any:
    """Return the first picture stream that is no cover image, or None."""
    for stream in container.streams.video:
        if not stream.disposition & av.stream.Disposition.attached_pic:
            return stream
    return None


def _sound_stream(container: InputContainer) -> Any:
    """Return the sound stream that the file calls its default, or the first one, or None."""
    streams = [s for s in container.streams.audio if s.codec_context is not None]
    default = [s for s in streams if s.disposition & av.stream.Disposition.default]
    return next(iter(default or streams), None)


def _presentation_floor(container: InputContainer) -> Fraction | None:
    """Return the time before which nothing is presented; None where timestamps are free.

    ISO/IEC 14496-12 presents from movie time 0; what lies before is pre-roll.
    """
    return Fraction(0) if "mov" in container.format.name.split(",") else None


def _read_heads(container: InputContainer, streams: list[Any]) -> dict[int, Any]:
    """Decode until each stream has shown its first picture or samples; by stream index."""
    heads: dict[int, Any] = {}
    for count, packet in enumerate(_packets(container, streams)):
        if len(heads) == len(streams) or count > _HEAD_PACKETS:
            break
        if packet.stream.index in heads:
            continue
        for item in decoded(packet):
            heads.setdefault(packet.stream.index, item)
    return heads


def _packets(container: InputContainer, streams: list[Any]) -> Iterator[Any]:
    """Read packets up to the end or to the first damage that cannot be passed."""
    try:
        yield from container.demux(streams)
    except (av.FFmpegError, OSError):
        return


def decoded(packet: Any) -> list[Any]:
    """Decode a packet; a damaged one gives nothing."""
    try:
        return [item for item in packet.decode() if item.pts is not None]
    except av.FFmpegError:
        return []


def _start(item: Any) -> Fraction:
    """Return the container time of a decoded picture or block of samples."""
    return Fraction(item.pts) * Fraction(item.time_base)


def _read_ends(
    path: str | os.PathLike[str], container: InputContainer, indexes: list[int], exact_edits: bool
) -> dict[int, Fraction]:
    """Find where each stream ends, from the timestamps of its last packets."""
    if container.duration:
        begin = (container.start_time or 0) / av.time_base
        target = max(begin, begin + container.duration / av.time_base - _TAIL_S)
        try:
            container.seek(round(target * av.time_base))
        except (av.FFmpegError, OSError):
            pass  # some cannot be sought in
        else:
            ends = _scan_ends(container, indexes)
            if len(ends) == len(indexes):
                return ends
    with open_media(path, exact_edits=exact_edits) as whole:
        return _scan_ends(whole, indexes)


def _scan_ends(container: InputContainer, indexes: list[int]) -> dict[int, Fraction]:
    """Read all packets that follow for the last end of each stream."""
    streams = [container.streams[index] for index in indexes]
    starts: dict[int, list[Fraction]] = {}
    ends: dict[int, Fraction] = {}
    for packet in _packets(container, streams):
        if packet.pts is None:
            continue
        index, at = packet.stream.index, Fraction(packet.pts) * packet.time_base
        length = Fraction(packet.duration or 0) * packet.time_base
        starts.setdefault(index, []).append(at)
        ends[index] = max(ends.get(index, at), at + length)
    return {index: _with_last_step(end, starts[index]) for index, end in ends.items()}


def _with_last_step(end: Fraction, starts: list[Fraction]) -> Fraction:
    """Give the last packet the median step where the file states no length for it."""
    ordered = sorted(starts)
    steps = sorted(b - a for a, b in itertools.pairwise(ordered))
    if end == ordered[-1] and steps:
        return end + steps[len(steps) // 2]
    return end


def _describe(
    path: str | os.PathLike[str],
    container: InputContainer,
    heads: dict[int, Any],
    ends: dict[int, Fraction],
    zero: Fraction,
    exact_edits: bool,
) -> MediaInfo:
    """Put the streams on the clip's clock."""
    video: VideoInfo | None = None
    sound: SoundInfo | None = None
    for index, item in heads.items():
        stream = container.streams[index]
        first_s = max(0.0, float(_start(item) - zero))
        end_s = max(first_s, float(ends.get(index, _start(item)) - zero))
        if stream.type == "video":
            video = _video_info(stream, item, first_s, end_s)
        else:
            sound = SoundInfo(index, item.sample_rate, len(item.layout.channels), first_s, end_s)
    duration_s = max(part.end_s for part in (video, sound) if part is not None)
    stated_s = (container.duration or 0) / av.time_base
    return MediaInfo(
        path=Path(os.path.abspath(path)),
        zero=zero,
        duration_s=duration_s,
        video=video,
        sound=sound,
        exact_edits=exact_edits,
        missing_s=stated_s - duration_s if stated_s - duration_s > _CUT_OFF_S else 0.0,
    )


def _video_info(stream: Any, picture: Any, first_s: float, end_s: float) -> VideoInfo:
    """Describe the picture stream by its first picture."""
    aspect = Fraction(stream.sample_aspect_ratio or 1) or Fraction(1)
    orientation = orientation_of(picture) or UPRIGHT
    width, height = shape_as_shown(picture, aspect, orientation)
    return VideoInfo(
        index=stream.index,
        width=width,
        height=height,
        coded_width=picture.width,
        coded_height=picture.height,
        rotation=90 * orientation.turns,
        first_s=first_s,
        end_s=end_s,
        rate=Fraction(stream.average_rate or stream.guessed_rate or 30),
        is_hdr=int(picture.color_trc or 0) in _HDR_TRANSFERS,
        mirrored=orientation.mirrored,
        aspect=aspect,
        is_interlaced=bool(picture.interlaced_frame),
    )
