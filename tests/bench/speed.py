"""Times a photo from file to all outputs in a fresh process, with its peak memory, and in the same run the plainest
chain of library calls that makes an outline of anything: homography from one card's four outer corners, adaptive
threshold, skeleton.

    python tests/bench/speed.py [PHOTO] [--runs N]

The default photo is the demo's. Linux and macOS (peak memory is read from the operating system).
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DEMO = Path(__file__).resolve().parents[2] / "extract" / "scene" / "moth-lantern.jpg"
OURS = """
import sys, extract
from pathlib import Path
tracing = extract.trace([Path(sys.argv[1])], extract.TraceSettings())
extract.write_outputs(tracing, Path(sys.argv[2]))
print({room: round(seconds, 2) for room, seconds in tracing.timing_s.items()}, file=sys.stderr)
"""
PLAIN = """
import sys, cv2, numpy as np
from skimage.morphology import skeletonize
grey = cv2.imread(sys.argv[1], cv2.IMREAD_GRAYSCALE)
words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
board = cv2.aruco.CharucoBoard((9, 6), 30, 22, words, np.arange(27))
corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
places = np.asarray(board.getChessboardCorners())[np.ravel(ids), :2]
outer = [np.argmin(places @ way) for way in ([1, 1], [-1, 1], [-1, -1], [1, -1])]
flat_from_px = cv2.getPerspectiveTransform(
    np.float32(np.reshape(corners, (-1, 2))[outer]), np.float32(places[outer] * 5 + 2000)
)
flat = cv2.warpPerspective(grey, flat_from_px, (4000, 3000))
dark = cv2.adaptiveThreshold(flat, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 101, 15)
lines = skeletonize(dark > 0)
cv2.imwrite(sys.argv[2] + "/plain.png", lines.astype(np.uint8) * 255)
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", nargs="?", type=Path, default=DEMO)
    parser.add_argument("--runs", type=int, default=3)
    told = parser.parse_args()
    for name, program in (("truepeel", OURS), ("plain chain", PLAIN)):
        runs = [measured(program, told.photo) for _ in range(told.runs)]
        seconds, peaks_mb = zip(*runs, strict=True)
        print(f"{name}: {statistics.median(seconds):.1f} s (median of {told.runs}), peak {max(peaks_mb):.0f} MB")
    return 0


def measured(program: str, photo: Path) -> tuple[float, float]:
    """Wall seconds and peak memory (MB) of one run in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        child = subprocess.Popen([sys.executable, "-c", program, str(photo), folder])
        _, status, used = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - begun
    if os.waitstatus_to_exitcode(status):
        raise SystemExit(f"the run on {photo} failed")
    return seconds, used.ru_maxrss / (1024 if sys.platform == "linux" else 1024**2)


if __name__ == "__main__":
    sys.exit(main())
