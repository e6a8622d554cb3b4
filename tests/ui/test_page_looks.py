"""The steps after the lines in a real browser: an accessibility checker by day and by night, the keyboard, a phone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from shown import STILL_MS, choose, close_list

from ui import builds, jobs, shelf

if TYPE_CHECKING:
    from playwright.sync_api import Page

HURTFUL = "<b>left</b> :red[wing] ![x](/y.png)"
AT_REST = """() => !document.querySelector('[data-stale=true], [data-testid=stStatusWidget]')
    && document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"""


@pytest.fixture
def work(cache: Path, read_shell: Callable[[Path], shelf.Work]) -> shelf.Work:
    """A visitor with two pieces of 100 × 100 mm, one of them named by somebody who wants to hurt."""
    work = read_shell(cache / "truepeel" / "work")
    key = jobs.key_for(work, work.settings())
    builds.change(work, key, "name", {"piece": "p1", "name": HURTFUL})
    work.keep_step("pieces")
    return work


def settle(page: Page) -> None:
    # What belongs to the step before fades while the new one comes, and would count as faint.
    page.wait_for_timeout(150)
    page.wait_for_function(AT_REST)
    page.wait_for_function("() => document.getAnimations().every(each => each.playState !== 'running')")


def open_a_step(page: Page) -> None:
    """A gap along one edge, with the preview beside it."""
    choose(page, "What do you want to change?", "Edges: room and width")
    page.get_by_text("Leave a gap between neighbours", exact=True).click()
    choose(page, "Along these edges", "p1:")
    close_list(page)
    page.get_by_text("As it would be; nothing is done yet.").wait_for()
    settle(page)


def serious_faults(page: Page) -> list[tuple[str, str]]:
    """By axe-core's rules for WCAG 2.2 AA and good practice (Deque's open-source checker)."""
    checker = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the checker is not installed")
    violations = checker.Axe().run(page).response["violations"]
    return [(v["id"], v["nodes"][0]["html"]) for v in violations if v["impact"] in ("serious", "critical")]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 400)], ids=("light", "dark"))
def test_the_checker_finds_no_serious_fault(
    opened: Callable[..., Page], work: shelf.Work, scheme: str, width: int
) -> None:
    page = opened(width, color_scheme=scheme)
    open_a_step(page)
    assert serious_faults(page) == [], "a step with its preview"
    assert sideways(page) <= 0
    page.get_by_role("button", name="Do it", exact=True).click()
    page.get_by_text("Done: Leave a gap between neighbours").first.wait_for()
    settle(page)
    assert serious_faults(page) == [], "a step that was done"

    work.keep_sheets(["1000x500x6:1@8.50"])
    page.get_by_role("button", name="Next: paper and foam").click()
    page.get_by_role("button", name="Lay the parts on the sheets").click()
    page.get_by_role("button", name="Cutting plan to print (PDF)").wait_for()
    page.get_by_text("Where each part goes on sheet 1").click()
    settle(page)
    assert serious_faults(page) == [], "paper and foam"
    assert sideways(page) <= 0


def sideways(page: Page) -> int:
    """How far the page, or the widest table on it, reaches beyond the screen (px)."""
    return int(
        page.evaluate(
            """() => Math.max(...[...document.querySelectorAll('.figures, .drawing, [data-testid=stMain]')].map(
                each => Math.max(each.scrollWidth - each.clientWidth,
                                 each.getBoundingClientRect().right - window.innerWidth)))"""
        )
    )


def test_a_name_is_shown_letter_for_letter_and_does_nothing(opened: Callable[..., Page]) -> None:
    page = opened(1280)
    page.locator(".figures").get_by_text(HURTFUL).wait_for()
    assert page.locator(".figures :is(b, img)").count() == 0
    # Were there a picture after all, the browser would not fetch it (Content Security Policy, W3C, level 3).
    assert page.evaluate(
        """() => new Promise(done => {
            document.addEventListener("securitypolicyviolation", event => done(event.blockedURI));
            new Image().src = "http://example.org/y.png";
            setTimeout(() => done("let through"), 5000);
        })"""
    ).startswith("http://example.org")


def test_a_step_is_done_and_taken_back_by_keyboard_alone(opened: Callable[..., Page], work: shelf.Work) -> None:
    page = opened(1280)
    pick(page, "What do you want to change?", "What a piece is")
    page.get_by_text("Which step?").wait_for()
    pick(page, "Which piece", "p1")
    reach(page, "Its name")
    page.keyboard.type("left wing")
    page.keyboard.press("Enter")
    page.get_by_text("As it would be; nothing is done yet.").wait_for()
    reach(page, "Do it")
    page.keyboard.press("Enter")
    page.get_by_text("Done: Name a piece").wait_for()
    assert name_of_first(work) == "left wing"
    reach(page, "Take the last step back")
    page.keyboard.press("Enter")
    page.locator(".figures").get_by_text(HURTFUL).wait_for()
    assert name_of_first(work) == HURTFUL


def pick(page: Page, box: str, option: str) -> None:
    reach(page, box)
    page.keyboard.type(option)
    page.get_by_role("option", name=option).first.wait_for()
    page.keyboard.press("Enter")
    settle(page)


def name_of_first(work: shelf.Work) -> str:
    """As it lies on the shelf."""
    return builds.current(work, jobs.key_for(work, work.settings()))[0].build.pieces[0].name


def test_controls_are_reached_by_keyboard_with_their_focus_seen(opened: Callable[..., Page]) -> None:
    page = opened(1280)
    for name in ("Take the last step back", "What do you want to change?", "Next: paper and foam"):
        reach(page, name)


def reach(page: Page, name: str) -> None:
    """Go on by Tab until the thing so named has the focus, which must be seen."""
    settle(page)
    for _ in range(80):
        page.keyboard.press("Tab")
        told = page.evaluate(
            """() => {
                const it = document.activeElement, labels = [...(it.labels ?? [])].map(label => label.innerText);
                const own = it.matches('main, body') ? '' : it.innerText;
                return [it.getAttribute('aria-label') ?? '', ...labels, own ?? ''].join(' ');
            }"""
        )
        if name in told:
            page.wait_for_timeout(STILL_MS)
            assert seen_focus(page), f"the focus on {name} is not seen"
            return
    raise AssertionError(f"{name} cannot be reached")


def seen_focus(page: Page) -> bool:
    """Whether what has the focus, or a box close around it, has an outline of 2 px or more (WCAG 2.2, 2.4.13)."""
    return bool(
        page.evaluate(
            """() => {
                for (let it = document.activeElement, up = 0; it && up < 4; it = it.parentElement, up++) {
                    const style = getComputedStyle(it), box = it.getBoundingClientRect();
                    if (style.outlineStyle === 'solid' && parseFloat(style.outlineWidth) >= 2 && style.opacity > 0.9
                        && box.width > 10 && box.height > 10) return true;
                }
                return false;
            }"""
        )
    )
