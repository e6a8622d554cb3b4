"""The main job from photo to files: against scenes with exact truth, and the files against general-purpose readers."""

from __future__ import annotations

import io
import json
import re
import sys
import xml.etree.ElementTree as ElementTree
import zipfile
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import pytest
from shapely import Polygon
from skimage.measure import perimeter_crofton
from svgpathtools import parse_path

import extract
from extract.geometry.curve import curve_points
from extract.output import render_outputs
from extract.report import report

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from against_truth import Outcome, outcome, read_truth

SVG = "{http://www.w3.org/2000/svg}"


STEPS_TOLD: list[tuple[str, float]] = []


@pytest.fixture(scope="session")
def demo() -> extract.Tracing:
    settings = extract.TraceSettings(pairs=True)
    return extract.trace([extract.demo_photo()], settings, lambda words, share: STEPS_TOLD.append((words, share)))


@pytest.fixture(scope="session")
def files(demo: extract.Tracing) -> dict[str, bytes]:
    return render_outputs(demo)


def as_required(found: Outcome, scale_percent: float) -> None:
    """What the main job must reach on easy, typical and multi-card scenes."""
    assert (found.panels_found, found.panels_invented) == (found.panels_true, 0)
    assert found.iou_min >= 0.985
    assert found.rms_mm <= 0.4 and found.p95_mm <= 0.8
    assert abs(found.scale_percent) <= scale_percent


def test_the_demo_is_traced_to_its_truth(demo):
    truth = read_truth(extract.demo_photo().with_name("moth-lantern.truth.json"))
    as_required(outcome(truth, report(demo)), scale_percent=0.1)


@pytest.mark.parametrize("preset", ["easy", "typical", "multi-card"])
def test_scene_photos_are_traced_to_their_truth(shared_photos, preset):
    """Path-traced photos with exact truth (../shared/photos)."""
    found = sorted(shared_photos.glob(f"{preset}_*.jpg"))
    assert found
    for photo in found:
        tracing = extract.trace([photo], extract.TraceSettings())
        a4 = sum(card.sighting.design.family == "A4" for card in tracing.cameras[0].cards)
        result = outcome(read_truth(photo.with_suffix(".truth.json")), report(tracing))
        as_required(result, scale_percent=0.1 if a4 > 1 else 0.25)


def test_the_comparison_can_fail(demo):
    """A report half a per cent too large must be seen as wrong."""
    truth = read_truth(extract.demo_photo().with_name("moth-lantern.truth.json"))
    grown = report(demo)
    for item in (*grown["strokes"], *grown["panels"]):
        key = "points" if "points" in item else "outline"
        item[key] = (np.asarray(item[key]) * 1.005).tolist()
    result = outcome(truth, grown)
    assert result.scale_percent == pytest.approx(0.5, abs=0.1)
    with pytest.raises(AssertionError):
        as_required(result, scale_percent=0.1)


def test_the_stated_doubt_covers_the_demo(demo):
    """Truth lies within three of the stated 1 σ; the stated figure is not so wide that it says nothing."""
    truth = read_truth(extract.demo_photo().with_name("moth-lantern.truth.json"))
    found = outcome(truth, report(demo))
    assert found.rms_mm < 3 * demo.sigma_mm[0]
    assert demo.sigma_mm[0] < 0.5


def test_report_has_the_keys_scripts_rely_on(files, demo):
    told = json.loads(files["report.json"])
    assert told["format"] == "truepeel-report/1" and told["units"] == "mm"
    assert set(told) >= {"program", "photos", "cards", "plane", "strokes", "panels", "warnings", "timing_s"}
    assert set(told["photos"][0]) >= {"file", "width_px", "height_px", "focal_px", "distortion"}
    assert set(told["cards"][0]) >= {"family", "number", "corners_found", "rms_px", "pose"}
    assert set(told["plane"]) >= {"sigma_mm", "px_per_mm"}
    assert set(told["strokes"][0]) >= {"id", "kind", "colour", "closed", "width", "sigma", "points"}
    assert set(told["panels"][0]) >= {"id", "outline", "holes", "area_mm2", "perimeter", "sigma", "path"}
    kinds = {s["kind"] for s in told["strokes"]}
    assert {"marker", "cut-edge", "ring", "tick"} <= kinds <= {"marker", "cut-edge", "ring", "tick", "note"}
    assert len(told["panels"]) == len(demo.panels)


def test_report_points_are_dense_and_agree_with_the_path(files):
    """svgpathtools measures the fitted path, shapely the listed outline: chords within 0.02 mm of the curve lose at
    most a few parts in ten thousand of length."""
    for panel in json.loads(files["report.json"])["panels"]:
        outline = Polygon(panel["outline"])
        length = parse_path(panel["path"]).length(error=1e-4)
        assert outline.exterior.length == pytest.approx(length, rel=5e-4)
        assert panel["perimeter"] == pytest.approx(length, rel=1e-4)
        holes = sum(Polygon(hole).area for hole in panel["holes"])
        assert panel["area_mm2"] == pytest.approx(outline.area - holes, rel=1e-3)


