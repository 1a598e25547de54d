"""Sound and pictures into mp4, mov and webm files, each with the habits of its phone.

A picture is drawn for its own presentation timestamp, so that what is seen at a clip second is what
sounds at that clip second, whatever the picture rate does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from .plan import Camera, Clip

# Video players count variable rates in 90 000ths of a second.
_FINE_TICK = Fraction(1, 90_000)
_KEY_PICTURE_EVERY_S = 8
_MONO_BITS, _STEREO_BITS = 64_000, 96_000
_AUDIO_BLOCK = 4_800
_BT709, _LIMITED_RANGE = 1, 1

DrawPicture = Callable[[float, int], np.ndarray]


def tick(camera: Camera) -> Fraction:
    """Return the unit of the picture timestamps in seconds."""
    return _FINE_TICK if camera.jitter_s else 1 / camera.rate


def picture_ticks(clip: Clip) -> list[int]:
    """Return the timestamp of every picture of a clip, in ticks."""
    camera = clip.camera
    count = int(clip.seconds * camera.rate)
    if not camera.jitter_s:
        return list(range(count))
    rng = np.random.default_rng(clip.seed + 1000)
    step = float(1 / camera.rate)
    times_s = np.arange(count) * step + np.clip(
        rng.normal(0.0, camera.jitter_s, count), -0.4 * step, 0.4 * step
    )
    kept = rng.random(count) >= camera.dropped
    # A phone that is busy loses a few pictures in a row.
    kept[count // 3 : count // 3 + 5] = False
    kept[0], times_s[0] = True, 0.0
    return [round(float(at_s) / float(_FINE_TICK)) for at_s in times_s[kept]]


def write_clip(clip: Clip, sound: np.ndarray, draw: DrawPicture, path: Path) -> int:
    """Write one clip.

    Parameters
    ----------
    clip : Clip
        The plan.
    sound : ndarray, shape (channels, samples)
        At the phone's sample rate.
    draw : callable
        Gives the upright picture of a clip second and picture index.
    path : Path
        Where to; the suffix chooses the container.

    Returns
    -------
    int
        How many pictures were written.
    """
    ticks = picture_ticks(clip)
    options = {} if path.suffix == ".webm" else {"movflags": "+faststart"}
    with av.open(str(path), "w", options=options) as container:
        video = _add_video(container, clip.camera)
        audio = _add_audio(container, clip, webm=path.suffix == ".webm")
        blocks = _sound_blocks(sound, clip)
        sound_s = -1.0
        for index, at in enumerate(ticks):
            clip_s = float(at * tick(clip.camera))
            while sound_s <= clip_s and (block := next(blocks, None)) is not None:
                container.mux(audio.encode(block))
                sound_s = block.pts / block.sample_rate
            container.mux(video.encode(_picture(draw(clip_s, index), clip.camera, at)))
        for block in blocks:
            container.mux(audio.encode(block))
        container.mux(video.encode(None))
        container.mux(audio.encode(None))
    return len(ticks)


def _add_video(container: av.container.OutputContainer, camera: Camera) -> av.VideoStream:
    """Add the picture stream with its display matrix and colour tags."""
    stream = container.add_stream(camera.codec, rate=camera.rate, options=_video_options(camera))
    stream.width, stream.height, stream.pix_fmt = camera.width, camera.height, "yuv420p"
    context = stream.codec_context
    context.time_base = stream.time_base = tick(camera)
    context.color_primaries = context.color_trc = context.colorspace = _BT709
    context.color_range = _LIMITED_RANGE
    context.thread_count = 1
    if camera.codec == "libx265":
        # Some players know HEVC in this container by this name only.
        context.codec_tag = "hvc1"
    if camera.turn:
        stream.set_display_rotation(camera.turn)
    return stream


def _video_options(camera: Camera) -> dict[str, str]:
    """Return the encoder's settings: small files, key pictures far apart."""
    every = str(int(_KEY_PICTURE_EVERY_S * camera.rate))
    if camera.codec == "libvpx-vp9":
        return {"crf": str(camera.crf), "b": "0", "g": every, "cpu-used": "3", "deadline": "good"}
    options = {"crf": str(camera.crf), "g": every, "preset": "medium"}
    if camera.codec == "libx265":
        return options | {"x265-params": "log-level=error:pools=1:frame-threads=1"}
    return options | {"tune": "animation"}


def _add_audio(
    container: av.container.OutputContainer, clip: Clip, *, webm: bool
) -> av.AudioStream:
    """Add the sound stream."""
    stereo = clip.phone.stereo
    stream = container.add_stream(
        "libopus" if webm else "aac",
        rate=clip.phone.sample_rate,
        layout="stereo" if stereo else "mono",
    )
    stream.bit_rate = _STEREO_BITS if stereo else _MONO_BITS
    return stream


def _sound_blocks(sound: np.ndarray, clip: Clip) -> Iterator[av.AudioFrame]:
    """Cut the sound into frames; the encoder takes care of its own sample format."""
    layout = "stereo" if clip.phone.stereo else "mono"
    for start in range(0, sound.shape[1], _AUDIO_BLOCK):
        block = np.ascontiguousarray(sound[:, start : start + _AUDIO_BLOCK], dtype=np.float32)
        frame = av.AudioFrame.from_ndarray(block, format="fltp", layout=layout)
        frame.sample_rate = clip.phone.sample_rate
        frame.time_base = Fraction(1, clip.phone.sample_rate)
        frame.pts = start
        yield frame


def _picture(upright: np.ndarray, camera: Camera, at: int) -> av.VideoFrame:
    """Turn an upright picture as the phone lay, and convert it for the encoder."""
    coded = np.ascontiguousarray(np.rot90(upright, -camera.turn // 90))
    frame = av.VideoFrame.from_ndarray(coded, format="bgra").reformat(
        format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG"
    )
    frame.time_base = tick(camera)
    frame.pts = at
    return frame
