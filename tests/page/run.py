#!/usr/bin/env python3
"""Looks at the pages of the report in a headless Chromium.

The pages are written by `cargo test --test it report` into target/tmp/pages. For each: no message on
the console, no request to anywhere, no overflow at any width in light and dark, one of the two drawings of every
figure shown, words in drawings readable, in print no figure cut, and no rule of WCAG 2.2 A and AA broken that an
accessibility engine (axe-core, pinned in package.json) knows. The drawings once more with each set of fonts: a
machine may have others than the one on which they were drawn.
"""

import base64
import pathlib
import re
import shutil
import subprocess
import sys
from contextlib import closing

from browser import Browser, find

HERE = pathlib.Path(__file__).resolve().parent
TARGET = HERE.parents[1] / "target"
PAGES = TARGET / "tmp" / "pages"
# Phones, a tablet, a desk.
WIDTHS = (360, 390, 768, 1280)
# Debian's fonts-dejavu-core and fonts-liberation, each alone, and none at all.
FONTS = {
    "DejaVu alone": "/usr/share/fonts/truetype/dejavu",
    "Liberation alone": "/usr/share/fonts/truetype/liberation",
    "no fonts": "",
}
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
BROKEN = """axe.run(document, {runOnly: {type: 'tag', values: RULES}}).then(r => r.violations
  .map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.target.join(' ')).join(', ')))"""
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


def engine():
    """The text of the accessibility engine, installed as it is pinned; nothing where that cannot be."""
    place = TARGET / "page"
    installed = place / "node_modules" / "axe-core" / "axe.min.js"
    place.mkdir(parents=True, exist_ok=True)
    pinned = [HERE / "package.json", HERE / "package-lock.json"]
    current = all((place / p.name).exists() and (place / p.name).read_bytes() == p.read_bytes() for p in pinned)
    if not (current and installed.exists()):
        npm = shutil.which("npm")
        if not npm:
            return None
        for file in pinned:
            shutil.copy(file, place)
        command = [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--silent"]
        if subprocess.run(command, cwd=place).returncode != 0:
            return None
    return installed.read_text()


def look(browser, page, axe):
    """Everything that is wrong with one page."""
    wrong = []
    url = page.as_uri()
    grounds = set()
    for width in WIDTHS:
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
            if axe:
                browser.value(axe + "; 0")
                broken = browser.value(BROKEN.replace("RULES", str(RULES)))
                wrong += [f"{where}: accessibility: {rule}" for rule in broken]
    if len(grounds) != 2:
        wrong.append(f"light and dark have the grounds {grounds}")
    return wrong + on_paper(browser, url)


def drawings(browser, page):
    """What is wrong with the drawings of one page, in the fonts of this browser."""
    wrong = []
    for width in WIDTHS:
        browser.open(page.as_uri(), width)
        if (over := browser.value(OVERFLOW)) > 0:
            wrong.append(f"{width} px: {over} px too wide")
        if cut := browser.value(CUT_WORDS):
            wrong.append(f"{width} px: words leave their drawing: {cut}")
    return wrong


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
    axe = engine()
    if not axe:
        print("accessibility is left out: npm and its registry are needed for the pinned engine", file=sys.stderr)
    failed = 0
    with closing(Browser(program)) as browser:
        for page in pages:
            failed += tell(page.name, look(browser, page, axe))
    for name, folder in FONTS.items():
        if folder and not pathlib.Path(folder).is_dir():
            print(f"{name}: left out, there is no {folder}", file=sys.stderr)
            continue
        with closing(Browser(program, fonts=folder)) as browser:
            for page in pages:
                failed += tell(f"{page.name}, {name}", drawings(browser, page))
    print(f"{len(pages)} pages, {failed} times with something wrong")
    return 1 if failed else 0


def tell(what, wrong):
    print(f"{what}: {'fine' if not wrong else 'WRONG'}")
    for text in wrong:
        print(f"  {text}")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
