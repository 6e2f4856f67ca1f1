#!/usr/bin/env python3
"""Looks at a dashboard with a real browser, and takes pictures of it.

    tests/browser/check.py http://127.0.0.1:8087/ [--pictures DIR] [--stop PID] [--chromium PATH]

The dashboard has to show a finished night and live data: `cargo run -p nightclamp-web --example staged`, or the
program's own demonstration. With --stop the server of that process id is stopped at the end, to see what the page says.
Exit code 0 only if everything holds. Needs Python 3.9, Chromium, and axe-core as tests/requirements-axe.txt has it.
"""

import argparse
import os
import signal
import sys
import urllib.parse

sys.dont_write_bytecode = True
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import accessibility  # noqa: E402
import door  # noqa: E402
import everyone  # noqa: E402
import pages  # noqa: E402
from chromium import Chromium  # noqa: E402

LOOKS = [
    ("laptop-light", {"width": 1280, "height": 800}),
    ("laptop-dark", {"width": 1280, "height": 800, "dark": True}),
    ("phone-light", {"width": 360, "height": 740, "phone": True}),
    ("phone-dark", {"width": 360, "height": 740, "phone": True, "dark": True}),
]

# Pixels of the chart that are neither the ground nor transparent, by colour: a chart with lines has several thousand.
INK = """(() => {
  const canvas = document.querySelector('.chart-base');
  const copy = document.createElement('canvas');
  [copy.width, copy.height] = [canvas.width, canvas.height];
  const pen = copy.getContext('2d', { willReadFrequently: true });
  pen.drawImage(canvas, 0, 0);
  const data = pen.getImageData(0, 0, copy.width, copy.height).data;
  let inked = 0; const colours = new Set();
  for (let n = 0; n < data.length; n += 4) if (data[n + 3] > 40) { inked += 1; colours.add((data[n] >> 4) * 256 + (data[n + 1] >> 4) * 16 + (data[n + 2] >> 4)); }
  return { inked, colours: colours.size };
})()"""

# Contrast of every text colour on both grounds (WCAG 2.2, relative luminance and contrast ratio as defined there).
CONTRAST = """(() => {
  const style = getComputedStyle(document.documentElement);
  const rgb = (name) => style.getPropertyValue('--' + name).trim().match(/[0-9a-f]{2}/gi).map((hex) => parseInt(hex, 16) / 255);
  const luminance = (name) => rgb(name).map((c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4).reduce((sum, c, n) => sum + c * [0.2126, 0.7152, 0.0722][n], 0);
  const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const texts = ['ink', 'quiet', 'link', 'current', 'start', 'case', 'ambient', 'dome', 'box', 'supply', 'go', 'trip', 'warn'];
  const pairs = texts.flatMap((text) => [[text, 'paper'], [text, 'card']]).concat([['on-danger', 'danger']]);
  return pairs.map(([a, b]) => [a, b, ratio(a, b)]).filter(([, , r]) => r < 4.5);
})()"""

FIGURES = "[...document.querySelectorAll('.figure-number, .small dd')].map((node) => node.textContent).join()"
CARD_FIGURE = "document.querySelector('.figure-current .figure-number').textContent"
RANGE = "document.querySelector('.chart-range')?.textContent ?? ''"
SPAN = "(() => { const words = document.querySelector('.chart-range').textContent.split(', '); return words[1]; })()"
DRAWN = "document.getElementById('chart').dataset.whole === 'true'"
READOUT = "document.querySelector('.readout').textContent"


# The night on which clocks go back in Lisbon (25 October 2026 at 01:00 UTC): half past one comes twice, hours stay hours.
CLOCKS = """(async () => {
  const clock = await import('/assets/clock.js');
  const scale = await import('/assets/scale.js');
  const us = (text) => Date.parse(text) * 1000;
  const zone = [{ from_us: us('2026-10-24T20:00:00Z'), offset_s: 3600, name: 'WEST' }, { from_us: us('2026-10-25T01:00:00Z'), offset_s: 0, name: 'WET' }];
  clock.setClock({ zone, host_offset_us: 0, wall_us: us('2026-10-25T08:00:00Z') });
  const named = ['2026-10-25T00:30:00Z', '2026-10-25T01:30:00Z'].map((text) => clock.timeOfDay(us(text)) + ' ' + clock.offsetWord(us(text)));
  const ticks = scale.timeTicks(us('2026-10-24T23:10:00Z'), us('2026-10-25T04:10:00Z'), 500, 60);
  return [named, ticks.map(({ at }) => new Date(at / 1000).toISOString().slice(11, 16)), ticks.map(({ label }) => label), scale.clockChanges(us('2026-10-24T23:10:00Z'), us('2026-10-25T04:10:00Z')).length];
})()"""
CLOCKS_EXPECTED = [
    ["01:30:00 UTC+01:00", "01:30:00 UTC+00:00"],
    ["00:00", "01:00", "02:00", "03:00", "04:00"],
    ["01:00", "01:00", "02:00", "03:00", "04:00"],
    1,
]


