"""The photo room: bytes in, an upright picture out.

Pillow decodes every format, so a damaged file raises instead of being padded with grey, and the EXIF orientation is
applied in one place, once.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import math
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from PIL import ExifTags, Image, UnidentifiedImageError

from extract.doors import Bytes, CannotContinue, Photo

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""EXIF 2.32 "FocalLengthIn35mmFilm" refers to the 36 × 24 mm frame; phones state it for the equal diagonal (CIPA
DCG-001)."""

MAX_MEGAPIXELS = 250.0
"""The largest phone sensors give 200 megapixels; a larger picture would not fit the memory this job may use."""

WORKED_MEGAPIXELS = 64.0
"""Larger pictures are averaged to at most this while they are decoded. 64 megapixels still give the table twice the
sampling that strokes are read at, and the sensors beyond it have one colour filter over four to sixteen of their
pixels, so what is averaged away is interpolated (common practice, no source)."""

STRIP_ROWS = 256

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "HEIF")
"""What cameras write. Pillow would open more: PostScript among it, which is a program, and which it hands to an
interpreter."""

_RETAKE = "Choose a JPEG, HEIC, PNG, TIFF or WebP photo straight from the camera."


def read_photo(source: Path | bytes, name: str | None = None) -> Photo:
    """Decode a JPEG, PNG, TIFF, WebP or HEIC picture and turn it upright.

    ``source`` is a file or its bytes; ``name`` is what the maker calls it (the file's own name by default).
    ``focal_hint_px`` comes from EXIF FocalLengthIn35mmFilm where that is given. Raises ``CannotContinue`` when the
    file is missing, empty, not a picture, damaged, or over 250 megapixels. Over 64 megapixels the picture is averaged
    to ``Photo.reduced`` pixels in one, each way.
    """
    data = source if isinstance(source, bytes) else _file_bytes(Path(source))
    name = name or (source.name if isinstance(source, Path) else "photo")
    if not data:
        raise CannotContinue("photo", f"{name} is empty.", "Copy the photo again from the phone.")
    pixels, focal_35mm, reduced = _decode(data, name)
    height, width = pixels.shape[:2]
    hint = focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(width, height) if focal_35mm else None
    return Photo(name, pixels, hashlib.sha256(data).hexdigest(), hint, reduced)


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


def _decode(data: bytes, name: str) -> tuple[Bytes, float | None, int]:
    """Upright BGR pixels, the stated 35 mm focal length, and how many of the file's pixels lie side by side in one."""
    with _quiet_pillow():
        try:
            image = Image.open(io.BytesIO(data), formats=FORMATS)
        except UnidentifiedImageError:
            raise CannotContinue("photo", f"{name} is not a picture this program can read.", _RETAKE) from None
        except (OSError, SyntaxError, ValueError, EOFError):
            raise _damaged(name) from None
        megapixels = image.width * image.height / 1e6
        if megapixels > MAX_MEGAPIXELS:
            reason = f"{name} has {megapixels:.0f} megapixels; {MAX_MEGAPIXELS:.0f} is the most this program takes."
            raise CannotContinue("photo", reason, "Take it with 12 to 50 megapixels, or shrink it first.")
        reduce = math.ceil(math.sqrt(megapixels / WORKED_MEGAPIXELS))
        try:
            focal_35mm = _stated_focal(image)
            own = {"HEIF": _heif_bgr, "WEBP": _webp_bgr}.get(image.format or "")
            pixels = own(data, image, reduce) if own else _pillow_bgr(image, reduce)
            return pixels, focal_35mm, reduce
        except (OSError, SyntaxError, ValueError, EOFError, RuntimeError, MemoryError, Image.DecompressionBombError):
            raise _damaged(name) from None


_one_at_a_time = threading.Lock()


@contextlib.contextmanager
def _quiet_pillow() -> Iterator[None]:
    """Pillow's own size guard warns and raises by its own measure; ours is checked from the header instead. Guard and
    warnings are the whole program's, so one photo is decoded at a time."""
    import pillow_heif

    with _one_at_a_time, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        guard, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
        try:
            pillow_heif.register_heif_opener()
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