def test_largest_panel_measured_in_pixels(demo):
    """scikit-image on a raster of 10 pixels a millimetre: area by counting, perimeter by Crofton's formula."""
    told = report(demo)["panels"][0]
    outline = np.asarray(told["outline"])
    low = outline.min(axis=0) - 1
    size = np.ceil((np.ptp(outline, axis=0) + 2) * 10).astype(int)
    raster = np.zeros(size[::-1], np.uint8)
    cv2.fillPoly(raster, [np.round((outline - low) * 160 - 8).astype(np.int32)], 1, shift=4)
    assert raster.sum() / 100 == pytest.approx(Polygon(outline).area, rel=2e-3)
    assert perimeter_crofton(raster, directions=4) / 10 == pytest.approx(told["perimeter"], rel=0.02)


def test_panels_fill_the_shell(demo):
    """Panels, with the discs of rings and closed shapes below 3 cm² left out of them, make up the silhouette."""
    shell = sum(Polygon(ring).area for ring in demo.silhouette.rings_mm)
    rings = sum(Polygon(s.points_mm).area for s in demo.strokes if s.kind == "ring")
    assert sum(p.area_mm2 for p in demo.panels) + rings == pytest.approx(shell, rel=4e-3)


def test_svg_has_physical_size_and_a_group_for_each_part(files, demo):
    root = ElementTree.fromstring(files["pattern.svg"])
    box = [float(v) for v in root.get("viewBox").split()]
    assert float(root.get("width").removesuffix("mm")) == pytest.approx(box[2])
    assert float(root.get("height").removesuffix("mm")) == pytest.approx(box[3])
    names = [g.get("id") for g in root.iter(f"{SVG}g") if re.fullmatch(r"part-\d+-[LR]", g.get("id") or "")]
    assert sorted(names) == sorted(f"part-{p.number}-{p.side}" for p in demo.pattern.parts)


def test_dxf_is_read_back_with_the_same_areas(files, demo):
    """ezdxf reads the file, shapely measures: 0.01 %."""
    drawing = ezdxf.read(io.StringIO(files["pattern.dxf"].decode()))
    assert drawing.units == ezdxf.units.MM
    for part in demo.pattern.parts:
        layer = f"part-{part.number}-{part.side} cut"
        rings = [Polygon(e.vertices()) for e in drawing.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')]
        outer = max(rings, key=lambda r: r.area)
        assert outer.area - sum(r.area for r in rings if r is not outer) == pytest.approx(part.area_mm2, rel=1e-4)


def test_pairs_are_mirror_images_of_one_size(demo):
    left = {p.number: p for p in demo.pattern.parts if p.side == "L"}
    right = {p.number: p for p in demo.pattern.parts if p.side == "R"}
    assert left.keys() == right.keys() and len(left) == len(demo.panels)
    for number, part in left.items():
        assert right[number].area_mm2 == pytest.approx(part.area_mm2, rel=1e-9)
        assert right[number].perimeter_mm == pytest.approx(part.perimeter_mm, rel=1e-9)


def test_project_keeps_photo_settings_and_report(files, demo):
    bundle = zipfile.ZipFile(io.BytesIO(files["pattern.truepeel"]))
    document = json.loads(bundle.read("document.json"))
    assert document["format"] == "truepeel-project/2"
    assert document["settings"]["pairs"] is True
    assert bundle.read(document["photos"][0]) == extract.demo_photo().read_bytes()
    assert bundle.read("report.json") == files["report.json"]


def test_the_project_goes_on_from_the_very_panels(files, demo):
    """Pieces are the panels to the bit; seams are the borders that shapely finds between them."""
    project = extract.read_project(files["pattern.truepeel"])
    shapes = []
    for panel, piece in zip(demo.panels, project.build.pieces, strict=True):
        outline = np.concatenate([edge.curve.controls for edge in piece.edges])
        start = int(np.flatnonzero((panel.outline.controls == outline[0]).all(axis=(1, 2)))[0])
        assert outline.tobytes() == np.roll(panel.outline.controls, -start, axis=0).tobytes()
        shapes.append(Polygon(curve_points(panel.outline)))
    seen = {frozenset(side["run"].partition(":")[0] for side in (seam["first"], seam["second"])): seam
            for seam in extract.look_at(project)["seams"]}  # fmt: skip
    assert len(seen) >= 8
    for k, one in enumerate(shapes):
        for other in range(k):
            shared = one.exterior.intersection(shapes[other].exterior.buffer(1e-3)).length
            seam = seen.pop(frozenset((f"p{k + 1}", f"p{other + 1}")), None)
            assert (seam["first"]["length"] if seam else 0.0) == pytest.approx(shared, abs=0.1)
    assert not seen


def test_overlay_is_a_picture_of_the_photo(files, demo):
    overlay = cv2.imdecode(np.frombuffer(files["overlay.jpg"], np.uint8), cv2.IMREAD_COLOR)
    photo = cv2.resize(demo.photos[0].pixels, overlay.shape[1::-1], interpolation=cv2.INTER_AREA)
    apart = np.abs(overlay.astype(int) - photo.astype(int)).max(axis=2)
    assert 0.02 < (apart > 40).mean() < 0.6


def test_every_step_is_told(demo):
    shares = [share for _, share in STEPS_TOLD]
    assert shares == sorted(shares) and shares[0] == 0 and shares[-1] == 1
    assert len({words for words, _ in STEPS_TOLD}) >= 8
