"""Still images as the picture of a part; written by Pillow, judged by their known colours."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image, ImageCms

from syncvid.errors import MediaError
from syncvid.media.pictures import Crop, PictureFile
from syncvid.media.probe import probe
from tests.colour_patches import to_ycbcr
from tests.media.conftest import write_media

# Upper left, upper right, lower left, lower right of the picture as it is meant.
RED, GREEN, BLUE, GREY = (220, 40, 30), (30, 200, 60), (40, 60, 220), (128, 128, 128)
QUARTERS = np.array([[RED, GREEN], [BLUE, GREY]], np.uint8)


def quarters(wide: int = 192, high: int = 108) -> Image.Image:
    """Return a picture of four colours."""
    return Image.fromarray(np.kron(QUARTERS, np.ones((high // 2, wide // 2, 1), np.uint8)))


def seen(path: Path, width: int = 96, height: int = 54) -> np.ndarray:
    """Return Y', C'B, C'R of the middles of the four quarters, shape (4, 3)."""
    pictures = PictureFile(probe(path))
    planes = pictures.planes_at(5.0, width, height)
    pictures.close()
    found = []
    for row in (0.25, 0.75):
        for column in (0.25, 0.75):
            at = [(round(row * p.shape[0]), round(column * p.shape[1])) for p in planes]
            found.append([float(p[y, x]) for p, (y, x) in zip(planes, at, strict=True)])
    return np.array(found)


def expected(*colours: tuple[int, int, int]) -> np.ndarray:
    """Return the levels of BT.709 of sRGB colours."""
    return to_ycbcr(np.array(colours) / 255, 1)


AS_MEANT = expected(RED, GREEN, BLUE, GREY)


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("photo.jpg", {"quality": 98, "subsampling": 0}),
        ("drawing.png", {}),
        ("photo.webp", {"lossless": True}),
        ("photo.bmp", {}),
        ("scan.tiff", {}),
        ("no ending", {"format": "PNG"}),
    ],
)
def test_a_still_is_one_picture_without_end(tmp_path: Path, name: str, how: dict) -> None:
    path = tmp_path / name
    quarters().save(path, **how)
    media = probe(path)
    assert media.is_still
    assert media.video is not None
    assert (media.video.width, media.video.height) == (192, 108)
    assert (media.duration_s, media.sound) == (0.0, None)
    pictures = PictureFile(media)
    assert [pictures.advance(at) for at in (-3.0, 0.0, 1000.0, 2.0)] == [0, 0, 0, 0]
    assert not pictures.ran_out
    first = pictures.planes_for([Crop(96, 54)])[0]
    assert pictures.planes_for([Crop(192, 108), Crop(96, 54)])[1][0] is first[0]
    pictures.close()
    assert seen(path) == pytest.approx(AS_MEANT, abs=3)


