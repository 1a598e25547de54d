"""The ground behind the tiles, where it is an image instead of a colour."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from syncvid.arrays import Planes
from syncvid.picture.colour import parse_colour, planes_from_rgb
from syncvid.picture.pieces import DEFAULT_FOCUS

_BITS_OF_16 = 256  # from 16 bits per sample to 8


def ground_planes(
    image: Image.Image | NDArray[np.uint8],
    size: tuple[int, int],
    *,
    dim: float = 0.0,
    towards: str = "#000000",
    focus: tuple[float, float] = DEFAULT_FOCUS,
) -> Planes:
    """Turn an image into the planes of a whole picture, which it covers; what is over is cropped.

    Parameters
    ----------
    image : Image, or ndarray, shape (height, width, 3), uint8
        As it was opened: turned as the camera held it, in its own colours, partly transparent.
    size : (int, int)
        Width and height of the picture, even.
    dim : float
        How far it gives way to one colour, 0 to 1, so that words on it can be read.
    towards : str
        That colour, ``#rrggbb``; transparent places show it too.
    focus : (float, float)
        The point to keep when cropping, as shares of width and height.
    """
    opened = Image.fromarray(image) if isinstance(image, np.ndarray) else image
    upright = _plain_rgb(ImageOps.exif_transpose(opened), parse_colour(towards))
    fitted = ImageOps.fit(upright, size, Image.Resampling.LANCZOS, centering=focus)
    if dim > 0:
        flat = Image.new("RGB", size, parse_colour(towards))
        fitted = Image.blend(fitted, flat, min(dim, 1.0))
    return planes_from_rgb(np.asarray(fitted))


def _plain_rgb(image: Image.Image, behind: tuple[int, int, int]) -> Image.Image:
    """Return an image in sRGB, opaque, with 8 bits."""
    if image.mode.startswith(("I", "F")):
        values = np.asarray(image, np.float64)
        image = Image.fromarray(np.clip(values / _BITS_OF_16, 0, 255).astype(np.uint8))
    profile = image.info.get("icc_profile")
    if image.mode in ("P", "PA", "LA", "La", "RGBa") or "transparency" in image.info:
        image = image.convert("RGBA")
    alpha = image.getchannel("A") if image.mode == "RGBA" else None
    plain = _in_srgb(image if alpha is None else image.convert("RGB"), profile)
    if alpha is None:
        return plain
    under = Image.new("RGB", image.size, behind)
    under.paste(plain, (0, 0), alpha)
    return under


def _in_srgb(image: Image.Image, profile: bytes | None) -> Image.Image:
    """Convert from an image's own colour profile; phones' photos are often in a wider one."""
    if profile and image.mode in ("RGB", "L", "CMYK"):
        try:
            own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            done = ImageCms.profileToProfile(
                image, own, ImageCms.createProfile("sRGB"), outputMode="RGB"
            )
        except (ImageCms.PyCMSError, OSError):  # a profile that is none
            done = None
        if done is not None:
            return done
    return image.convert("RGB")
