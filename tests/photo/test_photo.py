"""Pictures of every kind come in upright, and nothing else comes in."""

from __future__ import annotations

import hashlib
import io
import struct
import time
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import ExifTags, Image

from extract import photo as photo_room
from extract.doors import CannotContinue
from extract.photo import read_photo

pillow_heif = pytest.importorskip("pillow_heif")


def picture() -> Image.Image:
    """Smooth, and different in every corner: dark top left, red to the right, green downwards."""
    x, y = np.meshgrid(np.linspace(0, 255, 96), np.linspace(0, 255, 64))
    return Image.fromarray(np.dstack([x, y, 0.2 * x]).astype(np.uint8), "RGB")


def written(kind: str, image: Image.Image | None = None, **options: object) -> bytes:
    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    (image or picture()).save(out, format=kind, **options)
    return out.getvalue()


def exif(orientation: int = 1, focal_35mm: int | None = None) -> Image.Exif:
    tags = Image.Exif()
    tags[ExifTags.Base.Orientation] = orientation
    if focal_35mm is not None:
        tags.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = focal_35mm
    return tags


@pytest.mark.parametrize(
    ("kind", "options", "within"),
    [
        ("JPEG", {"quality": 95, "subsampling": 0}, 6),
        ("PNG", {}, 0),
        ("TIFF", {"compression": "tiff_lzw"}, 0),
        ("WEBP", {"lossless": True}, 0),
        ("HEIF", {"quality": 95, "chroma": 444}, 10),
    ],
)
def test_formats_decode_to_bgr(tmp_path: Path, kind: str, options: dict[str, object], within: int) -> None:
    path = tmp_path / "shell.bin"  # the name says nothing: the bytes decide
    path.write_bytes(written(kind, **options))
    photo = read_photo(path)
    assert photo.name == "shell.bin" and photo.size_px == (96, 64) and photo.pixels.dtype == np.uint8
    difference = photo.pixels[..., ::-1].astype(int) - np.asarray(picture())
    assert np.abs(difference).max() <= within
    assert photo.digest == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.focal_hint_px is None


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied_once(orientation: int) -> None:
    """OpenCV's decoder applies EXIF orientation by itself and serves as the reference."""
    data = written("JPEG", quality=95, subsampling=0, exif=exif(orientation))
    reference = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    photo = read_photo(data, "turned.jpg")
    assert photo.pixels.shape == reference.shape
    assert np.abs(photo.pixels.astype(int) - reference).max() <= 2


def test_heic_turns_by_its_own_rule_and_not_twice() -> None:
    """HEIF carries rotation in the container (irot); the EXIF tag is informative only (ISO/IEC 23008-12)."""
    turned = written("HEIF", exif=exif(6).tobytes(), quality=95)
    assert b"irot" in turned
    photo = read_photo(turned)
    assert photo.size_px == (64, 96)
    # orientation 6: the stored top left, the dark corner, goes to the upright top right
    assert photo.pixels[2, -3].max() < 40
    only_said = written("HEIF", exif=exif(6), quality=95)
    assert b"irot" not in only_said
    assert read_photo(only_said).size_px == (96, 64)


def test_focal_length_becomes_pixels_over_the_diagonal() -> None:
    # 26 mm on a 43.27 mm diagonal is 0.601 of the picture's diagonal.
    photo = read_photo(written("JPEG", exif=exif(8, 26)))
    assert photo.focal_hint_px == pytest.approx(26 / 43.2666 * np.hypot(96, 64), rel=1e-5)
    assert read_photo(written("JPEG", exif=exif(1, 0))).focal_hint_px is None


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "LA", "CMYK", "1"])
def test_odd_colour_modes_still_give_three_channels(mode: str) -> None:
    kind = "TIFF" if mode == "CMYK" else "PNG"
    assert read_photo(written(kind, picture().convert(mode))).pixels.shape == (64, 96, 3)


def test_sixteen_bit_grey_keeps_its_range() -> None:
    ramp = np.linspace(0, 65535, 96 * 64).reshape(64, 96).astype(np.uint16)
    photo = read_photo(written("PNG", Image.fromarray(ramp)))
    assert photo.pixels[0, 0, 0] == 0 and photo.pixels[-1, -1, 0] == 255
    assert np.abs(photo.pixels[..., 1].astype(float) - ramp / 257).max() <= 1


