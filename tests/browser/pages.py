"""What the page says and what can be done on it, beside the chart: sentences, cycles, what people put in, dangers."""

import time

SAID = "[...document.querySelectorAll('.said')]"
KEPT = "document.querySelector('.kept')"
UNIT = "document.querySelector('#unit-choice [aria-pressed=true]')?.textContent ?? document.querySelector('.card h2').textContent"


def story(checks, page, rang):
    """A sentence leads to its place in the chart; `rang` is the script of what stretch the chart shows."""
    page.wait(f"{SAID}.length >= 4", "the night in sentences")
    links = page.run(f"{SAID}.map((said) => said.querySelector('a')?.getAttribute('href') ?? '')")
    good = [link for link in links if link.startswith("#unit=") and "&from=" in link and "&to=" in link]
    checks.check(len(good) == len(links), f"each of {len(links)} sentences is a link to a place in the chart")
    before = page.run(rang)
    page.run("scrollTo(0, 0)")
    page.run("document.querySelector('.said[data-kind=longest-off] a, .said[data-kind=longest-on] a').click()")
    after = page.run(rang)
    checks.check(after != before, f"a sentence leads to its place: {before} | {after}")
    page.browser.idle(0.5)
    seen = page.run("(({ top, bottom }) => top < innerHeight && bottom > 0)(document.querySelector('.chart-over').getBoundingClientRect())")
    checks.check(seen and page.run("document.activeElement.classList.contains('chart-over')"), "which is in sight and has the focus")
    page.run("document.querySelector('.tools button').click()")


# A compressor's card with what the recorder says of it, as the page draws it.
CARD = """(async (said) => {
  const { Card } = await import('/assets/cards.js');
  const { setClock, wallMs } = await import('/assets/clock.js');
  const unit = { name: 'freezer', roles: ['current', 'case', 'supply', 'demand'], rated_load_a: 1.9, clamp_on: 'common', opens_c: 120, closes_c: 61 };
  const card = new Card(unit, () => 100);
  const us = wallMs() * 1000;
  const status = { current_a: 0, case_c: 88.2, supply_v: 231, demand: true, since_us: us - 130e6, last_arrival_us: us - (said.silent_s ?? 0) * 1e6, recloses_s: null, ...said };
  card.update(status);
  return card.root.textContent;
})"""
OPEN = "state: { code: 'protector-open', words: 'Protector open, cooling' }"


def card(checks, page):
    """What stands on a card: how long, when it closes again as far as that is known, supply and demand, and nothing of that once nothing is heard."""
    said = lambda more: page.run(f"{CARD}({{ {OPEN}, {more} }})")
    known = said("recloses_s: [400, 520, 700]")
    wanted = ["Protector open, cooling", "for 2 min 10 s, since", "closes in about 8 min 40 s (6 min 40 s to 11 min 40 s)", "Supply231 V", "Power offeredyes", "88.2 °C", "last sample under 1 s ago"]
    checks.check(all(some in known for some in wanted), f"an open protector: {known}")
    checks.check("not yet foreseeable when it closes" in said("recloses_s: null"), "and nothing is foretold that is not foreseeable")
    checks.check("cool enough to have closed" in said("recloses_s: [-40, -2, 60]"), "and one that may have closed is said to")
    silent = said("recloses_s: [400, 520, 700], silent_s: 60")
    checks.check("Last known: protector open" in silent and "closes in" not in silent and "for 2 min" not in silent, f"of a silent board only what it was: {silent}")
    running = page.run(f"{CARD}({{ state: {{ code: 'running', words: 'Running' }}, recloses_s: [1, 2, 3], demand: false }})")
    checks.check("close" not in running.replace("closes at", "") and "Power offeredno" in running, "a running one has nothing to close")


def strip(checks, page):
    """What happened in the last minutes stands under them in words."""
    page.wait("[...document.querySelectorAll('.strip-words li')].length > 0", "the last events in words", seconds=60)
    words = page.run("[...document.querySelectorAll('.strip-words li')].map((node) => node.textContent)")
    checks.check(all(word[:2].isdigit() or word.endswith("more") for word in words) and any(some in " ".join(words) for some in ("start", "stop", "protector opened", "on again")), f"the last minutes in words: {words}")


