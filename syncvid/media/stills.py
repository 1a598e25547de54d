"""Still images: a photo or a drawing that stands for a part without a film.

Pillow reads them: unlike the film decoders it undoes the camera's orientation, knows transparency,
and reads photos of any size at a smaller one.  Animations, other than those of WebP, are films.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING, Any

import av
import numpy as np

from syncvid.errors import MediaError
from syncvid.media.errors import media_errors

if TYPE_CHECKING:
    from PIL.Image import Image

# How files of stills begin; `_looks_like_still` knows the containers.
_BEGINNINGS = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"GIF8", b"BM", b"II*\x00", b"MM\x00*")

# ISO/IEC 23008-12: brands of files that hold stills in the container of films.  The brands of
# sequences (msf1, hevc, avis) are films.
_STILL_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif")
_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1")

# More than any output shows of a still, also zoomed; a phone's 48 million pixels take 144 MB.
_LONGEST_SIDE_PX = 4096

# What shows through a drawing's transparent parts: paper.
_PAPER = (255, 255, 255)

_EXPORT = "Export it as JPEG and name that file instead"


def still_shape(path: str | os.PathLike[str]) -> tuple[int, int] | None:
    """Return the upright size of a still image, or None if the file is something else.

    Parameters
    ----------
    path : str or path-like
        Any file, or no file.

    Returns
    -------
    (int, int) or None
        Width and height in pixels.

    Raises
    ------
    MediaError
        It is a still, but cannot be read.
    """
    with media_errors(path):
        if not _looks_like_still(path):
            return None
    with _image(path) as image:
        # An animation is a film; of WebP only the first picture can be had.
        if getattr(image, "is_animated", False) and image.format in ("GIF", "PNG"):
            return None
        width, height = image.size
        # EXIF 2.3, tag 0x0112: orientations 5 to 8 change width and height over.
        sideways = image.getexif().get(0x0112, 1) in (5, 6, 7, 8)
    return (height, width) if sideways else (width, height)


def read_still(path: str | os.PathLike[str]) -> Any:
    """Read a still image.

    Parameters
    ----------
    path : str or path-like
        The file.

    Returns
    -------
    av.VideoFrame
        Upright, RGB of 8 bit, full range, sRGB; at most 4096 pixels wide and high.

    Raises
    ------
    MediaError
        It cannot be read.
    """
    from PIL import ImageOps

    with _image(path) as image:
        image.thumbnail((_LONGEST_SIDE_PX, _LONGEST_SIDE_PX), reducing_gap=2.0)
        rgb = _on_paper(_as_srgb(ImageOps.exif_transpose(image)))
        picture = av.VideoFrame.from_ndarray(np.asarray(rgb), format="rgb24")
    picture.pts = 0
    picture.color_range = 2
    return picture


def _looks_like_still(path: str | os.PathLike[str]) -> bool:
    """Tell by its first bytes whether a file is a still image, readable or not."""
    if not os.path.isfile(path):
        return False
    with open(path, "rb") as file:
        head = file.read(16)
    if head[4:8] == b"ftyp":
        return head[8:12] in _STILL_BRANDS
    return head.startswith(_BEGINNINGS) or (head[:4] == b"RIFF" and head[8:12] == b"WEBP")


@contextmanager
def _image(path: str | os.PathLike[str]) -> Iterator[Image]:
    """Open a still; what Pillow raises while it is used becomes a `MediaError`."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            # Large photos are read at a smaller size.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            image = Image.open(path)
        with image:
            yield image
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as exc:
        if isinstance(exc, MediaError):
            raise
        with open(path, "rb") as file:
            heic = file.read(16)[8:12] in _HEIC_BRANDS
        if heic:
            what, fix = "Photos in the HEIC format cannot be read.", f"{_EXPORT}."
        else:
            what, fix = "The image cannot be read.", f"{_EXPORT}, or have it sent again."
        raise MediaError(what, where=str(path), fix=fix) from exc


def _as_srgb(image: Image) -> Image:
    """Convert the colours that a photo's profile describes, a phone's wide ones for instance."""
    from PIL import ImageCms

    profile = image.info.get("icc_profile")
    if not profile or image.mode not in ("RGB", "RGBA", "CMYK", "L"):
        return image
    try:
        source = ImageCms.ImageCmsProfile(BytesIO(profile))
        target = ImageCms.createProfile("sRGB")
        mode = "RGBA" if image.mode == "RGBA" else "RGB"
        converted = ImageCms.profileToProfile(image, source, target, outputMode=mode)
    except ImageCms.PyCMSError:
        return image
    return converted or image


def _on_paper(image: Image) -> Image:
    """Return an image as RGB of 8 bit, its transparent parts filled."""
    from PIL import Image

    if image.mode.startswith("I"):
        # Greys of 16 bit, which Pillow would cut off at 255.
        image = Image.fromarray((np.asarray(image) >> 8).clip(0, 255).astype(np.uint8))
    if not image.has_transparency_data:
        return image.convert("RGB")
    drawn = image.convert("RGBA")
    paper = Image.new("RGBA", drawn.size, (*_PAPER, 255))
    return Image.alpha_composite(paper, drawn).convert("RGB")