def _pillow_bgr(image: Image.Image, reduce: int) -> Bytes:
    """Upright pixels, averaged ``reduce`` × ``reduce`` to one. A JPEG is averaged while it is decoded, by its own
    blocks, so the full picture never exists (libjpeg's scaled inverse transform)."""
    width = image.width
    if reduce > 1 and image.format in ("JPEG", "MPO"):
        image.draft(None, (width // reduce, image.height // reduce))
        reduce = round(reduce * image.width / width)
    image.load()
    # TIFF turns itself while it loads and drops its tag, so the tag is asked afterwards
    turn = image.getexif().get(ExifTags.Base.Orientation, 1)
    return _turned(_in_strips(image, reduce), turn)


def _in_strips(image: Image.Image, reduce: int) -> Bytes:
    """BGR pixels, read a few rows at a time: converting the whole would hold three copies of it at once."""
    width, height = image.width // reduce, image.height // reduce
    pixels = np.empty((height, width, 3), np.uint8)
    levels = _grey_levels(image)
    for top in range(0, height, STRIP_ROWS):
        rows = pixels[top : top + STRIP_ROWS]
        strip = image.crop((0, top * reduce, width * reduce, (top + len(rows)) * reduce))
        rows[:] = _shrunk(_bgr(strip, levels), reduce)
    return pixels


def _grey_levels(image: Image.Image) -> float | None:
    """White of a grey picture of more than 8 bits; None for every other."""
    if not image.mode.startswith(("I", "F")):
        return None
    brightest = image.getextrema()[1]
    return 65535.0 if isinstance(brightest, int | float) and brightest > 255 else 255.0


def _bgr(image: Image.Image, white: float | None) -> Bytes:
    if white is not None:
        levels = np.clip(np.asarray(image, np.float32) * (255.0 / white), 0, 255).astype(np.uint8)
        return np.asarray(cv2.cvtColor(levels, cv2.COLOR_GRAY2BGR), np.uint8)
    return np.asarray(cv2.cvtColor(np.asarray(image.convert("RGB")), cv2.COLOR_RGB2BGR), np.uint8)


def _shrunk(pixels: Bytes, reduce: int) -> Bytes:
    """Every ``reduce`` × ``reduce`` pixels averaged; what is left over at the right and lower rim is dropped."""
    if reduce == 1:
        return pixels
    height, width = pixels.shape[0] // reduce, pixels.shape[1] // reduce
    whole = pixels[: height * reduce, : width * reduce]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def _heif_bgr(data: bytes, image: Image.Image, reduce: int) -> Bytes:
    """HEIF straight from its decoder, which turns it upright by the container's own rule (ISO/IEC 23008-12); by way
    of Pillow it would lie in memory twice."""
    from pillow_heif import open_heif

    decoded = open_heif(data, bgr_mode=True)
    if decoded.mode not in ("BGR", "BGRA"):
        return _pillow_bgr(image, reduce)
    return np.ascontiguousarray(_shrunk(np.asarray(decoded)[..., :3], reduce))


def _webp_bgr(data: bytes, image: Image.Image, reduce: int) -> Bytes:
    """WebP straight into BGR: Pillow reads every one as an animation and holds it four times over."""
    if getattr(image, "n_frames", 1) > 1:
        return _pillow_bgr(image, reduce)
    turn = image.getexif().get(ExifTags.Base.Orientation, 1)
    image.close()
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None:
        raise OSError("cut short")
    return _turned(_shrunk(np.asarray(pixels, np.uint8), reduce), turn)


def _turned(pixels: Bytes, orientation: int) -> Bytes:
    """Upright pixels of those stored under an EXIF orientation (CIPA DC-008, tag 274)."""
    if orientation in (2, 4, 5, 7):
        pixels = np.asarray(cv2.flip(pixels, 0 if orientation == 4 else 1), np.uint8)
    turns = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 7: cv2.ROTATE_90_CLOCKWISE}
    turns |= {5: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
    turn = turns.get(orientation)
    return pixels if turn is None else np.asarray(cv2.rotate(pixels, turn), np.uint8)