def cycles(checks, page):
    """Sorted and filtered by the recorder, and one cycle with all that is known of it."""
    first = "document.querySelector('.cycles .why').dataset.key"
    page.run("document.querySelector('[data-key=sort-on_s]').click()")
    page.wait("document.querySelector('[data-key=sort-on_s]')?.closest('th').getAttribute('aria-sort') === 'descending'", "rows by their on-time")
    longest = page.run(f"fetch('/api/v1/cycles?sort=on_s&limit=1&unit=' + ({UNIT})).then((answer) => answer.json()).then(({{ cycles }}) => String(cycles[0].on_at_us))")
    checks.check(page.run(first) == longest, "the column sorts by the longest on-time first")
    page.run("document.querySelector('[data-key=sort-on_s]').click()")
    page.wait("document.querySelector('[data-key=sort-on_s]')?.closest('th').getAttribute('aria-sort') === 'ascending'", "the order turned")
    checks.check(page.run("document.activeElement.dataset.key") in (None, "sort-on_s"), "and the focus stays")
    choose = "(([name, value]) => { const select = document.querySelector(`.filters [name=${name}]`); select.value = value; select.dispatchEvent(new Event('change')); })"
    page.run(f"{choose}(['ended_by', 'protector'])")
    page.wait("[...document.querySelectorAll('.cycles .cycle')].every((row) => row.dataset.end === 'protector')", "rows of one end alone")
    checks.check(page.run("document.querySelectorAll('.cycles .cycle').length") > 0, "a filter leaves the trips")
    ends = "(text) => new Set(text.trimEnd().split('\\r\\n').slice(1).map((line) => line.split(',')[8]))"
    page.wait("document.querySelector('#cycles .files a').href.includes('ended_by=protector')", "links to these rows")
    got = page.run(f"fetch(document.querySelector('#cycles .files a').href).then((answer) => answer.text()).then((text) => [...({ends})(text)])")
    checks.check(got == ["protector"], f"and so does the file of them: {got}")
    page.run("document.querySelector('.why').click()")
    page.wait("[...document.querySelectorAll('.detail:not([hidden]) h3')].some((head) => head.textContent === 'What it was said to be')", "the history of a cycle")
    heads = page.run("[...document.querySelectorAll('.detail:not([hidden]) h3')].map((head) => head.textContent)")
    checks.check(heads[:4] == ["Evidence", "Figures", "The disc, by the model", "What it was said to be"], f"one cycle in detail: {heads}")
    page.run("document.querySelector('.why').click()")
    page.run(f"{choose}(['ended_by', '']); {choose}(['sort', 'on_at']); {choose}(['order', 'desc'])")
    page.wait("[...document.querySelectorAll('.cycles .day')].length > 0", "the rows by time again")
    checks.check(page.run("document.querySelectorAll('.cycling svg').length") >= 2, "on-times and starts an hour are drawn")


def notes(checks, page):
    """What a person puts in is in the record, and there after a reload. A dashboard that only shows a record says so."""
    text = f"opened <b>the door</b>, {int(time.time())}"
    fill = "(([id, value]) => { document.getElementById(id).value = value; })"
    page.run(f"{fill}(['mark-text', {text!r}]); document.querySelector('#mark-form [type=submit]').click()")
    page.wait(f"/^(good|bad)$/.test({KEPT}.dataset.level)", "the recorder's answer to a mark")
    answer = page.run(f"{KEPT}.textContent")
    if "nothing can be changed here" in answer:
        checks.check(True, f"a dashboard that only shows: {answer}")
        return
    checks.check("Taken down" in answer, f"a mark is taken down: {answer}")
    page.run(f"{fill}(['reading-value', 'about five']); document.querySelector('#reading-form [type=submit]').click()")
    page.wait(f"{KEPT}.dataset.level === 'bad'", "the refusal of a reading that is none")
    checks.check("a figure" in page.run(f"{KEPT}.textContent"), f"a reading that is none is refused: {page.run(KEPT + '.textContent')}")
    page.run(f"{fill}(['reading-value', '4,8']); {fill}(['reading-by', 'J. Doe, cold']); document.querySelector('#reading-form [type=submit]').click()")
    page.wait(f"{KEPT}.dataset.level === 'good'", "a reading taken down")
    page.call("Page.reload")
    said = "[...document.querySelectorAll('.said[data-kind=mark], .said[data-kind=reading]')].map((said) => said.textContent).join(' ')"
    page.wait(f"{said}.includes({text!r})", "the mark after a reload")
    page.wait(f"{said}.includes('4.8 Ohm (J. Doe, cold)')", "the reading after a reload")
    words = page.run(said)
    checks.check("marked by a person" in words and "measured by hand" in words, "both are there after a reload, as said by a person")


def danger(checks, page, name, url, wanted):
    """A danger cannot be missed, and says what to do. `wanted`: words that have to be there."""
    page.go(url)
    page.wait("document.querySelectorAll('#dangers .danger').length > 0", "the danger", seconds=40)
    words = page.run("document.getElementById('dangers').textContent")
    for some in wanted:
        checks.check(some in words, f"{name}: {some}")
    checks.check(page.run("document.title").startswith("Danger"), f"{name}: the tab says so")
    box = page.run("(({ top, bottom, width }) => ({ top, bottom, width }))(document.querySelector('#dangers .danger').getBoundingClientRect())")
    looks = page.run("innerHeight")
    checks.check(0 <= box["top"] < looks / 3, f"{name}: it is at the top of what is seen first ({box['top']:.0f} px)")
    page.run("scrollTo(0, document.body.scrollHeight)")
    link = "(({ top, bottom }) => top >= 0 && bottom <= innerHeight)(document.getElementById('danger-link').getBoundingClientRect())"
    checks.check(page.run(f"!document.getElementById('danger-link').hidden && {link}"), f"{name}: and stays in sight further down")
    page.run("scrollTo(0, 0)")
