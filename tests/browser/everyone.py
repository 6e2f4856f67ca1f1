"""The page for everyone: schemes, scales of temperature, keys, widths and enlargement, paper."""

import base64
import io
import os
import re

import accessibility

FIXTURES = os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../fixtures")
# What is written on canvases, kept for the test: the page's own script knows nothing of it.
WRITTEN = """{ const write = CanvasRenderingContext2D.prototype.fillText; window.written = [];
  CanvasRenderingContext2D.prototype.fillText = function (text, ...rest) { window.written.push(text); return write.call(this, text, ...rest); }; }"""
CHOOSE = "(([id, value]) => { const select = document.getElementById(id); select.value = value; select.dispatchEvent(new Event('change')); })"
# In CSS pixels: the least phone, phones, tablets, a laptop at 200 % and at 400 % (WCAG 2.2, 1.4.10), a desk, 4K.
SIZES = [(360, 640), (390, 844), (640, 400), (320, 256), (768, 1024), (1024, 768), (1280, 800), (1920, 1080), (3840, 2160)]

# Lines of text that lie over each other, and controls that do; what stands still while the page moves under it is left out.
OVERLAPS = """(() => {
  const shown = (node) => node.checkVisibility({ visibilityProperty: true, opacityProperty: true }) && !node.closest('.unseen, .bar, .setup-message, .skip, option, thead[style], [hidden]');
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const boxes = [];
  while (walk.nextNode()) {
    const { currentNode: text } = walk;
    if (text.textContent.trim() === '' || !shown(text.parentElement) || getComputedStyle(text.parentElement.closest('thead') ?? text.parentElement).clipPath !== 'none') continue;
    if (getComputedStyle(text.parentElement).position === 'absolute') continue;
    const range = document.createRange();
    range.selectNodeContents(text);
    for (const box of range.getClientRects()) if (box.width > 1) boxes.push({ text, box });
  }
  boxes.sort((a, b) => a.box.top - b.box.top);
  const found = [];
  boxes.forEach(({ text, box }, n) => {
    for (let m = n + 1; m < boxes.length && boxes[m].box.top < box.bottom - 5; m += 1) {
      const other = boxes[m].box;
      if (boxes[m].text !== text && Math.min(box.right, other.right) - Math.max(box.left, other.left) > 3 && Math.min(box.bottom, other.bottom) - other.top > 5)
        found.push([text.textContent.trim().slice(0, 30), boxes[m].text.textContent.trim().slice(0, 30)]);
    }
  });
  return found;
})()"""
TOO_SMALL = """[...document.querySelectorAll('a, button, input, select, canvas[tabindex]')].filter((node) => node.checkVisibility() && !node.closest('.skip')).map((node) => [node, node.getBoundingClientRect()])
  .filter(([, { width, height }]) => width > 0 && (width < 24 || height < 23.5)).map(([node, { width, height }]) => `${node.textContent.slice(0, 20)} ${width.toFixed(0)} x ${height.toFixed(1)}`)"""
STOPS = """[...document.querySelectorAll('a[href], button, input, select, [tabindex="0"]')].filter((node) => !node.disabled && node.checkVisibility({ visibilityProperty: true }) && node.getBoundingClientRect().width > 0)"""
# What has the focus: whether that can be seen, and whether anything that stays in place hides it (WCAG 2.2, 2.4.7 and 2.4.11).
FOCUS = """(() => {
  const node = document.activeElement;
  if (node === document.body) return null;
  const { outlineStyle, outlineWidth } = getComputedStyle(node);
  const box = [...node.getClientRects()].find(({ width }) => width > 0) ?? node.getBoundingClientRect();
  const [x, y] = [Math.min(Math.max(box.left + box.width / 2, 1), innerWidth - 2), Math.min(Math.max(box.top + box.height / 2, 1), innerHeight - 2)];
  const top = document.elementFromPoint(x, y);
  node.dataset.stop ??= String(window.stops = (window.stops ?? 0) + 1);
  return { stop: node.dataset.stop, name: node.textContent.trim().slice(0, 30) || node.id, outlined: outlineStyle !== 'none' && parseFloat(outlineWidth) >= 2,
    seen: box.bottom > 0 && box.top < innerHeight && (node === top || node.contains(top) || top?.contains(node)) };
})()"""


def resize(page, width, height):
    page.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
    page.browser.idle(0.3)


