"""Reading sound onto the clip's clock.

Samples are placed by the timestamps of their packets: a late start is silence at the head, what an
edit list cuts away is dropped, and a gap in the recording stays a gap.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from typing import Any

import av
import numpy as np

from syncvid.arrays import Audio, Sound
from syncvid.errors import MediaError
from syncvid.media.edits import Edit
from syncvid.media.errors import media_errors
from syncvid.media.probe import MediaInfo, SoundInfo, decoded, open_media, probe
from syncvid.timeline import to_samples

# A step in the timestamps larger than this is a gap in the recording.  Smaller ones are the
# rounding of containers that count in milliseconds.
_GAP_S = 0.010

# Decoders give a little more than the container says.
_ROOM_S = 1.0

# A decoder that starts in the middle needs some packets before what it gives is right.
_WARM_UP_S = 0.25

# Blocks of at least this many samples go through the resampler at once.
_BLOCK_SAMPLES = 16_384


def read_sound(media: MediaInfo, *, sample_rate: int | None = None, mono: bool = False) -> Sound:
    """Read all sound of a file.

    Parameters
    ----------
    media : MediaInfo
        The file, as probed.
    sample_rate : int or None
        Convert to this rate, in Hz; None keeps the file's own.
    mono : bool
        Whether to mix the channels down to one.

    Returns
    -------
    Sound
        Sample 0 lies at clip time 0.  More than two channels are mixed down to two.

    Raises
    ------
    MediaError
        The file has no sound, or cannot be read.
    """
    info = _sound_info(media)
    rate = sample_rate or info.sample_rate
    channels = 1 if mono else min(2, info.channels)
    expected = to_samples(max(0.0, info.end_s) + _ROOM_S, rate)
    return Sound(_gathered(_Blocks(media, rate, channels), channels, expected), rate)


def resample(sound: Sound, sample_rate: int) -> Sound:
    """Convert a sound to another rate; sample 0 stays at time 0."""
    if sample_rate == sound.sample_rate:
        return sound
    channels, length = sound.samples.shape
    pieces = (
        np.ascontiguousarray(sound.samples[:, first : first + _BLOCK_SAMPLES])
        for first in range(0, length, _BLOCK_SAMPLES)
    )
    expected = to_samples(sound.duration_s + _ROOM_S, sample_rate)
    blocks = _resampled(pieces, sound.sample_rate, sample_rate)
    return Sound(_gathered(blocks, channels, expected), sample_rate)


def _gathered(blocks: Iterable[Audio], channels: int, expected: int) -> Audio:
    """Join blocks; room for as many samples as are expected keeps them from being held twice."""
    whole = np.empty((channels, expected), np.float32)
    length = 0
    for block in blocks:
        end = length + block.shape[1]
        if end > whole.shape[1]:
            whole = np.concatenate((whole, np.empty((channels, end), np.float32)), axis=1)
        whole[:, length:end] = block
        length = end
    return whole[:, :length]


class SoundFile:
    """A file's sound read forward in pieces; a `syncvid.sources.SoundSource`.

    Going back starts the file again from its head, so that every sample lies where it belongs.

    Parameters
    ----------
    path : str or path-like
        The file.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.media = probe(path)
        self._info = _sound_info(self.media)
        self._blocks: Iterator[Audio] | None = None
        self._rate = 0
        self._held = np.zeros((1, 0), np.float32)
        self._held_from = 0

    @property
    def duration_s(self) -> float:
        """Length in seconds, from clip time 0 to the end of the sound."""
        return self._info.end_s

    def read(self, from_s: float, to_s: float, sample_rate: int) -> Audio:
        """Return the sound between two clip times, shape (channels, samples); silent outside."""
        first, last = to_samples(from_s, sample_rate), to_samples(to_s, sample_rate)
        if self._blocks is None or sample_rate != self._rate or first < self._held_from:
            self._restart(sample_rate)
        self._fill(first, last)
        out = np.zeros((self._held.shape[0], max(0, last - first)), np.float32)
        begin = max(first, self._held_from, 0)
        piece = self._held[:, begin - self._held_from : max(begin, last) - self._held_from]
        if piece.shape[1]:
            out[:, begin - first : begin - first + piece.shape[1]] = piece
        return out

    def _restart(self, sample_rate: int) -> None:
        """Begin at the head of the file."""
        channels = min(2, self._info.channels)
        self._blocks = iter(_Blocks(self.media, sample_rate, channels))
        self._rate, self._held_from = sample_rate, 0
        self._held = np.zeros((channels, 0), np.float32)

    def _fill(self, first: int, last: int) -> None:
        """Read on until the samples up to `last` are held; forget those before `first`."""
        blocks = [self._held]
        held_to = self._held_from + self._held.shape[1]
        while held_to < last and self._blocks is not None:
            block = next(self._blocks, None)
            if block is None:
                break
            blocks.append(block)
            held_to += block.shape[1]
        held = np.concatenate(blocks, axis=1)
        drop = min(max(0, first - self._held_from), held.shape[1])
        self._held, self._held_from = held[:, drop:], self._held_from + drop