class Checks:
    """Counts what holds and says what does not."""

    def __init__(self):
        self.failed = 0

    def check(self, holds, what):
        print(f"{'ok    ' if holds else 'FAILED'} {what}", flush=True)
        self.failed += not holds


def ready(page, url):
    page.go(url)
    page.wait("document.querySelectorAll('.cycles .cycle').length > 0", "rows in the table")
    page.wait(f"{INK}.inked > 3000", "a drawn chart")
    page.wait(f"/[0-9]/.test({CARD_FIGURE})", "a figure for the current")


def look(checks, page, name, url):
    """What has to hold in every look."""
    ready(page, url)
    page.wait(DRAWN, "all of the chart")
    checks.check(page.received < 1_000_000, f"{name}: the first load is {page.received / 1000:.0f} kB, the night's readings among them")
    overflow = page.run("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    checks.check(overflow <= 0, f"{name}: no horizontal scroll ({overflow} px too wide)")
    checks.check(page.run(f"{INK}.colours") >= 4, f"{name}: the chart has several colours")
    poor = page.run(CONTRAST)
    checks.check(not poor, f"{name}: contrast of at least 4.5 to 1 {poor}")
    small = page.run("""[...document.querySelectorAll('button, .safety-link')].filter((node) => {
        const box = node.getBoundingClientRect(); return box.width > 0 && (box.height < 24 || box.width < 24); }).length""")
    checks.check(small == 0, f"{name}: nothing to press is smaller than 24 px (WCAG 2.2, 2.5.8)")
    page.run("document.querySelector('.why').click()")
    page.wait("document.querySelectorAll('.detail:not([hidden]) h3').length > 3", "a cycle in detail")
    accessibility.axe(checks, page, f"{name}, a cycle unfolded")
    if name == "phone-dark":
        accessibility.in_schemes(checks, page, f"{name}, a cycle unfolded", ["dim"])
    page.run("document.querySelector('.why').click()")


def live(checks, page):
    """Figures that change, an age in sight, a strip that is drawn."""
    seen = set()
    for _ in range(30):
        seen.add(page.run(FIGURES))
        page.browser.idle(0.2)
    checks.check(len(seen) >= 3, f"live figures change ({len(seen)} different in 6 s)")
    page.run("scrollTo(0, document.body.scrollHeight)")
    pulse = page.run("""(() => { const box = document.getElementById('pulse').getBoundingClientRect();
        return box.top >= 0 && box.bottom <= innerHeight && document.getElementById('pulse-text').textContent; })()""")
    checks.check(str(pulse).startswith("Last sample"), f"the age of the last sample stays in sight: {pulse}")
    page.run("scrollTo(0, 0)")


def chart(checks, page):
    """Zoom by mouse and keys, and reading values."""
    page.run("document.querySelector('.chart-over').scrollIntoView({ block: 'center' })")
    box = page.run("(({ x, y, width, height }) => ({ x, y, width, height }))(document.querySelector('.chart-over').getBoundingClientRect())")
    middle = box["y"] + box["height"] / 2
    at = [box["x"] + box["width"] * share for share in (0.4, 0.6)]
    whole = page.run(RANGE)
    page.mouse("mouseMoved", at[0], middle)
    checks.check(" A" in page.run(READOUT) or "no samples" in page.run(READOUT), f"pointing reads values: {page.run(READOUT)}")
    page.mouse("mousePressed", at[0], middle, held=True, clicks=1)
    page.mouse("mouseMoved", at[1], middle, held=True)
    page.mouse("mouseReleased", at[1], middle, clicks=1)
    closer = page.run(RANGE)
    checks.check(closer != whole, f"dragging looks closer: {whole} | {closer}")
    page.browser.idle(1)
    checks.check(page.run(f"{INK}.inked") > 3000, "the closer look is drawn")
    page.run("document.querySelector('.chart-over').focus()")
    page.key("+")
    checks.check(page.run(RANGE) != closer, "the key + looks closer still")
    page.key("ArrowRight")
    checks.check(page.run("document.querySelector('.readout').getAttribute('aria-live')") == "polite", "a key reads values aloud")
    files(checks, page)
    page.key("Escape")
    checks.check(page.run(RANGE).split(",")[0][:5] == whole[:5], "Escape shows the whole again")
    page.wait(DRAWN, "the whole")
    wheel(checks, page, box)
    link(checks, page)
    compare(checks, page)
    page.run("scrollTo(0, 0)")


def files(checks, page):
    """What is in view as a file."""
    page.browser.idle(0.5)
    found = page.run("""(async () => {
      const links = [...document.querySelectorAll('#chart > .files a')].map((link) => [link.textContent, new URL(link.href)]);
      const [, csv] = links[0];
      const rows = (await (await fetch(csv)).text()).trimEnd().split('\\r\\n').map((line) => line.split(','));
      const within = rows.slice(1).every(([, time]) => Date.parse(time) * 1000 > csv.searchParams.get('from') - 1000 && Date.parse(time) * 1000 <= csv.searchParams.get('to'));
      const kinds = await Promise.all(links.slice(0, 2).map(async ([, url]) => (await fetch(url)).headers.get('content-type').split(';')[0]));
      return { links: links.map(([word, url]) => `${url.searchParams.get('table')} ${word}`), first: rows[0].slice(0, 3), rows: rows.length, within, kinds };
    })()""")
    wanted = [f"{table} {word}" for table in ("samples", "overview", "events", "cycles") for word in ("CSV", "Parquet")]
    checks.check(found["links"] == wanted and found["kinds"] == ["text/csv", "application/vnd.apache.parquet"], f"what is shown, as a file: {found}")
    checks.check(found["within"] and found["rows"] > 2 and found["first"] == ["board", "time", "arrival"], "with the rows of this view")


def wheel(checks, page, box):
    """The wheel goes from the whole down to a tenth of a second, where every sample is a dot, and back; moved by Shift and keys."""
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.run("document.querySelector('.chart-over').focus()")
    for _ in range(60):
        page.wheel(x, y, -400)
    checks.check(page.run(SPAN) == "0.1 s", f"the wheel looks as close as a tenth of a second ({page.run(SPAN)})")
    for _ in range(8):
        page.wheel(x, y, 400)
    page.wait(DRAWN, "the seconds around")
    checks.check(page.run(f"{INK}.inked") > 3000, f"and the seconds around it are drawn ({page.run(SPAN)})")
    before = page.run(RANGE)
    page.mouse("mousePressed", x, y, held=True, clicks=1, shift=True)
    page.mouse("mouseMoved", x + 80, y, held=True, shift=True)
    page.mouse("mouseReleased", x + 80, y, clicks=1, shift=True)
    checks.check(page.run(RANGE) != before and page.run(SPAN) == span_of(before), f"dragging with Shift moves and keeps the length ({page.run(SPAN)})")
    for key in ("Home", "End", "PageUp"):
        before = page.run(RANGE)
        page.key(key)
        checks.check(page.run(RANGE) != before and page.run(SPAN) == span_of(before), f"the key {key} moves the view")
    page.key("Escape")
    page.wait("location.hash === ''", "the address of the whole")


def span_of(words):
    return words.split(", ")[1]


def link(checks, page):
    """A view has an address; Back and another page come back to it."""
    page.run("document.querySelector('.chart-over').focus()")
    for _ in range(4):
        page.key("+")
    page.wait("location.hash.includes('from=')", "an address of the view")
    kept, words = page.run("location.href"), page.run(RANGE)
    page.key("Home")
    page.wait(f"location.href !== {kept!r}", "another address")
    page.run("history.back()")
    page.wait(f"{RANGE} === {words!r}", "the view that was left")
    checks.check(True, f"Back goes to the view before: {words}")
    other = page.browser.page(width=1280, height=800)
    other.go(kept)
    other.wait(f"{RANGE} === {words!r}", "the same view in another page")
    checks.check(True, "the address opens the same view in another page")
    other.close()
    page.key("Escape")
    page.wait("location.hash === ''", "the address of the whole")


def compare(checks, page):
    """Two rows of the table and a mark, laid over each other."""
    rows = "[...document.querySelectorAll('.detail')].slice(1, 3)"
    start = "[...row.querySelectorAll('button')].find((one) => /start/.test(one.textContent))"
    unfold = "[...document.querySelectorAll('.why')].slice(1, 3).forEach((button) => button.click())"
    page.run(unfold)
    page.wait(f"{rows}.every((row) => {start})", "two rows unfolded")
    page.run(f"{rows}.forEach((row) => {start}.click())")
    page.wait("document.querySelector('.compare .chart-stack')?.dataset.whole === 'true'", "two starts over each other")
    names = page.run("[...document.querySelectorAll('.laid li span')].map((node) => node.textContent)")
    checks.check(len(names) == 2 and names[0].endswith("solid") and names[1].endswith("dashed"), f"laid over each other by line style and word: {names}")
    page.run("document.querySelector('.compare-over').focus()")
    page.key("ArrowRight")
    said = page.run("document.querySelector('.compare .readout').textContent")
    checks.check("A:" in said and "B:" in said, f"keys read the values of each: {said}")
    page.wait("location.hash.includes('laid=start@')", "the comparison in the address")
    got = page.run("""(async () => {
      const [csv, parquet] = [...document.querySelectorAll('.compare .files a')].map((link) => link.href);
      const rows = (await (await fetch(csv)).text()).trimEnd().split('\\r\\n').slice(1).map((line) => line.split(','));
      return [[...new Set(rows.map(([, letter]) => letter))], Math.max(...rows.map((row) => Number(row[4]))) <= 20, (await fetch(parquet)).headers.get('content-type')];
    })()""")
    checks.check(got == [["A", "B"], True, "application/vnd.apache.parquet"], f"and what is laid, as a file: {got}")
    accessibility.axe(checks, page, "two starts laid over each other")
    accessibility.in_schemes(checks, page, "two starts laid over each other", ["dark", "dim"], within=".compare")
    page.run("[...document.querySelectorAll('.compare button')].find((one) => one.textContent === 'Clear').click()")
    checks.check(page.run("document.querySelector('.compare').hidden"), "and taken away again")
    page.run(unfold)


def table(checks, page):
    """A row says why."""
    page.run("document.querySelector('.why').click()")
    opened = page.run("document.querySelector('.detail:not([hidden]) .basis')?.textContent.length > 0")
    checks.check(opened, "a row unfolds to what it rests on")
    words = page.run("[...document.querySelectorAll('.cycle td')].some((cell) => /null|undefined|NaN/.test(cell.textContent))")
    pictures = page.run("[...document.images].map((image) => image.src)")
    checks.check(len(pictures) == 1, f"what boards say has become no element of the page {pictures}")
    checks.check(not words, "no cell shows null, undefined or NaN")
    page.run("document.querySelector('.why').click()")


def clocks(checks, browser, origin):
    """Times across a change of clocks."""
    page = browser.page()
    page.go(origin + "healthz")
    page.wait("document.body !== null && location.pathname === '/healthz'", "the page for the clock's sake")
    seen = page.run(CLOCKS)
    checks.check(seen == CLOCKS_EXPECTED, f"times across a change of clocks: {seen}")
    page.close()


def phone(checks, page):
    """Two fingers and a double tap."""
    page.run("document.querySelector('.chart-over').scrollIntoView({ block: 'center' })")
    box = page.run("(({ x, y, width, height }) => ({ x, y, width, height }))(document.querySelector('.chart-over').getBoundingClientRect())")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    whole = page.run(RANGE)
    page.touch("touchStart", (x - 20, y), (x + 20, y))
    for spread in (40, 60, 90):
        page.touch("touchMove", (x - spread, y), (x + spread, y))
    page.touch("touchEnd")
    checks.check(page.run(RANGE) != whole, "two fingers look closer")
    for _ in range(2):
        page.touch("touchStart", (x, y))
        page.touch("touchEnd")
    checks.check(page.run(RANGE)[:5] == whole[:5], "a double tap shows the whole again")
    page.run("scrollTo(0, 0)")


def clean(checks, page, name, origin):
    checks.check(not page.problems, f"{name}: nothing in the console {page.problems[:5]}")
    strangers = [url for url in page.requests if not url.startswith((origin, "data:", "about:"))]
    checks.check(not strangers, f"{name}: no request leaves for elsewhere {strangers[:5]}")


def stopped(checks, page, pid, pictures):
    """The server goes away: the page has to say so."""
    os.kill(pid, signal.SIGINT)
    page.wait("!document.getElementById('lost').hidden", "word of the lost recorder")
    words = page.run("document.getElementById('lost').textContent")
    checks.check("cannot be reached" in words, f"a lost recorder is said: {words}")
    page.browser.idle(4)
    checks.check(page.run("document.getElementById('pulse').dataset.level") == "lost", "and stays in sight")
    if pictures:
        page.shoot(os.path.join(pictures, "laptop-lost.png"), whole=False)


def in_danger(checks, given):
    """A dashboard in danger, in every look."""
    with Chromium(given.chromium) as browser:
        for name, how in LOOKS:
            page = browser.page(**how)
            pages.danger(checks, page, name, given.url, given.danger)
            accessibility.axe(checks, page, f"{name}, in danger", within="#dangers, #notices, .bar")
            if given.pictures:
                page.shoot(os.path.join(given.pictures, f"{name}-danger.png"), whole=False)
            checks.check(not page.problems, f"{name}: nothing in the console {page.problems[:5]}")
            page.close()
    print("all holds" if checks.failed == 0 else f"{checks.failed} do not hold")
    return 1 if checks.failed else 0


def behind_the_door(checks, given):
    """A dashboard that asks for a token."""
    with Chromium(given.chromium) as browser:
        door.all_of_it(checks, browser, given.url, given.token)
    print("all holds" if checks.failed == 0 else f"{checks.failed} do not hold")
    return 1 if checks.failed else 0


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("url")
    parser.add_argument("--pictures", metavar="DIR", help="write a picture of every look here")
    parser.add_argument("--stop", metavar="PID", type=int, help="process id of the server, to stop it at the end")
    parser.add_argument("--danger", metavar="WORDS", action="append", help="the page is in danger, and these words say so")
    parser.add_argument("--token", metavar="TOKEN", help="a staged night in which clocks went back, behind this token")
    parser.add_argument("--chromium", metavar="PATH")
    given = parser.parse_args()
    if given.pictures:
        os.makedirs(given.pictures, exist_ok=True)
    origin = "{0.scheme}://{0.netloc}/".format(urllib.parse.urlparse(given.url))
    checks = Checks()
    if given.danger:
        return in_danger(checks, given)
    if given.token:
        return behind_the_door(checks, given)
    with Chromium(given.chromium) as browser:
        for name, how in LOOKS:
            page = browser.page(**how)
            look(checks, page, name, given.url)
            if name == "laptop-light":
                live(checks, page)
                pages.card(checks, page)
                pages.strip(checks, page)
                table(checks, page)
                pages.cycles(checks, page)
                pages.story(checks, page, RANGE)
                chart(checks, page)
            if name == "phone-light":
                phone(checks, page)
                pages.story(checks, page, RANGE)
            page.run("scrollTo(0, 0)")
            browser.idle(0.5)
            if given.pictures:
                page.shoot(os.path.join(given.pictures, f"{name}.png"))
                page.shoot(os.path.join(given.pictures, f"{name}-first.png"), whole=False)
                page.run("document.getElementById('chart').scrollIntoView({ block: 'start' })")
                page.shoot(os.path.join(given.pictures, f"{name}-chart.png"), whole=False)
            clean(checks, page, name, origin)
            page.close()
        clocks(checks, browser, origin)
        everyone.all_of_it(checks, browser, given.url, ready, CONTRAST, given.pictures)
        for name, how in LOOKS[::2]:
            page = browser.page(**how)
            ready(page, given.url)
            pages.notes(checks, page)
            page.close()
        if given.stop:
            page = browser.page(width=1280, height=800)
            ready(page, given.url)
            stopped(checks, page, given.stop, given.pictures)
    print("all holds" if checks.failed == 0 else f"{checks.failed} do not hold")
    return 1 if checks.failed else 0


if __name__ == "__main__":
    sys.exit(main())
