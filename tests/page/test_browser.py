"""The page in a real Chromium: picture, sliders, two setups, keyboard, narrow screen, nothing from elsewhere."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

pytest.importorskip("starlette", reason="the page needs its extra")
sync_api = pytest.importorskip("playwright.sync_api", reason="the browser is driven by playwright")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine (apt-get install chromium)"),
]

PATIENCE_MS = 120_000
"""Machines that build things are slow and busy; what is measured is what happens, not how soon."""

ASKED = "?body=jupiter&night=2027-02-10&time=2027-02-10T12:00Z&site=-41.3,174.8,20&seeing=2&hand=practised"


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    command = [sys.executable, "-m", "simulate", "page", "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        found = process.stdout.readline().strip()
        with urllib.request.urlopen(found, timeout=120):
            pass
        yield found
        process.terminate()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as driver:
        # the sandbox of Chromium will not start for root, as which containers run
        started = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"] if _is_root() else [])
        yield started
        started.close()


def _is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    opened = browser.new_page(viewport={"width": 1400, "height": 1000})
    opened.set_default_timeout(PATIENCE_MS)
    faults: list[str] = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on(
        "console", lambda told: faults.append(told.text) if told.type == "error" and "422" not in told.text else None
    )
    yield opened
    opened.close()
    assert faults == []


def judged(page: Any) -> None:
    page.wait_for_selector("body[data-state=judged]")


def until(page: Any, expression: str) -> None:
    """Wait until an expression holds; the page's policy forbids what the driver's own waiting would need."""
    end = time.monotonic() + PATIENCE_MS / 1e3
    while not page.evaluate(expression):
        assert time.monotonic() < end, expression
        page.wait_for_timeout(50)


def count(page: Any) -> int:
    return int(page.evaluate("document.body.dataset.count || 0"))


def light(page: Any, selector: str = "#stage") -> float:
    """Return the mean brightness of a canvas, 0 to 255."""
    return page.evaluate(
        """(selector) => {
          const c = document.querySelector(selector);
          const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
          let sum = 0;
          for (let i = 0; i < d.length; i += 4) sum += d[i] + d[i + 1] + d[i + 2];
          return sum / (d.length / 4) / 3;
        }""",
        selector,
    )


def slide(page: Any, name: str, value: int) -> None:
    """Move a slider as a hand does: a new value, and the event that the browser sends with it."""
    page.eval_on_selector(
        f"#{name}", "(box, value) => { box.value = value; box.dispatchEvent(new Event('input')); }", value
    )


def words(page: Any) -> dict[str, str]:
    return {name: values[0] for name, values in parse_qs(urlsplit(page.url).query).items()}


def test_a_first_visit_shows_a_picture_without_a_question(page: Any, address: str) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    judged(page)
    assert light(page) > 10
    assert all(light(page, f"#layers label:nth-of-type({n}) canvas") > 5 for n in (1, 2, 3))
    assert re.search(r" through newtonian-150$", page.inner_text("h1"))
    assert page.locator("#verdicts tbody tr").count() > 2
    sentences = re.findall(r"[.!?](?:\s|$)", page.inner_text("#intro p"))
    assert len(sentences) == 3
    # offline: whatever the page asks, it asks of itself (the empty icon is data)
    assert all(url.startswith((address, "data:")) for url in asked)


def test_the_picture_follows_a_slider_and_the_verdicts_follow_the_picture(page: Any, address: str) -> None:
    page.goto(address + ASKED)
    judged(page)
    before, clear = count(page), page.locator("#verdicts .shape.clear").count()
    slide(page, "seeing", 0)  # 0.3 arcsec
    until(page, f"document.body.dataset.count > {before}")
    judged(page)
    until(page, "!document.getElementById('seen').classList.contains('stale')")
    assert words(page)["seeing"] == "0.3"
    assert page.locator("#verdicts .shape.clear").count() > clear
    # every verdict is told by a shape and by a word
    for row in page.locator("#verdicts tbody tr").all():
        assert re.search(r"[●◐○] (clear|doubtful|lost)\b", row.inner_text())
        assert re.fullmatch(r"(?:.*?[●◐○]\s*(?:clear|doubtful|lost)\s*){3}", row.text_content().strip())


def test_the_address_holds_the_state(page: Any, address: str) -> None:
    page.goto(address + ASKED.replace("practised", "ordinary") + "&aperture=100&show=1")
    judged(page)
    assert page.input_value("[data-exact=aperture]") == "100"
    assert page.input_value("#hand") == "ordinary"
    assert page.is_checked("#layers input[value='1']")
    assert page.input_value("#night") == "2027-02-10"
    assert "changed" in page.inner_text("h1")


def test_two_setups_stand_side_by_side_at_one_scale(page: Any, address: str) -> None:
    page.goto(address + ASKED)
    judged(page)
    page.select_option("#other-instrument", "refractor-40")
    page.wait_for_selector("#verdicts thead th:nth-of-type(3)")
    judged(page)
    until(page, "document.getElementById('difference').textContent !== ''")
    assert page.locator("#verdicts thead th").all_inner_texts() == ["Feature", "newtonian-150", "refractor-40"]
    assert page.inner_text("#difference").startswith("Clear only through newtonian-150: ")
    assert page.is_visible("#split")
    sharp = page.evaluate("document.getElementById('stage').toDataURL()")
    slide(page, "split", 0)
    assert page.evaluate("document.getElementById('stage').toDataURL()") != sharp
    assert words(page)["other-instrument"] == "refractor-40"


def test_what_cannot_be_used_is_told_in_one_sentence(page: Any, address: str) -> None:
    page.goto(address + ASKED)
    judged(page)
    page.fill("[data-exact=obstruction]", "160")
    page.keyboard.press("Tab")
    page.wait_for_selector("#fault:not([hidden])")
    assert "it must be smaller than the aperture of 150 mm" in page.inner_text("#fault")
    page.fill("[data-exact=obstruction]", "30")
    page.keyboard.press("Tab")
    page.wait_for_selector("#fault", state="hidden")


def test_everything_is_done_by_keyboard(page: Any, address: str) -> None:
    page.goto(address + ASKED)
    judged(page)
    reached: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "document.activeElement.id || document.activeElement.name || document.activeElement.textContent"
            )
        )
        if "red" in reached:
            break
    for name in (
        "show",
        "hour",
        "besthour",
        "body",
        "night",
        "site",
        "seeing",
        "hand",
        "instrument",
        "aperture",
        "red",
    ):
        assert name in reached, name
    before = words(page)["time"]
    page.focus("#hour")
    page.keyboard.press("ArrowRight")
    until(page, f"!location.search.includes(encodeURIComponent('{before}'))")
    page.keyboard.press("ArrowLeft")
    page.focus("#layers input:checked")
    page.keyboard.press("ArrowLeft")
    assert words(page)["show"] == "1"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_narrow_screen_holds_it_all(page: Any, address: str, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(address + ASKED)
    judged(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.evaluate("getComputedStyle(document.documentElement).scrollBehavior") == "auto"
    assert contrasts(page) == []


def test_red_light_is_red_and_tells_every_state_by_shape(page: Any, address: str) -> None:
    page.goto(address + ASKED + "&red=1")
    judged(page)
    assert contrasts(page) == []
    colours = page.evaluate(
        "[...document.querySelectorAll('body *')].map((box) => getComputedStyle(box).color.match(/\\d+/g).map(Number))"
    )
    assert all(green == 0 and blue == 0 for _, green, blue, *_ in colours)
    picture = page.screenshot()
    from io import BytesIO

    import numpy as np
    from PIL import Image

    pixels = np.asarray(Image.open(BytesIO(picture)).convert("RGB")).astype(int)
    assert pixels[..., 0].max() > 100
    assert pixels[..., 1:].max() <= 2, "no green or blue light to spoil the eye"


def test_a_caution_stands_above_the_picture_of_a_target_near_the_sun(page: Any, address: str) -> None:
    page.goto(f"{address}?body=venus&time=2026-10-24T04:00Z&site=&seeing=2&hand=practised")
    judged(page)
    assert page.inner_text("#caution").startswith("CAUTION: ")
    box, picture = page.locator("#caution").bounding_box(), page.locator("#stage").bounding_box()
    assert box["y"] + box["height"] <= picture["y"]


def test_a_picture_that_is_dropped_is_checked(page: Any, address: str, tmp_path: Path) -> None:
    page.goto(address + ASKED)
    judged(page)
    page.click("#mine summary")
    wrong = tmp_path / "words.png"
    wrong.write_bytes(b"no picture")
    page.set_input_files("#file", wrong)
    page.wait_for_selector("#mine [role=alert]")
    assert "give a PNG, TIFF, FITS or JPEG file" in page.inner_text("#mine [role=alert]")
    # what this page itself shows, as a picture of 300 pixels
    mine = tmp_path / "mine.png"
    page.locator("#stage").screenshot(path=mine)
    page.set_input_files("#file", mine)
    page.wait_for_selector("#mine img", timeout=4 * PATIENCE_MS)
    assert page.evaluate("document.querySelector('#mine img').naturalWidth") != 0


def contrasts(page: Any) -> list[str]:
    """Return the texts whose contrast with their ground is below 4.5, by WCAG 2.2's formula (1.4.3)."""
    return page.evaluate(
        """() => {
          const parse = (text) => text.match(/[\\d.]+/g).map(Number);
          const channel = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
          const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
          const ground = (box) => {
            for (; box; box = box.parentElement) {
              const found = parse(getComputedStyle(box).backgroundColor);
              if (found.length < 4 || found[3] > 0) return found;
            }
            return [255, 255, 255];
          };
          const low = [];
          for (const box of document.querySelectorAll("body *")) {
            const own = [...box.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
            if (!own || !box.checkVisibility()) continue;
            const style = getComputedStyle(box);
            const svg = box.namespaceURI.endsWith("svg");
            const ink = parse(svg ? style.fill : style.color);
            const [a, b] = [luminance(ink), luminance(ground(box))].sort((x, y) => y - x);
            const poor = (a + 0.05) / (b + 0.05) < 4.5 && !box.disabled;
            if (poor) low.push(`${box.tagName} ${box.textContent.slice(0, 30)}`);
          }
          return low;
        }"""
    )
