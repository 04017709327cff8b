#!/usr/bin/env python
"""Draw the icons of the installed page from static/icons/logbook.svg, in Chromium: icons.py

logbook-*.png are the drawing as it is; logbook-full-*.png leave room all round, for a phone that cuts icons to a
shape of its own. Run it again when the drawing changes.
"""

import io
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

ICONS = Path(__file__).parents[2] / "static/icons"
SIZES = (192, 512)
SAFE = 0.7  # of the side: what a round cut of an icon leaves whole


def markup(drawing: str, part: float) -> str:
    """A page all in the drawing's own ground, the drawing on a part of its width in the middle."""
    ground = drawing.split('fill="', 1)[1].split('"', 1)[0]
    place = f"position: fixed; inset: 0; margin: auto; width: {part:.0%}; height: {part:.0%}"
    return f'<body style="background: {ground}">{drawing.replace("<svg", f"<svg style={chr(34)}{place}{chr(34)}", 1)}'


def main():
    drawing = (ICONS / "logbook.svg").read_text()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        for name, part in (("logbook", 1), ("logbook-full", SAFE)):
            for size in SIZES:
                page = browser.new_page(viewport={"width": size, "height": size})
                page.set_content(markup(drawing, part))
                picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB").quantize(16)
                picture.save(ICONS / f"{name}-{size}.png", optimize=True)
                page.close()
        browser.close()


if __name__ == "__main__":
    main()
