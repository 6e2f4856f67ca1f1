#!/usr/bin/env python3
"""How fluid the chart is while somebody moves about in it: a benchmark, nothing is asserted.

    cargo run --release -p nightclamp-web --example charts -- --serve 127.0.0.1:8087
    tests/browser/fluid.py http://127.0.0.1:8087/ [--chromium PATH]

A real browser drags, turns the wheel and pinches over the whole record. Printed are, of each movement, the time from one picture
to the next (the browser has one every 16.7 ms when it has nothing to wait for), the longest that the page's script kept it from
one, and how long after the last movement everything of the view is there. Needs Python 3.9 and Chromium, and nothing else.
"""

import argparse
import os
import statistics
import sys
import time

sys.dont_write_bytecode = True
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from chromium import Chromium  # noqa: E402

LOOKS = [("laptop", {"width": 1280, "height": 800}), ("phone", {"width": 390, "height": 844, "phone": True})]
WATCH = """{ window.pictures = []; window.long = 0;
  const next = (at) => { pictures.push(at); requestAnimationFrame(next); };
  requestAnimationFrame(next);
  new PerformanceObserver((list) => list.getEntries().forEach(({ duration }) => { window.long = Math.max(window.long, duration); })).observe({ type: 'longtask' }); }"""
DRAWN = "document.getElementById('chart').dataset.whole === 'true'"
STEP_S = 1 / 60


def place(page):
    page.run("document.querySelector('.chart-over').scrollIntoView({ block: 'center' }); document.querySelector('.chart-over').focus({ preventScroll: true })")
    box = page.run("(({ x, y, width, height }) => [x, y, width, height])(document.querySelector('.chart-over').getBoundingClientRect())")
    return box[0] + box[2] / 2, box[1] + box[3] / 2, box[2]


def steps(page, movements):
    """One movement after the other, as often as pictures come."""
    for movement in movements:
        due = time.monotonic() + STEP_S
        movement()
        page.browser.idle(max(0, due - time.monotonic()))


def moved(page, name, movements):
    page.run("pictures.length = 0; long = 0; undefined")
    steps(page, movements)
    left = time.monotonic()
    page.wait(DRAWN, "everything of the view")
    whole_ms = (time.monotonic() - left) * 1000
    at = page.run("pictures")
    apart = sorted(b - a for a, b in zip(at, at[1:]))
    share = lambda part: apart[min(len(apart) - 1, int(part * len(apart)))]
    print(f"{name:32} {len(apart):5} {statistics.median(apart):7.1f} {share(0.95):7.1f} {apart[-1]:7.1f} {page.run('long'):8.0f} {whole_ms:8.0f}", flush=True)


def laptop(page, name):
    x, y, width = place(page)
    wheel = lambda by: lambda: page.wheel(x, y, by)
    moved(page, f"{name}, wheel to 0.1 s", [wheel(-120)] * 130)
    moved(page, f"{name}, wheel to the month", [wheel(120)] * 130)
    moved(page, f"{name}, wheel to days", [wheel(-120)] * 14)
    drag = [lambda: page.mouse("mousePressed", x, y, held=True, clicks=1, shift=True)]
    for n in range(180):
        to = x + (width / 3) * (n % 60 / 60 if n // 60 % 2 == 0 else 1 - n % 60 / 60)
        drag.append(lambda to=to: page.mouse("mouseMoved", to, y, held=True, shift=True))
    moved(page, f"{name}, dragged", drag + [lambda: page.mouse("mouseReleased", x, y, clicks=1, shift=True)])
    moved(page, f"{name}, read", [lambda n=n: page.mouse("mouseMoved", x - width / 3 + n * width / 180, y) for n in range(120)])


def phone(page, name):
    x, y, width = place(page)
    spread = lambda px: lambda: page.touch("touchMove", (x - px, y), (x + px, y))
    for turn in range(3):
        pinch = [lambda: page.touch("touchStart", (x - 12, y), (x + 12, y))]
        pinch += [spread(12 + n * (width / 2 - 20) / 60) for n in range(60)]
        moved(page, f"{name}, pinched {turn + 1}", pinch + [lambda: page.touch("touchEnd")])


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("url")
    parser.add_argument("--chromium", metavar="PATH")
    given = parser.parse_args()
    print(f"{'ms from picture to picture':32} {'count':>5} {'median':>7} {'95 %':>7} {'most':>7} {'script':>8} {'all there':>8}")
    with Chromium(given.chromium) as browser:
        for name, how in LOOKS:
            page = browser.page(**how)
            page.call("Page.addScriptToEvaluateOnNewDocument", source=WATCH)
            page.go(given.url)
            page.wait("[...document.querySelectorAll('#period-choice button')].some((one) => one.textContent === 'Whole record')", "the choice of the whole record", seconds=60)
            page.run("[...document.querySelectorAll('#period-choice button')].find((one) => one.textContent === 'Whole record').click()")
            page.wait(DRAWN, "the whole record", seconds=60)
            browser.idle(2)
            (phone if how.get("phone") else laptop)(page, name)
            page.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
