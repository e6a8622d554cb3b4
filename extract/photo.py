"""The photo room: bytes in, an upright picture out.

Pillow decodes every format, so a damaged file raises instead of being padded with grey, and the EXIF orientation is
applied in one place, once.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import math
import warnings
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from extract.doors import Bytes, CannotContinue, Photo

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""EXIF 2.32 "FocalLengthIn35mmFilm" refers to the 36 × 24 mm frame; phones state it for the equal diagonal (CIPA
DCG-001)."""

MAX_MEGAPIXELS = 250.0
"""The largest phone sensors give 200 megapixels; a larger picture would not fit the memory this job may use."""

_RETAKE = "Choose a JPEG, HEIC, PNG, TIFF or WebP photo straight from the camera."


def read_photo(source: Path | bytes, name: str | None = None) -> Photo:
    """Decode a JPEG, PNG, TIFF, WebP or HEIC picture and turn it upright.

    ``source`` is a file or its bytes; ``name`` is what the maker calls it (the file's own name by default).
    ``focal_hint_px`` comes from EXIF FocalLengthIn35mmFilm where that is given. Raises ``CannotContinue`` when the
    file is missing, empty, not a picture, damaged, or over 250 megapixels.
    """
    data = source if isinstance(source, bytes) else _file_bytes(Path(source))
    name = name or (source.name if isinstance(source, Path) else "photo")
    if not data:
        raise CannotContinue("photo", f"{name} is empty.", "Copy the photo again from the phone.")
    pixels, focal_35mm = _decode(data, name)
    height, width = pixels.shape[:2]
    hint = focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(width, height) if focal_35mm else None
    return Photo(name, pixels, hashlib.sha256(data).hexdigest(), hint)


def _file_bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except IsADirectoryError:
        raise CannotContinue("photo", f"{path.name} is a folder, not a photo.", "Name the photo itself.") from None
    except FileNotFoundError:
        raise CannotContinue("photo", f"There is no file {path}.", "Check the name and the folder.") from None
    except OSError as error:
        why = error.strerror or "it cannot be opened"
        raise CannotContinue("photo", f"{path.name} cannot be read: {why}.", "Copy it to this machine first.") from None


def _decode(data: bytes, name: str) -> tuple[Bytes, float | None]:
    """Upright BGR pixels and the stated 35 mm focal length."""
    with _quiet_pillow():
        try:
            image = Image.open(io.BytesIO(data))
        except UnidentifiedImageError:
            raise CannotContinue("photo", f"{name} is not a picture this program can read.", _RETAKE) from None
        except (OSError, SyntaxError, ValueError, EOFError):
            raise _damaged(name) from None
        megapixels = image.width * image.height / 1e6
        if megapixels > MAX_MEGAPIXELS:
            reason = f"{name} has {megapixels:.0f} megapixels; {MAX_MEGAPIXELS:.0f} is the most this program takes."
            raise CannotContinue("photo", reason, "Take it with 12 to 50 megapixels, or shrink it first.")
        try:
            focal_35mm = _stated_focal(image)
            ImageOps.exif_transpose(image, in_place=True)
            return _bgr(image), focal_35mm
        except (OSError, SyntaxError, ValueError, EOFError, MemoryError, Image.DecompressionBombError):
            raise _damaged(name) from None


@contextlib.contextmanager
def _quiet_pillow() -> Iterator[None]:
    """Pillow's own size guard warns and raises by its own measure; ours is checked from the header instead."""
    guard, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        import pillow_heif

        pillow_heif.register_heif_opener()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        Image.MAX_IMAGE_PIXELS = guard


def _damaged(name: str) -> CannotContinue:
    return CannotContinue("photo", f"{name} is damaged or cut short.", "Copy the photo again from the phone.")


def _stated_focal(image: Image.Image) -> float | None:
    """EXIF FocalLengthIn35mmFilm in mm; zero means unknown (EXIF 2.32, tag 41989)."""
    exif = image.getexif().get_ifd(ExifTags.IFD.Exif)
    try:
        focal = float(exif.get(ExifTags.Base.FocalLengthIn35mmFilm, 0))
    except (TypeError, ValueError):
        return None
    return focal if 5.0 <= focal <= 1000.0 else None


def _bgr(image: Image.Image) -> Bytes:
    if image.mode.startswith(("I", "F")):
        grey = np.asarray(image, np.float64)
        top = 65535.0 if grey.max() > 255 else 255.0
        levels = np.clip(grey * (255.0 / top), 0, 255).astype(np.uint8)
        return np.asarray(cv2.cvtColor(levels, cv2.COLOR_GRAY2BGR), np.uint8)
    # converting what is RGB already would copy it, half a gigabyte for the largest phone sensors
    colours = image if image.mode == "RGB" else image.convert("RGB")
    return np.asarray(cv2.cvtColor(np.asarray(colours), cv2.COLOR_RGB2BGR), np.uint8)
