#!/usr/bin/env python3
"""Pictures of a page, to be looked at: shots.py PAGE.html FOLDER"""

import base64
import pathlib
import sys

from browser import Browser, find


def main(page, folder):
    folder = pathlib.Path(folder)
    folder.mkdir(exist_ok=True)
    browser = Browser(find())
    try:
        for width, dark in [(360, False), (390, True), (768, False), (1280, False), (1280, True)]:
            browser.open(pathlib.Path(page).resolve().as_uri(), width, dark=dark)
            height = browser.value("document.documentElement.scrollHeight")
            browser.open(pathlib.Path(page).resolve().as_uri(), width, height=height, dark=dark)
            shot = browser.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
            name = f"{width}{'-dark' if dark else ''}.png"
            (folder / name).write_bytes(base64.b64decode(shot["data"]))
        pdf = browser.call("Page.printToPDF", printBackground=True, preferCSSPageSize=True)
        (folder / "page.pdf").write_bytes(base64.b64decode(pdf["data"]))
    finally:
        browser.close()


main(*sys.argv[1:])
