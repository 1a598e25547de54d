"""Reading the right picture of a file, cropped and scaled for a tile, in one colour space."""

from syncvid.media.pictures.crop import CENTRE, Crop, Cut, Focus, cut_to_fill
from syncvid.media.pictures.reader import PictureFile

__all__ = ["CENTRE", "Crop", "Cut", "Focus", "PictureFile", "cut_to_fill"]
