"""The page as tests read and handle it."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page
    from streamlit.testing.v1 import AppTest

STILL_MS = 300


def tables(page: AppTest) -> list[dict[str, list[str]]]:
    """The page's own tables in their order, each as its columns."""
    found = []
    for table in re.findall(r"<table.*?</table>", "".join(each.proto.body for each in page.get("html"))):
        cells = re.findall(r'data-label="(.*?)">(.*?)</', table)
        found.append({name: [unescape(text) for label, text in cells if label == name] for name, _ in cells})
    return found


def settled(page: Page) -> None:
    """Until the page's script has come to its end; before that, an open list may be drawn anew."""
    page.wait_for_timeout(100)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()


def choose(page: Page, label: str, option: str) -> None:
    box = page.get_by_role("combobox", name=label)
    box.wait_for()
    settled(page)
    box.scroll_into_view_if_needed()
    page.wait_for_timeout(STILL_MS)  # an open list closes when the page scrolls
    box.click()
    wanted = page.get_by_role("option", name=option).first
    scroll_to(page, wanted)
    for _ in range(3):
        wanted.wait_for()
        page.wait_for_timeout(STILL_MS)
        wanted.click()
        if is_chosen(page, label, option):
            return
        # A long list lays its rows anew while it scrolls to one, and a click in that moment is on none: once more.
    raise AssertionError(f"{option} was not taken")


def scroll_to(page: Page, wanted: Locator) -> None:
    """A long list holds the rows in its window alone, so a hand turns the wheel over it."""
    page.get_by_role("listbox").wait_for()
    for _ in range(40):
        page.wait_for_timeout(100)
        if wanted.count():
            return
        page.get_by_role("listbox").hover()
        page.mouse.wheel(0, 120)


def is_chosen(page: Page, label: str, option: str) -> bool:
    """Whether the box comes to hold what was clicked, as its value or as one of several."""
    kept = page.locator("[data-tag]", has_text=option)
    # By its label: a list that is open hides all else from screen readers, and so from roles.
    box = page.get_by_label(label).and_(page.locator("input"))
    for _ in range(20):
        if kept.count() or option in box.input_value():
            return True
        page.wait_for_timeout(50)
    return False


def close_list(page: Page) -> None:
    """A list of several stays open; where it has closed by itself, Escape would take out what was chosen."""
    settled(page)
    if page.get_by_role("listbox").count():
        page.keyboard.press("Escape")
