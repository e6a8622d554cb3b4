"""From light on the sensor to the file a phone writes."""

from __future__ import annotations

import io

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from extract.doors import Bytes

Plate = npt.NDArray[np.float32]

_TURNS = {1: None, 3: cv2.ROTATE_180, 6: cv2.ROTATE_90_COUNTERCLOCKWISE, 8: cv2.ROTATE_90_CLOCKWISE}
"""How the upright picture is turned to be stored under an EXIF orientation (CIPA DC-008, tag 274)."""


def developed(light: Plate, noise: float, rng: np.random.Generator) -> Bytes:
    """Blur, photon and read noise, tone curve and sharpening: linear BGR (1 is white) to 8 bits."""
    soft = cv2.GaussianBlur(light, (0, 0), 0.55)
    deviation = np.float32(noise) * np.sqrt(np.maximum(soft, 0) * np.float32(3.2e-4) + np.float32(6e-6))
    grain = rng.standard_normal(soft.shape, dtype=np.float32)
    grain = cv2.GaussianBlur(grain, (0, 0), 0.5) * np.float32(1.5)
    soft += grain * deviation
    toned = _tone(np.clip(soft, 0, 1.2))
    blurred = cv2.GaussianBlur(toned, (0, 0), 1.1)
    sharp = cv2.addWeighted(toned, 1.8, blurred, -0.8, 0.5)
    return np.clip(sharp, 0, 255).astype(np.uint8)


def _tone(linear: Plate) -> Plate:
    """sRGB (IEC 61966-2-1) with a soft shoulder, 0 to 255, by look-up."""
    x = np.linspace(0, 1.2, 4097)
    shoulder = np.where(x < 0.75, x, 0.75 + 0.25 * np.tanh((x - 0.75) / 0.25))
    curve = np.where(shoulder <= 0.0031308, 12.92 * shoulder, 1.055 * shoulder ** (1 / 2.4) - 0.055)
    table = (curve / curve[-1] * 255).astype(np.float32)
    at = linear * np.float32(4096 / 1.2)
    return table[at.astype(np.uint16)]


def jpeg(upright: Bytes, focal_35mm: float, orientation: int, quality: int) -> bytes:
    """The picture as a phone stores it: turned, with the focal length rounded to whole 35 mm equivalents."""
    turn = _TURNS[orientation]
    stored = upright if turn is None else cv2.rotate(upright, turn)
    picture = Image.fromarray(cv2.cvtColor(stored, cv2.COLOR_BGR2RGB))
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F], exif[0x0110] = "Generic", "Phone"
    details = exif.get_ifd(0x8769)
    details[0xA405] = round(focal_35mm)
    details[0x920A] = (round(focal_35mm * 215), 1000)
    details[0xA002], details[0xA003] = picture.size
    file = io.BytesIO()
    picture.save(file, "JPEG", quality=quality, subsampling=2, exif=exif)
    return file.getvalue()
