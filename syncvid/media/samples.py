"""A few small pictures from all over a clip, cheaply, to be measured and not to be shown."""

from __future__ import annotations

from contextlib import closing

from syncvid.arrays import Planes
from syncvid.errors import MediaError
from syncvid.media.pictures import Crop, PictureFile
from syncvid.media.probe import MediaInfo

# Right at its edges a stretch often shows somebody who reaches for the phone.
_EDGE = 0.5


def sample_pictures(
    media: MediaInfo,
    count: int,
    width: int,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
) -> list[Planes]:
    """Read pictures evenly over a stretch of a clip.

    Parameters
    ----------
    media : MediaInfo
        The file, as probed.
    count : int
        How many to read.
    width : int
        About how wide and high at most: the longer side, in pixels.
    from_s, to_s : float or None
        Clip seconds between which to look; None: where there are pictures.

    Returns
    -------
    list of Planes
        Upright, whole, BT.709, limited range, in the order of time.  Only key pictures are
        decoded, so that there may be fewer than `count` where the file has few.

    Raises
    ------
    MediaError
        The file has no pictures, or not one can be decoded.
    """
    video = media.video
    if video is None:
        raise MediaError("The file has no moving picture.", where=str(media.path))
    with closing(PictureFile(media, key_only=True)) as pictures:
        begin_s = max(video.first_s, from_s if from_s is not None else video.first_s)
        end_s = min(video.end_s, to_s if to_s is not None else video.end_s)
        size = _size(video.width, video.height, width)
        step_s = max(0.0, end_s - begin_s) / count
        sampled: list[Planes] = []
        last: int | None = None
        for number in range(count):
            ticks = pictures.advance(begin_s + (number + _EDGE) * step_s)
            if ticks != last:
                ((luma, u, v),) = pictures.planes_for([Crop(*size)])
                sampled.append((luma.copy(), u.copy(), v.copy()))
            last = ticks
    return sampled


def _size(width: int, height: int, longest: int) -> tuple[int, int]:
    """Return an even size of the same shape whose longer side is about `longest`."""
    scale = longest / max(width, height)
    across, down = (2 * max(8, round(side * scale / 2)) for side in (width, height))
    return across, down