@pytest.mark.parametrize(
    ("kind", "options"),
    [("JPEG", {"quality": 95}), ("PNG", {}), ("TIFF", {}), ("HEIF", {}), ("WEBP", {"lossless": True})],
)
@pytest.mark.parametrize("orientation", [1, 6])
def test_very_large_pictures_are_averaged_upright(
    monkeypatch: pytest.MonkeyPatch, kind: str, options: dict[str, object], orientation: int
) -> None:
    """Pillow's own box average of the same picture serves as the reference."""
    monkeypatch.setattr("extract.photo.WORKED_MEGAPIXELS", 96 * 64 / 4e6)
    monkeypatch.setattr("extract.photo.STRIP_ROWS", 10)
    tags = exif(orientation, 26)
    photo = read_photo(written(kind, exif=tags.tobytes(), **options))
    mean = picture().reduce(2)
    expected = np.asarray(mean.transpose(Image.Transpose.ROTATE_270) if orientation == 6 else mean)[..., ::-1]
    assert photo.reduced == 2 and photo.pixels.shape == expected.shape
    # a lossy file: chroma at half the sampling, and the steep ramp of so small a picture
    assert np.abs(photo.pixels.astype(int) - expected).max() <= (1 if kind in ("PNG", "TIFF", "WEBP") else 8)
    assert photo.focal_hint_px == pytest.approx(26 / 43.2666 * np.hypot(48, 32), rel=1e-5)


def test_sixteen_bit_grey_of_any_size_is_averaged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("extract.photo.WORKED_MEGAPIXELS", 96 * 64 / 4e6)
    ramp = np.linspace(0, 65535, 96 * 64).reshape(64, 96).astype(np.uint16)
    photo = read_photo(written("PNG", Image.fromarray(ramp)))
    mean = ramp.reshape(32, 2, 48, 2).mean(axis=(1, 3)) / 257
    assert np.abs(photo.pixels[..., 1] - mean).max() <= 1.5


def refuses(source: Path | bytes) -> str:
    with pytest.raises(CannotContinue) as caught:
        read_photo(source, None if isinstance(source, Path) else "shell.jpg")
    assert caught.value.room == "photo" and caught.value.advice
    return caught.value.reason


def test_each_bad_file_has_its_own_sentence(tmp_path: Path) -> None:
    (tmp_path / "note.txt").write_text("not a picture at all")
    reasons = [
        refuses(b""),
        refuses(tmp_path / "note.txt"),
        refuses(tmp_path / "missing.jpg"),
        refuses(tmp_path),
        refuses(written("JPEG")[:-200]),
    ]
    assert len(set(reasons)) == len(reasons)
    assert "empty" in reasons[0] and "damaged" in reasons[4] and "folder" in reasons[3]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("share", [0.3, 0.7, 0.97])
def test_cut_files_are_refused(kind: str, share: float) -> None:
    noise = Image.fromarray(np.random.default_rng(1).integers(0, 256, (64, 96, 3), np.uint8))
    data = written(kind, noise)
    refuses(data[: int(len(data) * share)])


def test_huge_pictures_are_refused_by_their_header() -> None:
    """A PNG header announcing 300 megapixels, and nothing behind it: refused before any memory is asked for."""
    header = struct.pack(">IIBBBBB", 20000, 15000, 8, 2, 0, 0, 0)
    body = b"IHDR" + header
    chunk = struct.pack(">I", len(header)) + body + struct.pack(">I", zlib.crc32(body))
    idat = struct.pack(">I", 0) + b"IDAT" + struct.pack(">I", zlib.crc32(b"IDAT"))
    assert "300 megapixels" in refuses(b"\x89PNG\r\n\x1a\n" + chunk + idat)


def test_pillow_s_own_guard_is_left_as_it_was() -> None:
    before = Image.MAX_IMAGE_PIXELS
    read_photo(written("PNG"))
    assert before == Image.MAX_IMAGE_PIXELS


def test_phone_photo_with_a_turned_sensor(shared_real: Path) -> None:
    # GSNCodes pose_test.jpg: 4608 × 3456 stored, EXIF orientation 6, 25 mm equivalent.
    photo = read_photo(shared_real / "aruco_phone" / "pose_test.jpg")
    assert photo.size_px == (3456, 4608)
    assert photo.focal_hint_px == pytest.approx(25 / 43.2666 * 5760, rel=1e-4)


def test_photos_decoded_at_once_leave_pillows_own_guard_alone() -> None:
    """Pillow's guard is the whole program's: a second one that came in between would keep it switched off for good."""
    before = Image.MAX_IMAGE_PIXELS
    inside = []

    def decode() -> None:
        with photo_room._quiet_pillow():
            inside.append(1)
            assert len(inside) == 1 and Image.MAX_IMAGE_PIXELS is None
            time.sleep(0.02)
            inside.pop()

    with ThreadPoolExecutor(4) as pool:
        for done in [pool.submit(decode) for _ in range(8)]:
            done.result()
    assert before == Image.MAX_IMAGE_PIXELS
