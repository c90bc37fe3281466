"""The HTML page of `explain` as a person has it: on a phone, in the dark, on paper, by keyboard and
with a screen reader."""

from __future__ import annotations

import base64
import re

import pytest
from reports import READINGS

from chromium import MISSING, PATH, Chromium
from idlehands_monitor.views import html

pytestmark = [
    pytest.mark.skipif(PATH is None, reason=MISSING),
    pytest.mark.xdist_group("chromium"),
]
PHONE = 360
READ = """
[...document.querySelectorAll('h1,h2,h3,p,td,th,summary,figcaption,a,code')]
  .filter(one => one.textContent.trim() && one.checkVisibility())
"""
CONTRAST = f"""
(() => {{
  const canvas = document.createElement('canvas').getContext('2d', {{willReadFrequently: true}});
  const paint = (colours) => {{
    canvas.clearRect(0, 0, 1, 1);
    for (const colour of colours) {{ canvas.fillStyle = colour; canvas.fillRect(0, 0, 1, 1) }}
    return [...canvas.getImageData(0, 0, 1, 1).data].slice(0, 3).map(value => value / 255);
  }};
  const light = rgb => rgb.map(c => c <= .04045 ? c / 12.92 : ((c + .055) / 1.055) ** 2.4)
    .reduce((sum, c, i) => sum + c * [.2126, .7152, .0722][i], 0);
  const grounds = one => one ? [...grounds(one.parentElement),
    getComputedStyle(one).backgroundColor] : [];
  const base = getComputedStyle(document.documentElement).colorScheme.includes('dark') &&
    matchMedia('(prefers-color-scheme: dark)').matches ? '#121212' : '#ffffff';
  const opacity = one => one ? opacity(one.parentElement) * getComputedStyle(one).opacity : 1;
  const ratios = {READ}.map(one => {{
    const ground = paint([base, ...grounds(one)]);
    const ink = paint([base, ...grounds(one), getComputedStyle(one).color]);
    const share = opacity(one);
    const seen = ink.map((value, place) => value * share + ground[place] * (1 - share));
    const [low, high] = [light(ground), light(seen)].sort((a, b) => a - b);
    return [(high + .05) / (low + .05), one.tagName, one.textContent.slice(0, 40)];
  }});
  return ratios.sort((a, b) => a[0] - b[0])[0];
}})()
"""
"""The text of least contrast, with its ratio (WCAG 2.x)."""


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    browser = Chromium(tmp_path_factory.mktemp("chromium"))
    yield browser
    browser.close()


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    for name, reading in READINGS.items():
        (folder / f"{name}.html").write_text(html.render(reading()), encoding="utf-8")
    return {name: folder / f"{name}.html" for name in READINGS}


@pytest.mark.parametrize("name", READINGS)
def test_a_page_fetches_nothing_and_the_browser_reports_no_error(browser, pages, name):
    browser.open(pages[name])
    asked = [p["request"]["url"] for method, p in browser.events if method.endswith("WillBeSent")]
    assert asked == [f"file://{pages[name]}".replace(" ", "%20")]
    assert not [
        one for one in browser.events if one[0] in ("Log.entryAdded", "Runtime.exceptionThrown")
    ]


@pytest.mark.parametrize("width", [PHONE, 800, 1600])
@pytest.mark.parametrize("name", READINGS)
def test_no_page_is_wider_than_the_screen(browser, pages, name, width):
    browser.open(pages[name], width)
    assert browser.run("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_all_text_can_be_read_on_its_ground(browser, pages, dark):
    browser.open(pages["stealing"], dark=dark)
    ratio, tag, text = browser.run(CONTRAST)
    assert ratio >= 4.5, (tag, text)


def test_the_page_is_dark_where_the_browser_asks_for_it_and_light_otherwise(browser, pages):
    ground = """(() => { const one = document.createElement('div'); document.body.append(one);
        one.style.background = 'Canvas'; return getComputedStyle(one).backgroundColor })()"""
    browser.open(pages["stealing"])
    assert browser.run(ground) == "rgb(255, 255, 255)"
    browser.open(pages["stealing"], dark=True)
    assert max(map(int, re.findall(r"\d+", browser.run(ground)))) < 50


def test_the_headline_is_seen_on_a_phone_without_scrolling(browser, pages):
    browser.open(pages["stealing"], PHONE)
    place = "document.querySelector('.headline p').getBoundingClientRect().bottom"
    assert browser.run(place) < 800


def test_the_time_split_of_a_pool_fits_a_phone_without_scrolling(browser, pages):
    browser.open(pages["stealing"], PHONE)
    split = """(() => { const name = '[aria-label="Where the worker time went"]';
        const one = document.querySelector(name); return one.scrollWidth - one.clientWidth })()"""
    assert browser.run(split) == 0


def test_every_picture_has_a_name_for_a_screen_reader(browser, pages):
    browser.open(pages["stealing"])
    tree = browser.ask("Accessibility.getFullAXTree")["nodes"]
    seen = [node for node in tree if not node.get("ignored")]
    images = [node for node in seen if node["role"]["value"] == "image"]
    assert images
    assert all(node["name"]["value"].strip() for node in images)
    roles = {node["role"]["value"] for node in seen}
    assert {"main", "navigation", "heading", "table", "columnheader", "rowheader"} <= roles


def test_all_that_scrolls_or_opens_is_reached_and_worked_by_keys(browser, pages):
    browser.open(pages["stealing"], PHONE)
    wanted = browser.run("document.querySelectorAll('a, summary, .scroll').length")
    reached = set()
    for _ in range(wanted + 5):
        browser.press("Tab")
        reached.add(
            browser.run(
                "(() => { const one = document.activeElement; const all = [...document"
                ".querySelectorAll('a, summary, .scroll')]; return all.indexOf(one) })()"
            )
        )
    hidden = browser.run("document.querySelectorAll('details .scroll').length")
    assert len(reached - {-1}) == wanted - hidden
    browser.run("document.querySelector('summary').focus()")
    browser.press("Enter")
    assert browser.run("document.querySelector('details').open")


def test_the_value_of_a_pair_stands_in_its_cell_and_is_told_on_hover(browser, pages):
    browser.open(pages["stealing"])
    told = browser.run(
        """(() => { const svg = document.querySelector('svg.matrix'); svg.scrollIntoView();
        const rect = svg.querySelectorAll('rect')[1]; const at = rect.getBoundingClientRect();
        const found = document.elementFromPoint(at.x + at.width / 2, at.y + at.height / 2);
        return found.querySelector('title').textContent })()"""
    )
    assert "took from" in told


def test_on_paper_there_are_no_links_and_nothing_is_cut_off(browser, pages):
    browser.open(pages["stealing"], 720, dark=True, media="print")
    assert browser.run("getComputedStyle(document.querySelector('nav')).display") == "none"
    too_wide = """[...document.querySelectorAll('.scroll')]
        .filter(one => one.checkVisibility() && one.scrollWidth > one.clientWidth + 1)
        .map(one => one.getAttribute('aria-label'))"""
    assert browser.run(too_wide) == []
    assert browser.run("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    printed = base64.b64decode(browser.ask("Page.printToPDF")["data"])
    assert printed.startswith(b"%PDF-")
