#!/usr/bin/env python
"""Save every page as each role sees it: shots.py OUT [--units N].

360×640 and 1280×800, day and night, full page; PDFs as PNG. It fills a demonstration of its own in a temporary
folder, serves it on loopback and stops it at the end.
"""

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from urllib.request import urlopen

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[2]
PORT = 28_417
SIZES = {"phone": (360, 640), "desk": (1280, 800)}
REPORT = "/reports/new/?unit=205"
PAGES = {
    "driver1": [
        "/",
        "/units/",
        "/units/pick/",
        "/reports/",
        REPORT,
        "receipt",
        "/units/205/",
        "finding",
        "/nowhere/",
    ],
    "controller1": ["/findings/new/", "/reports/quarantine/", "/findings/", "/units/205/", "finding", "/work/"],
    "fitter1": [
        "/work/",
        "job",
        "examine",
        "make-safe",
        "put-back",
        "close",
        "/units/205/repaired/",
        "coupler",
    ],
    "fitter3": ["check"],
    "manager1": ["/recurring/", "finding", "/units/", "/rules/", "/rules/try/", "/rules/glossary/"],
}


def serve(folder, units):
    """Start a demonstration; gives (process, password)."""
    environ = os.environ | {
        "DATABASE_URL": f"sqlite:///{folder}/logbook.sqlite3",
        "MEDIA_ROOT": f"{folder}/media",
        "STATIC_ROOT": f"{folder}/static",
        "PYTHONUNBUFFERED": "1",
    }
    server = subprocess.Popen(
        [sys.executable, "manage.py", "demo", "--port", str(PORT), "--units", str(units)],
        cwd=ROOT,
        env=environ,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    printed = ""
    for line in server.stdout:
        printed += line
        found = re.search(r"[Pp]assword\b[^:]*:\s*(\S+)", printed, re.MULTILINE)
        if found and f":{PORT}" in printed:
            break
    for _ in range(100):
        try:
            urlopen(f"http://localhost:{PORT}/sign-in/", timeout=5)  # noqa: S310
            return server, found.group(1)
        except OSError:
            time.sleep(0.2)
    raise SystemExit(f"the demonstration did not start:\n{printed}")


def sign_in(page, name, password):
    page.goto("/sign-in/")
    page.fill("input[name=username]", name)
    page.fill("input[name=password]", password)
    page.click("main button[type=submit], main button:not([type])")
    page.wait_for_url(lambda url: "sign-in" not in url)


def first_link(page, start, pattern):
    """The first address on `start` that matches, or None."""
    page.goto(start)
    links = page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
    return next((link for link in links if re.fullmatch(pattern, link)), None)


def addresses(page, name):
    """The addresses behind a name of PAGES."""
    match name:
        case "finding":
            return [first_link(page, "/units/205/", r"/findings/\d{8}/")]
        case "receipt":
            return [first_link(page, "/reports/", r"/reports/[0-9a-f-]{36}/")]
        case "job":
            return [first_link(page, "/work/", r"/findings/\d{8}/")]
        case "coupler":
            return [first_link(page, "/units/205/", r"/couplers/[^/]+/")]
        case "close" | "check" | "examine" | "make-safe" | "put-back":
            return [first_of(page, rf"/findings/\d{{8}}/{name}/")]
    return [name]


def first_of(page, pattern):
    """The first address that matches on any job of any depot's work list."""
    for depot in ("BRK", "ELM"):
        page.goto(f"/work/?depot={depot}")
        links = page.eval_on_selector_all("a[href^='/findings/']", "all => all.map(a => a.getAttribute('href'))")
        for job in dict.fromkeys(links):
            found = first_link(page, job, pattern) if re.fullmatch(r"/findings/\d{8}/", job) else None
            if found:
                return found
    return None


def shoot(page, out, stem):
    for theme in ("light", "dark"):
        page.emulate_media(color_scheme=theme)
        for size, (width, height) in SIZES.items():
            page.set_viewport_size({"width": width, "height": height})
            night = "night" if theme == "dark" else "day"
            page.screenshot(path=out / f"{stem}-{size}-{night}.png", full_page=True)


def paper(page, out):
    """The first work card as PNG pages."""
    job = first_link(page, "/work/", r"/findings/\d{8}/")
    page.goto(job)
    form = page.locator("form[action$='card.pdf']").first
    token = form.locator("input[name=csrfmiddlewaretoken]").input_value()
    answer = page.request.post(
        form.get_attribute("action"), form={"csrfmiddlewaretoken": token}, headers={"Referer": page.url}
    )
    pdf = out / "card.pdf"
    pdf.write_bytes(answer.body())
    subprocess.run(["pdftoppm", "-r", "80", "-png", str(pdf), str(out / "card")], check=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--units", type=int, default=42)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        server, password = serve(folder, options.units)
        try:
            browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
            for name, pages in PAGES.items():
                page = browser.new_context(base_url=f"http://localhost:{PORT}").new_page()
                page.goto("/sign-in/")
                shoot(page, options.out, "sign-in")
                sign_in(page, name, password)
                for entry in pages:
                    for n, address in enumerate(filter(None, addresses(page, entry))):
                        page.goto(address)
                        stem = re.sub(r"\W+", "-", entry).strip("-") or "start"
                        shoot(page, options.out, f"{name}-{stem}{n or ''}")
                if name == "fitter1":
                    paper(page, options.out)
        finally:
            server.terminate()
            server.wait(20)
    print(f"{len(list(options.out.glob('*.png')))} pictures in {options.out}")


if __name__ == "__main__":
    main()
