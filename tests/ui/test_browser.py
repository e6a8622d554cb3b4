"""A maker's whole way through the page in a real browser, from upload to download, reload and a phone's width."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pypdf

import extract

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

TRACING_MS = 120_000
"""A 12-megapixel photo takes seconds; a crowded machine several times that."""


def download(page: Page, label: str, to: Path) -> Path:
    with page.expect_download() as coming:
        page.get_by_role("button", name=label).click()
    coming.value.save_as(to)
    return to


def wait_for_lines(page: Page) -> None:
    """Until the photo is traced; a refusal in its place ends the wait and is told."""
    pattern = page.get_by_role("button", name="Next: check the lines")
    refusal = page.locator("[data-testid=stAlertContentError]")
    pattern.or_(refusal).first.wait_for(timeout=TRACING_MS)
    assert refusal.all_inner_texts() == []


def test_from_upload_to_a_printed_pattern(browser: Browser, address: str, tmp_path: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(address)
    page.locator("input[type=file][multiple]").set_input_files(extract.demo_photo())
    page.get_by_role("button", name=re.compile("^Remove ")).wait_for()
    page.get_by_role("button", name="Try the moth-lantern shell").wait_for(state="detached")
    page.get_by_text("Print scale cards").wait_for()
    assert page.get_by_text("Print scale cards").count() == 1, "nothing of the page before stays while work is done"
    wait_for_lines(page)
    overlay = page.get_by_role("img", name=re.compile("lines and panels found"))
    overlay.wait_for()
    assert overlay.evaluate("picture => picture.complete && picture.naturalWidth") > 0

    page.get_by_role("radio", name="Paper and foam").click()
    pattern = pypdf.PdfReader(download(page, "Pattern to print (PDF)", tmp_path / "pattern.pdf"))
    assert len(pattern.pages) >= 1
    assert pattern.viewer_preferences and pattern.viewer_preferences.print_scaling == "/None"

    page.reload()
    page.get_by_role("button", name="Pattern to print (PDF)").wait_for()
    page.set_viewport_size({"width": 400, "height": 850})
    page.get_by_role("button", name="Pattern to print (PDF)").scroll_into_view_if_needed()
    main = page.get_by_test_id("stMain")
    assert main.evaluate("area => area.scrollWidth - area.clientWidth") <= 0
    assert faults == []
    page.close()


def test_a_file_that_is_no_photo_is_refused_in_words(browser: Browser, address: str) -> None:
    page = browser.new_page(viewport={"width": 400, "height": 850})
    page.goto(address)
    page.locator("input[type=file][multiple]").set_input_files(
        {"name": "letter.jpg", "mimeType": "image/jpeg", "buffer": b"Dear puppeteer"}
    )
    page.get_by_role("button", name="Remove letter.jpg").wait_for()
    refusal = page.get_by_role("alert")
    refusal.wait_for(timeout=TRACING_MS)
    assert "letter.jpg" in refusal.inner_text()
    assert page.get_by_role("button", name="Next: check the lines").count() == 0
    page.close()