# EXIF 2.3, tag 0x0112: what has to be done to the stored picture, as Pillow calls it; here its
# opposite is done before.
STORED = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@pytest.mark.parametrize("orientation", STORED)
def test_a_photo_is_shown_upright(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    path = tmp_path / "photo.jpg"
    quarters().transpose(STORED[orientation]).save(path, quality=98, subsampling=0, exif=exif)
    media = probe(path)
    assert media.video is not None
    assert (media.video.width, media.video.height) == (192, 108)
    assert seen(path) == pytest.approx(AS_MEANT, abs=3)


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P"])
def test_what_is_transparent_is_paper(tmp_path: Path, mode: str) -> None:
    drawn = quarters().convert("RGBA")
    drawn.paste((0, 0, 0, 0), (0, 0, 96, 54))
    drawn.convert(mode).save(tmp_path / "drawing.png")
    found = seen(tmp_path / "drawing.png")
    assert found[0] == pytest.approx([235, 128, 128], abs=1)
    assert found[3] == pytest.approx(AS_MEANT[3], abs=3)


def test_greys_of_16_bit(tmp_path: Path) -> None:
    grey = np.kron(np.array([[0, 65535], [32768, 16384]], np.uint16), np.ones((54, 96), np.uint16))
    Image.fromarray(grey).save(tmp_path / "scan.png")
    assert seen(tmp_path / "scan.png")[:, 0] == pytest.approx([16, 235, 126, 71], abs=1)


def test_the_profile_of_a_photo_is_heeded(tmp_path: Path) -> None:
    """A profile with red and blue changed over: littleCMS's own sRGB, its tags renamed."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    swapped = profile.replace(b"rXYZ", b"tmp!").replace(b"bXYZ", b"rXYZ").replace(b"tmp!", b"bXYZ")
    assert swapped != profile
    path = tmp_path / "photo.png"
    quarters().save(path, icc_profile=swapped)
    assert seen(path) == pytest.approx(expected(RED[::-1], GREEN[::-1], BLUE[::-1], GREY), abs=6)


def test_a_large_photo_is_read_small_and_keeps_its_shape(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    quarters(9000, 4500).save(path, quality=90)
    media = probe(path)
    assert media.video is not None
    assert (media.video.width, media.video.height) == (9000, 4500)
    assert seen(path, 96, 48) == pytest.approx(AS_MEANT, abs=4)


@pytest.mark.parametrize("ending", ["gif", "png"])
def test_an_animation_is_a_film(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"moving.{ending}"
    shades = [Image.new("RGB", (64, 48), (level, level, level)) for level in (20, 120, 220)]
    shades[0].save(path, save_all=True, append_images=shades[1:], duration=500)
    media = probe(path)
    assert not media.is_still
    assert media.duration_s == pytest.approx(1.5, abs=0.02)
    pictures = PictureFile(media)
    levels = [pictures.planes_at(at, 32, 24)[0].mean() for at in (0.2, 0.7, 1.2)]
    pictures.close()
    assert levels == pytest.approx([16 + 219 * n / 255 for n in (20, 120, 220)], abs=2)


def test_a_photo_in_an_unknown_format_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "IMG_0042.HEIC"
    path.write_bytes(struct.pack(">I", 24) + b"ftypheic\0\0\0\0mif1heic" + bytes(400))
    with pytest.raises(MediaError, match=r"HEIC.*Export it as JPEG"):
        probe(path)


@pytest.mark.parametrize("kept", [30, 2000])
def test_a_damaged_photo_says_what_to_do(tmp_path: Path, kept: int) -> None:
    whole = io.BytesIO()
    noise = np.random.default_rng(0).integers(0, 255, (108, 192, 3), np.uint8)
    Image.fromarray(noise).save(whole, "JPEG")
    path = tmp_path / "photo.jpg"
    path.write_bytes(whole.getvalue()[:kept])
    with pytest.raises(MediaError, match=r"image cannot be read.*JPEG"):
        PictureFile(probe(path)).planes_at(0.0, 96, 54)


def test_a_cover_image_is_no_picture(tmp_path: Path) -> None:
    """An MP3 with a picture in its ID3 tag (ID3v2.3, 4.15: APIC)."""
    cover = io.BytesIO()
    quarters().save(cover, "JPEG")
    image = cover.getvalue()
    sound = np.random.default_rng(1).normal(0, 0.1, 48_000).astype(np.float32)
    mp3 = write_media(tmp_path / "plain.mp3", sound, sound_codec="libmp3lame")
    body = b"\0image/jpeg\0\3\0" + image
    tag = b"APIC" + struct.pack(">I", len(body)) + b"\0\0" + body
    size = bytes(len(tag) >> shift & 127 for shift in (21, 14, 7, 0))
    tagged = tmp_path / "tagged.mp3"
    tagged.write_bytes(b"ID3\3\0\0" + size + tag + mp3.read_bytes())
    with av.open(str(tagged)) as container:
        assert len(container.streams.video) == 1
    media = probe(tagged)
    assert media.video is None
    assert media.sound is not None
    assert not media.is_still