def sizes(checks, page, name):
    """From the least phone to 4K, and enlarged: nothing to the side, nothing over each other, nothing too small to hit."""
    for width, height in SIZES:
        resize(page, width, height)
        wide = page.run("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        over = page.run(OVERLAPS)
        small = page.run(TOO_SMALL)
        checks.check(wide <= 0 and not over and not small, f"{name}: {width} x {height} px hold ({wide} px too wide, over each other {over[:3]}, too small {small[:3]})")
    resize(page, 1280, 800)


def schemes(checks, page, contrast, name):
    """Light, dark and dim by choice; the choice is kept."""
    grounds = set()
    for scheme in ("light", "dark", "dim"):
        page.run(f"{CHOOSE}(['shown-scheme', '{scheme}'])")
        page.browser.idle(0.2)
        grounds.add(page.run("getComputedStyle(document.body).backgroundColor"))
        poor = page.run(contrast)
        checks.check(not poor, f"{name}, {scheme}: contrast of at least 4.5 to 1 {poor}")
    checks.check(len(grounds) == 3, f"{name}: three schemes {sorted(grounds)}")
    accessibility.axe(checks, page, f"{name}, dim")
    page.call("Page.reload")
    page.wait("document.querySelectorAll('.cycles .cycle').length > 0", "the page after a reload")
    checks.check(page.run("document.documentElement.dataset.scheme") == "dim" and page.run("document.getElementById('shown-scheme').value") == "dim", f"{name}: the scheme is kept")
    page.run(f"{CHOOSE}(['shown-scheme', ''])")
    checks.check(page.run("document.documentElement.dataset.scheme") == "light", f"{name}: and goes by the device again")


def units(checks, page, name):
    """°F by choice: figures, axes, sentences, differences; the choice is kept. The page converts words as the report does."""
    with open(os.path.join(FIXTURES, "temperatures.tsv"), encoding="utf-8") as file:
        pairs = [line.rstrip("\n").split("\t") for line in file if not line.startswith("#")]
    got = page.run(f"import('/assets/figures.js').then(({{ inWordsFahrenheit }}) => {[celsius for celsius, _ in pairs]!r}.map(inWordsFahrenheit))")
    checks.check(got == [fahrenheit for _, fahrenheit in pairs], f"{name}: words in °F as the report has them {[pair for pair in zip(got, pairs) if pair[0] != pair[1][1]]}")
    page.run("document.querySelector('.why').click()")
    page.run(f"{CHOOSE}(['shown-scale', 'fahrenheit'])")
    celsius = "/°C|[0-9]\\s(K|Cel)\\b/.exec([...document.querySelectorAll('main > :not(#shown):not(.job), #dangers')].filter((part) => part.checkVisibility()).map((part) => { const copy = part.cloneNode(true); copy.querySelectorAll('select, [data-kind=mark], [data-kind=reading]').forEach((node) => node.remove()); return copy.textContent; }).join(' '))"
    page.wait(f"{celsius} === null && document.querySelector('.card').textContent.includes('°F')", "no °C on the page")
    checks.check(True, f"{name}: no temperature in °C is left in words and tables")
    page.run("written.length = 0; dispatchEvent(new Event('scheme'))")  # draws everything anew
    page.browser.idle(0.5)
    written = page.run("written")
    checks.check("°F" in written and "°C" not in " ".join(written), f"{name}: nor on the axes")
    page.call("Page.reload")
    page.wait("document.querySelector('.card')?.textContent.includes('°F') && document.querySelectorAll('.cycles .cycle').length > 0", "°F after a reload")
    checks.check(True, f"{name}: and it is kept")
    page.run(f"{CHOOSE}(['shown-scale', 'celsius'])")
    page.wait("document.querySelector('.card').textContent.includes('°C')", "°C again")


def keys(checks, page, name):
    """Everything is reached by Tab in its turn, seen when it is, and done by keys; writing anew leaves the focus where it is."""
    page.run("document.querySelector('.why').click()")
    page.browser.idle(0.5)
    page.run("document.activeElement.blur(); scrollTo(0, 0); getSelection().removeAllRanges(); document.body.tabIndex = -1; document.body.focus(); document.body.removeAttribute('tabindex')")
    wanted = page.run(f"{STOPS}.length")
    seen, poor = set(), []
    for _ in range(wanted + 30):
        page.key("Tab")
        at = page.run(FOCUS)
        if at is None or at["stop"] in seen:
            break
        seen.add(at["stop"])
        if not (at["outlined"] and at["seen"]):
            poor.append(at)
    missed = page.run(f"{STOPS}.filter((node) => node.dataset.stop === undefined).map((node) => node.textContent.slice(0, 30) || node.id)")
    checks.check(not missed and len(seen) > 40, f"{name}: Tab reaches all of {wanted} controls {missed[:5]}")
    checks.check(not poor, f"{name}: the focus is seen on each {poor[:3]}")
    page.run("document.querySelector('.why').focus()")
    opened = page.run("document.querySelector('.why').getAttribute('aria-expanded')")
    page.key("Enter")
    checks.check(page.run("document.querySelector('.why').getAttribute('aria-expanded')") != opened, f"{name}: Enter folds a row")
    page.key(" ")
    checks.check(page.run("document.querySelector('.why').getAttribute('aria-expanded')") == opened, f"{name}: and Space folds it back")
    hint = page.run("document.getElementById(document.querySelector('.chart-over').getAttribute('aria-describedby')).textContent")
    checks.check(all(key in hint for key in ("+ and −", "← and →", "Page Up", "Home", "Escape")), f"{name}: the chart's keys are described")
    for place in (".said a", ".sort", ".why", ".next-place", "#unit-choice button", "#cycling .next-place", ".detail:not([hidden]) button"):
        if not page.run(f"document.querySelector('{place}') !== null"):
            continue
        page.run(f"document.querySelector('{place}').focus()")
        key = page.run("document.activeElement.dataset.key")
        page.run("document.activeElement.dataset.before = 'it'")
        for scale in ("fahrenheit", "celsius"):
            page.run(f"{CHOOSE}(['shown-scale', '{scale}'])")
            page.browser.idle(0.4)
        checks.check(key is not None and page.run("document.activeElement.dataset.key") == key, f"{name}: the focus stays on {place} when all is written anew")
    page.run("document.querySelector('.why').click()")


def motion(checks, browser, url, ready):
    """Nothing moves by itself for who asked for that."""
    for still in (False, True):
        page = browser.page(still=still)
        ready(page, url)
        moving = page.run("document.getAnimations().length > 0 || getComputedStyle(document.documentElement).scrollBehavior === 'smooth'")
        checks.check(moving != still, f"motion: {'nothing moves' if still else 'something moves'} with {'reduced' if still else 'usual'} motion")
        page.close()


def printed(checks, page, name, words, controls, pictures=None):
    """On paper: what has to be read there, and nothing that is pressed."""
    import pypdf  # only where a page is printed

    data = base64.b64decode(page.call("Page.printToPDF", printBackground=False, paperWidth=8.27, paperHeight=11.69)["data"])
    if pictures:
        with open(os.path.join(pictures, f"{name}.pdf"), "wb") as file:
            file.write(data)
    text = " ".join(re.sub(r"\s+", " ", sheet.extract_text()) for sheet in pypdf.PdfReader(io.BytesIO(data)).pages)
    lacking = [some for some in words if some not in text]
    checks.check(not lacking, f"{name}: the text is there {lacking}")
    there = [some for some in controls if some in text]
    checks.check(not there, f"{name}: and no controls {there}")


def paper(checks, page, name, words, pictures=None):
    """On paper: the text and the chart, black on white in one column, no controls."""
    page.run(f"{CHOOSE}(['shown-scheme', 'dim'])")
    page.browser.idle(0.3)
    printed(checks, page, name, words, ["Brightness", "Lay over", "Mark this instant", "Next page", "Log out", "Skip to"], pictures)
    page.call("Emulation.setEmulatedMedia", media="print", features=[])
    page.call("Emulation.setDeviceMetricsOverride", width=718, height=1046, deviceScaleFactor=1, mobile=False)
    page.run("dispatchEvent(new Event('beforeprint'))")
    colours = page.run("(({ color, backgroundColor }) => [color, backgroundColor])(getComputedStyle(document.body))")
    checks.check(colours[0] == "rgb(0, 0, 0)" and colours[1] in ("rgba(0, 0, 0, 0)", "rgb(255, 255, 255)"), f"{name}: black on white {colours}")
    lefts = page.run("[...new Set([...document.querySelectorAll('main > section, .card, .chart, .fact')].filter((node) => node.checkVisibility()).map((node) => Math.round(node.getBoundingClientRect().left)))]")
    checks.check(max(lefts) - min(lefts) <= 2, f"{name}: one column {lefts}")
    page.run("dispatchEvent(new Event('afterprint'))")
    page.call("Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": "light"}])
    resize(page, 1280, 800)
    page.run(f"{CHOOSE}(['shown-scheme', ''])")


def all_of_it(checks, browser, url, ready, contrast, pictures):
    """Each on one page of a laptop."""
    page = browser.page(width=1280, height=800)
    page.call("Page.addScriptToEvaluateOnNewDocument", source=WRITTEN)
    ready(page, url)
    units(checks, page, "temperatures")
    schemes(checks, page, contrast, "schemes")
    keys(checks, page, "keys")
    sizes(checks, page, "sizes")
    paper(checks, page, "paper", ["While you were away", "What happened", "Every time it was on", "Before you touch it", "As it stood at"], pictures)
    checks.check(not page.problems, f"everyone: nothing in the console {page.problems[:5]}")
    page.close()
    motion(checks, browser, url, ready)
