"""No card on the table: the scale from a sheet of known size, its corners set by hand in a real browser."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

PATIENCE_MS = 60_000
PX_PER_MM = 2.4
WIDE, HIGH = 1680, 1200
LEFT, TOP, SIDES_MM = 48, 60, (240.0, 160.0)


def picture() -> bytes:
    """Seen square from above: a brown table, a white sheet, and a grey oval of 300 × 240 mm quartered by a cross."""
    grain = np.random.default_rng(5).normal(0, 4, (HIGH, WIDE, 1))
    table = np.clip(np.array([90, 130, 170]) + grain, 0, 255).astype(np.uint8)
    width, height = (round(PX_PER_MM * side) for side in SIDES_MM)
    table[TOP : TOP + height, LEFT : LEFT + width] = 245
    middle, half = (1200, 810), (int(150 * PX_PER_MM), int(120 * PX_PER_MM))
    cv2.ellipse(table, middle, half, 0, 0, 360, (150, 150, 150), -1)
    cv2.line(table, (middle[0] - half[0], middle[1]), (middle[0] + half[0], middle[1]), (25, 25, 25), 4)
    cv2.line(table, (middle[0], middle[1] - half[1]), (middle[0], middle[1] + half[1]), (25, 25, 25), 4)
    return cv2.imencode(".png", table)[1].tobytes()


def drag(page: Page, number: int, place_px: tuple[float, float]) -> None:
    image = page.locator(".table img").bounding_box()
    handle = page.get_by_role("button", name=f"Corner {number}").bounding_box()
    assert image and handle
    page.mouse.move(handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2)
    page.mouse.down()
    page.mouse.move(image["x"] + place_px[0] / WIDE * image["width"], image["y"] + place_px[1] / HIGH * image["height"])
    page.mouse.up()


def test_a_sheet_of_known_size_gives_the_scale(browser: Browser, address: str) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 1400})
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(address)
    page.locator("input[type=file][multiple]").set_input_files(
        {"name": "shell.png", "mimeType": "image/png", "buffer": picture()}
    )
    page.get_by_text("No scale card was found").wait_for(timeout=PATIENCE_MS)
    page.get_by_role("button", name="Corner 4").wait_for()
    page.locator(".table img").evaluate("image => image.decode()")
    right, bottom = LEFT + PX_PER_MM * SIDES_MM[0], TOP + PX_PER_MM * SIDES_MM[1]
    corners = ((LEFT, TOP), (right, TOP), (right, bottom), (LEFT, bottom))
    for number, place in enumerate(corners, start=1):
        drag(page, number, place)
    page.get_by_role("button", name="Corner 1").press("ArrowRight")
    page.get_by_role("button", name="Corner 1").press("ArrowLeft")
    page.get_by_label("They are the corners of").click()
    page.get_by_role("option", name="another rectangle").click()
    for label, side in zip(("From 1 to 2 (mm)", "From 2 to 3 (mm)"), SIDES_MM, strict=True):
        page.get_by_label(label).fill(str(side))
        page.get_by_label(label).press("Enter")
    page.get_by_role("button", name="Use these corners").click()
    page.get_by_role("button", name="Next: check the lines").wait_for(timeout=2 * PATIENCE_MS)
    assert page.get_by_text("four corners set by hand").count() == 1
    page.get_by_role("radio", name="Fit the pieces").click()
    page.get_by_text("cm²").first.wait_for(timeout=PATIENCE_MS)
    areas = [float(cell.split()[0]) for cell in page.get_by_text("cm²").all_inner_texts()]
    # A quarter of an ellipse's π·a·b; a screen pixel on a corner is worth a per cent of area.
    assert areas == pytest.approx([math.pi * 15.0 * 12.0 / 4] * 4, rel=0.03)
    assert faults == []
    page.close()
