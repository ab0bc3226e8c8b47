#!/usr/bin/env python3
"""Looks at the pages of the report in a headless Chromium.

The pages are written by `cargo test --test it report` into target/tmp/pages. For each: no message on
the console, no request to anywhere, no overflow at 360 and 1280 pixels in light and dark, one of the
two drawings of every figure shown, words in drawings readable, and in print no figure cut.
"""

import base64
import pathlib
import re
import sys

from browser import Browser, find

PAGES = pathlib.Path(__file__).resolve().parents[2] / "target" / "tmp" / "pages"
# A4 less the margins of the style sheet (16 and 18 mm), at 96 pixels per inch.
PAGE_HEIGHT = (297 - 16 - 18) / 25.4 * 96
PAGE_WIDTH = (210 - 15 - 15) / 25.4 * 96

OVERFLOW = "document.scrollingElement.scrollWidth - innerWidth"
# What sticks out although the page as a whole does not scroll.
STICKS_OUT = """[...document.querySelectorAll('body *')].filter(e => !e.closest('svg') && !e.closest('.pile thead'))
  .filter(e => e.getBoundingClientRect().right > innerWidth + 0.5).map(e => e.tagName + '.' + e.className).slice(0, 5)"""
DRAWN_ONCE = """[...document.querySelectorAll('figure')].filter(f => f.querySelector('svg'))
  .filter(f => [...f.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().height > 0).length !== 1).length"""
# Height in pixels of the smallest words in any drawing that is shown.
SMALLEST = """Math.min(99, ...[...document.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().height > 0)
  .flatMap(s => [...s.querySelectorAll('text')].map(t => parseFloat(getComputedStyle(t).fontSize)
    * s.getBoundingClientRect().width / s.viewBox.baseVal.width)))"""
# Words that leave their drawing.
CUT_WORDS = """[...document.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().height > 0)
  .flatMap(s => { const b = s.getBoundingClientRect();
    return [...s.querySelectorAll('text')].filter(t => { const r = t.getBoundingClientRect();
      return r.left < b.left - 1 || r.right > b.right + 1 || r.top < b.top - 1 || r.bottom > b.bottom + 1; })
      .map(t => t.textContent); }).slice(0, 5)"""
FIGURES = """[...document.querySelectorAll('figure')].map(f => ({
  height: f.getBoundingClientRect().height, inside: getComputedStyle(f).breakInside}))"""
COLOURS = "getComputedStyle(document.documentElement).backgroundColor"


def look(browser, page):
    """Everything that is wrong with one page."""
    wrong = []
    url = page.as_uri()
    grounds = set()
    for width in (360, 1280):
        for dark in (False, True):
            where = f"{width} px, {'dark' if dark else 'light'}"
            events = browser.open(url, width, dark=dark)
            for event in events:
                method, params = event.get("method"), event.get("params", {})
                if method in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
                    wrong.append(f"{where}: console: {params}")
                if method == "Network.requestWillBeSent":
                    asked = params["request"]["url"]
                    if asked != url and not asked.startswith("data:"):
                        wrong.append(f"{where}: request to {asked}")
            if (over := browser.value(OVERFLOW)) > 0:
                wrong.append(f"{where}: {over} px too wide")
            if out := browser.value(STICKS_OUT):
                wrong.append(f"{where}: sticks out: {out}")
            if twice := browser.value(DRAWN_ONCE):
                wrong.append(f"{where}: {twice} figures are not drawn exactly once")
            if (small := browser.value(SMALLEST)) < 7.5:
                wrong.append(f"{where}: words of {small:.1f} px in a drawing")
            if cut := browser.value(CUT_WORDS):
                wrong.append(f"{where}: words leave their drawing: {cut}")
            grounds.add(browser.value(COLOURS))
    if len(grounds) != 2:
        wrong.append(f"light and dark have the grounds {grounds}")
    return wrong + on_paper(browser, url)


def on_paper(browser, url):
    wrong = []
    browser.open(url, round(PAGE_WIDTH), dark=True)
    browser.media("print")
    if browser.value(COLOURS) != "rgb(255, 255, 255)":
        wrong.append("print: the paper is not white")
    for figure in browser.value(FIGURES):
        if figure["height"] > PAGE_HEIGHT or figure["inside"] != "avoid":
            wrong.append(f"print: a figure can be cut: {figure}")
    pdf = browser.call("Page.printToPDF", printBackground=True, preferCSSPageSize=True)
    content = base64.b64decode(pdf["data"])
    sizes = set(re.findall(rb"/MediaBox \[0 0 (\d+)(?:\.\d+)? (\d+)", content))
    if any(abs(int(w) - 595) > 1 or abs(int(h) - 842) > 1 for w, h in sizes) or not sizes:
        wrong.append(f"print: not A4: {sizes}")
    return wrong


def main():
    program = find()
    if not program:
        print("no Chromium is installed", file=sys.stderr)
        return 2
    pages = sorted(PAGES.glob("*.html"))
    if not pages:
        print(f"no pages in {PAGES}: run cargo test --test it report first", file=sys.stderr)
        return 1
    failed = 0
    browser = Browser(program)
    try:
        for page in pages:
            wrong = look(browser, page)
            failed += bool(wrong)
            print(f"{page.name}: {'fine' if not wrong else 'WRONG'}")
            for text in wrong:
                print(f"  {text}")
    finally:
        browser.close()
    print(f"{len(pages)} pages, {failed} with something wrong")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
