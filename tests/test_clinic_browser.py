"""The room's page in a real browser: by keyboard, at phone and tablet size, with enough contrast."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.clinic_rooms import CHROMIUM, PHONE, TABLET, Room, room

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")

# Formulas of relative luminance and contrast: WCAG 2.2, section 1.4.3 and its definitions.
CONTRASTS = """() => {
  const light = (c) => { const v = c / 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b);
  const behind = (e) => {
    for (; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  return [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility()
    && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim())).map((e) => {
    const [a, b] = [luminance(parse(getComputedStyle(e).color)), luminance(behind(e))];
    return [e.textContent.trim().slice(0, 30), (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)];
  });
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as p:
        started = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Room]:
    with room(tmp_path / "practice.sqlite", 4) as made:
        yield made


def fits(page: Any, name: str) -> None:
    """Readable, nothing cut off sideways, and targets large enough for a finger (44 CSS px)."""
    if folder := os.environ.get("RAILCREST_TEST_PICTURES"):
        page.screenshot(path=str(Path(folder) / f"clinic-{name}.png"))
    found = page.evaluate(CONTRASTS)
    assert found, "no text on the page"
    assert not [(text, ratio) for text, ratio in found if ratio < 4.5]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for target in page.locator("button:visible, input:visible, select:visible").all():
        assert target.bounding_box()["height"] >= 44


def says(page: Any, selector: str, text: str) -> None:
    playwright.expect(page.locator(selector)).to_contain_text(text, timeout=10_000)


@pytest.mark.parametrize(("size", "name"), [(PHONE, "phone"), (TABLET, "tablet")])
def test_a_marker_by_keyboard_alone(browser: Any, evening: Room, size: dict[str, int], name: str) -> None:
    faults: list[str] = []
    with browser.new_context() as desk, browser.new_context(viewport=size) as device:
        teacher = desk.new_page()
        page = device.new_page()
        page.on("pageerror", lambda e: faults.append(str(e)))
        teacher.on("pageerror", lambda e: faults.append(str(e)))
        teacher.goto(evening.server.teacher_url)
        assert "key" not in teacher.url
        says(teacher, "#room", "ABC234")
        fits(teacher, f"{name}-teacher")

        page.goto(evening.server.join_url)
        fits(page, f"{name}-door")
        assert page.input_value("#room") == "ABC234"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        says(page, "#me", "You are marker 1")
        code = page.locator("#code .code").inner_text()
        for _ in range(2):
            evening.practice.join()

        teacher.focus("#next")
        teacher.keyboard.press("Enter")
        says(page, "#said", "Watch the clip")
        says(teacher, "#next", "Ask for marks")
        teacher.keyboard.press("Enter")
        says(page, "#said", "Choose your deduction")
        fits(page, f"{name}-marking")
        page.keyboard.press("4")
        says(page, "#said", "Your mark: 0.15")
        # and by Tab and Enter: the first step
        page.locator("#steps button").first.focus()
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        says(page, "#said", "Your mark: 0.05")
        assert page.locator("#steps button[aria-pressed=true]").inner_text().startswith("0.05")

    with browser.new_context(viewport=size) as other, browser.new_context() as desk:
        page, teacher = other.new_page(), desk.new_page()
        page.on("pageerror", lambda e: faults.append(str(e)))
        page.goto(evening.server.url)
        page.fill("#own", code)
        page.keyboard.press("Enter")
        says(page, "#said", "Your mark: 0.05")
        teacher.goto(evening.server.teacher_url)
        says(teacher, "#next", "Lock now")
        teacher.click("#next")
        says(page, "#said", "Marks are locked")
        assert page.locator("#steps button").first.is_disabled()
        page.keyboard.press("5")
        for marker in ("m2", "m3"):
            assert (marker, 1) not in evening.practice.state.marks
        says(teacher, "#reveals", "Reveal 1")
        teacher.click("#reveals button")
        says(page, "#reveal", "Your mark: 0.05")
        says(page, "#reveal", "Too few marks")
        says(page, "#reveal", "panel decides")
        fits(page, f"{name}-reveal")
        assert evening.practice.state.marks["m1", 1].mark == 5
    assert faults == []


def test_the_projector_shows_the_spread_and_no_name(browser: Any, evening: Room) -> None:
    codes = [evening.practice.join()[1] for _ in range(8)]
    teacher = evening.teacher()
    for body in ({"do": "view", "number": 1}, {"do": "ask", "number": 1}):
        assert teacher.ask("/api/room", body)[0] == 200
    for n, code in enumerate(codes):
        evening.practice.mark(code, 1, (5, 10, 10, 15)[n % 4])
    with browser.new_context(viewport={"width": 1280, "height": 800}) as context:
        page = context.new_page()
        page.goto(evening.server.teacher_url)
        page.goto(f"{evening.server.url}room")
        says(page, "#count", "8 of 8 have marked")
        assert page.locator("#controls").is_hidden()
        assert "evening/r" not in page.content()  # which clip comes is for the teacher's screen alone
        for body in ({"do": "lock", "number": 1}, {"do": "reveal", "number": 1}):
            assert teacher.ask("/api/room", body)[0] == 200
        says(page, "#reveal", "●●●●")
        fits(page, "projector")
        assert page.locator("#reveal td.dots").all_inner_texts() == ["", "●●", "●●●●", "●●", ""]


def test_paper_marks_are_typed_in_on_the_teachers_page(browser: Any, evening: Room) -> None:
    with browser.new_context(viewport=TABLET) as context:
        page = context.new_page()
        page.goto(evening.server.teacher_url)
        page.click("#add-paper")
        says(page, "#said", "Marker 1 marks on paper.")
        assert page.locator("#paper-form").is_hidden()  # nothing is locked yet
        for words in ("Show clip 1", "Ask for marks", "Lock now"):
            says(page, "#next", words)
            page.click("#next")
        says(page, "#paper-form", "marker 1")
        fits(page, "paper")
        page.select_option("#paper-mark", label="0.15")
        page.click("#paper-form button")
        playwright.expect(page.locator("#paper-form")).to_be_hidden()
        assert evening.practice.state.marks["m1", 1].mark == 15
        assert evening.practice.state.marks["m1", 1].paper
        says(page, "#count", "1 of 1 have marked")