def _floats(samples: av.AudioFrame) -> Audio:
    """Return a decoded block as (channels, samples) float32."""
    return samples.to_ndarray().astype(np.float32, copy=False)


def _sound_info(media: MediaInfo) -> SoundInfo:
    """Return the sound stream's description, or say that there is none."""
    if media.sound is None:
        raise MediaError(
            "The file has no sound.",
            where=str(media.path),
            fix="Have it exported again with sound.",
        )
    return media.sound


class _Blocks:
    """The sound of a file as blocks at one rate, contiguous from clip time 0."""

    def __init__(self, media: MediaInfo, sample_rate: int, channels: int) -> None:
        self._media, self._rate, self._channels = media, sample_rate, channels
        self._info = _sound_info(media)

    def __iter__(self) -> Iterator[Audio]:
        if self._rate == self._info.sample_rate:
            yield from self._placed()
        else:
            yield from _resampled(_joined(self._placed()), self._info.sample_rate, self._rate)

    def _placed(self) -> Iterator[Audio]:
        """Yield blocks at the file's own rate; gaps filled, what lies before time 0 dropped."""
        rate, at = self._info.sample_rate, 0
        gap = to_samples(_GAP_S, rate)
        for begin_s, block in self._decoded():
            begin = to_samples(begin_s, rate)
            if block.shape[0] > self._channels:
                block = block.mean(axis=0, keepdims=True)
            if abs(begin - at) > gap or at == 0:
                if begin > at:
                    yield np.zeros((block.shape[0], begin - at), np.float32)
                    at = begin
                block = block[:, max(0, at - begin) :]
            if block.shape[1]:
                yield block
                at += block.shape[1]

    def _decoded(self) -> Iterator[tuple[float, Audio]]:
        """Yield each decoded block with its clip time, as planar float32, one or two channels."""
        zero_s = float(self._media.zero)
        if not self._info.edits:
            for begin_s, block in self._read(None):
                yield begin_s - zero_s, block
        for edit in self._info.edits:
            for begin_s, block in self._edited(edit):
                yield begin_s - zero_s, block

    def _edited(self, edit: Edit) -> Iterator[tuple[float, Audio]]:
        """Yield the blocks of a stretch with their times in the presentation."""
        rate = self._info.sample_rate
        length = to_samples(float(edit.to_s - edit.from_s), rate)
        for begin_s, block in self._read(float(edit.media_s)):
            at = to_samples(begin_s - float(edit.media_s), rate)
            if at >= length:
                return
            kept = block[:, max(0, -at) : length - at]
            if at + block.shape[1] > 0:
                yield float(edit.from_s) + max(0, at) / rate, kept

    def _read(self, from_s: float | None) -> Iterator[tuple[float, Audio]]:
        """Yield blocks with their times in the container, all or those from a moment on."""
        info, media = self._info, self._media
        layout = "mono" if info.channels == 1 else "stereo"
        with open_media(
            media.path, exact_edits=media.exact_edits, own_edits=media.own_edits
        ) as container:
            stream = container.streams[info.index]
            if from_s is not None:
                early_s = max(0.0, from_s - _WARM_UP_S)
                container.seek(round(early_s / (stream.time_base or 1)), stream=stream)
            resampler: Any = None
            for packet in _packets(container, stream, media):
                for item in decoded(packet):
                    begin_s = float(item.pts * item.time_base)
                    item.pts = None
                    if resampler is None:
                        resampler = av.AudioResampler("fltp", layout, info.sample_rate)
                    for out in resampler.resample(item):
                        yield begin_s, _floats(out)


def _packets(container: Any, stream: Any, media: MediaInfo) -> Iterator[Any]:
    """Read a stream's packets; a file that breaks off ends where it breaks off."""
    with media_errors(media.path):
        try:
            yield from container.demux(stream)
        except (av.error.InvalidDataError, av.error.EOFError):
            return


def _resampled(blocks: Iterator[Audio], from_hz: int, to_hz: int) -> Iterator[Audio]:
    """Convert contiguous blocks from one rate to another."""
    resampler: av.AudioResampler | None = None
    for block in blocks:
        layout = "mono" if block.shape[0] == 1 else "stereo"
        if resampler is None:
            resampler = av.AudioResampler(format="fltp", layout=layout, rate=to_hz)
        samples = av.AudioFrame.from_ndarray(block, format="fltp", layout=layout)
        samples.sample_rate = from_hz
        yield from map(_floats, resampler.resample(samples))
    if resampler is not None:
        yield from map(_floats, resampler.resample(None))


def _joined(blocks: Iterator[Audio]) -> Iterator[Audio]:
    """Join small blocks into larger ones; a call into the resampler costs more than its work."""
    pending: list[Audio] = []
    for block in blocks:
        pending.append(block)
        if sum(part.shape[1] for part in pending) >= _BLOCK_SAMPLES:
            yield np.ascontiguousarray(np.concatenate(pending, axis=1))
            pending = []
    if pending:
        yield np.ascontiguousarray(np.concatenate(pending, axis=1))
