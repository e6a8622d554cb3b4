"""Peak memory and time of a whole run, file to all outputs in a fresh process, by picture size and file format.

    python tests/bench/bench_intake.py [--heif] [--megapixels N …]

The pictures are the demo's photo drawn larger. HEIF takes minutes to write, so it is made only when asked for. Linux
and macOS (peak memory is read from the operating system).
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from PIL import Image
from speed import DEMO, OURS, measured

MEGAPIXELS = (12, 50, 108, 200)
MOST_MEGAPIXELS = {"webp": 150, "heic": 142}
"""libwebp refuses to write a detailed lossy picture much larger (its first partition holds 512 KiB), and HEVC level 7.2
ends there."""

FORMATS: dict[str, dict[str, Any]] = {
    "jpg": {"quality": 88},
    "png": {"compress_level": 1},
    "tif": {"compression": "tiff_lzw", "exif": b""},
    "webp": {"quality": 80, "method": 0},
}
HEIF: dict[str, Any] = {"quality": 60, "enc_params": {"preset": "ultrafast"}}


def drawn(megapixels: int, folder: Path, kind: str, options: dict[str, Any]) -> Path:
    """The demo's photo at about that many megapixels."""
    Image.MAX_IMAGE_PIXELS = None
    if kind == "heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
    with Image.open(DEMO) as photo:
        factor = math.sqrt(megapixels * 1e6 / (photo.width * photo.height))
        size = (round(photo.width * factor), round(photo.height * factor))
        path = folder / f"{megapixels}.{kind}"
        photo.resize(size, Image.Resampling.BICUBIC).save(path, **{"exif": photo.getexif().tobytes(), **options})
    return path


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--heif", action="store_true")
    parser.add_argument("--megapixels", type=int, nargs="+", default=MEGAPIXELS)
    told = parser.parse_args()
    formats = {"heic": HEIF} if told.heif else FORMATS
    print("| megapixels | format | file (MB) | seconds | peak (MB) |\n| --- | --- | --- | --- | --- |")
    for megapixels in told.megapixels:
        for kind, options in formats.items():
            if megapixels > MOST_MEGAPIXELS.get(kind, megapixels):
                continue
            with tempfile.TemporaryDirectory() as folder:
                # in a process of its own: a child's peak memory starts at its parent's
                with ProcessPoolExecutor(1, get_context("spawn")) as pool:
                    photo = pool.submit(drawn, megapixels, Path(folder), kind, options).result()
                seconds, peak_mb = measured(OURS, photo)
                size = photo.stat().st_size / 1e6
                print(f"| {megapixels} | {kind} | {size:.0f} | {seconds:.1f} | {peak_mb:.0f} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
