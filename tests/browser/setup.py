#!/usr/bin/env python3
"""Sets up a job with a real browser, from nothing to a running record, on a laptop and on a phone.

    tests/browser/setup.py PATH/TO/nightclamp [--pictures DIR] [--chromium PATH]

The board is one of ours behind a pseudo-terminal (board.py). Exit code 0 only if everything holds.
"""

import argparse
import os
import re
import signal
import subprocess
import sys
import tempfile
import time

sys.dont_write_bytecode = True
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import accessibility  # noqa: E402
import everyone  # noqa: E402
from board import Board  # noqa: E402
from check import CONTRAST, Checks, clean  # noqa: E402
from chromium import Chromium  # noqa: E402

LOOKS = [("laptop-light", {"width": 1280, "height": 800}), ("phone-dark", {"width": 390, "height": 844, "phone": True, "dark": True})]
PICTURED = LOOKS + [("laptop-dark", {"width": 1280, "height": 800, "dark": True}), ("phone-light", {"width": 390, "height": 844, "phone": True})]
BOARD_ID = "7f3a91c2"
# Fits a firmware token of the protocol, and would be a picture that runs a script if it were markup.
HOSTILE = "<img/src=x/onerror=document.title='owned'>"
HOSTILE_JOB = "Proofing room <img src=x onerror=\"document.title='owned'\">"
RUNNING_MA = 1920

FILL = """(([id, value]) => { const field = document.getElementById(id); field.value = value;
    field.dispatchEvent(new Event('input', { bubbles: true })); field.dispatchEvent(new Event('change', { bubbles: true })); })"""
MESSAGE = "document.getElementById('message').textContent"
PRESS = "((words) => { const button = [...document.querySelectorAll('button')].find((one) => one.textContent.startsWith(words) && one.offsetParent); button.click(); })"


class Recorder:
    """`nightclamp record --setup` as a process."""

    def __init__(self, program, scratch, board, look):
        self.job, self.out = os.path.join(scratch, f"{look}.toml"), os.path.join(scratch, look)
        self.said = os.path.join(scratch, f"{look}.txt")
        call = [program, "record", self.job, "--out", self.out, "--listen", "127.0.0.1:0", "--setup", "--setup-port", board.port]
        with open(self.said, "w", encoding="utf-8") as said:
            self.process = subprocess.Popen(call, stderr=said)
        until = time.monotonic() + 20
        while not (found := re.search(r"http://\S+/setup", self.words())):
            if time.monotonic() > until or self.process.poll() is not None:
                raise AssertionError(f"no set-up page is served: {self.words()}")
            time.sleep(0.05)
        self.url = found[0]

    def words(self):
        with open(self.said, encoding="utf-8") as said:
            return said.read()

    def stop(self):
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(30)


def fill(page, field, value):
    page.run(f"{FILL}([{field!r}, {value!r}])")


def press(page, words):
    page.run(f"{PRESS}({words!r})")


def wrong(field):
    return f"document.getElementById('{field}-wrong').textContent"


def fits(checks, page, name):
    overflow = page.run("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    checks.check(overflow <= 0, f"{name}: no horizontal scroll ({overflow} px too wide)")
    poor = page.run(CONTRAST)
    checks.check(not poor, f"{name}: contrast of at least 4.5 to 1 {poor}")
    small = page.run("""[...document.querySelectorAll('button, input, select, summary')].filter((node) => {
        const box = node.getBoundingClientRect(); return box.width > 0 && (box.height < 24 || box.width < 24); }).length""")
    checks.check(small == 0, f"{name}: nothing to press is smaller than 24 px (WCAG 2.2, 2.5.8)")
    accessibility.axe(checks, page, name)
    accessibility.in_schemes(checks, page, name, ["dim"])


def find_board(checks, page, board):
    """A port is listened to when somebody asks for it, and what its board says is shown as text."""
    page.wait("document.querySelectorAll('.port').length > 0", "the ports")
    checks.check(board.asked == [], "no port is opened before somebody asks for it")
    page.run(f"[...document.querySelectorAll('.port')].find((port) => port.textContent.includes({board.port!r})).querySelector('button').click()")
    page.wait(f"document.querySelector('.port .heard') && document.querySelector('.ports').textContent.includes('Use board {BOARD_ID}')", "what the board says of itself")
    checks.check(page.run(f"document.querySelector('.ports').textContent.includes({HOSTILE!r})"), "a hostile firmware's name is shown as text")
    press(page, f"Use board {BOARD_ID}")


def describe(checks, page):
    """Places by their live values, the nameplate, the protector in °F; a wrong figure is told below its field."""
    fill(page, "job-0-name", HOSTILE_JOB)
    fill(page, "job-0-timezone", "Europe/Lisbon")
    fill(page, "unit-0-name", HOSTILE)
    page.wait(f"{wrong('unit-0-name')} !== ''", "word of a name that is none")
    checks.check(page.run("document.images.length") == 1, f"a name that is none is refused below its field: {page.run(wrong('unit-0-name'))}")
    fill(page, "unit-0-name", "freezer")
    for role, place in (("current", "common"), ("case", "case"), ("ambient", "ambient"), ("demand", "demand")):
        fill(page, f"unit-0-channels.{role}", place)
    live = "[...document.querySelectorAll('.live')].map((node) => node.textContent).filter(Boolean)"
    page.wait(f"{live}.length === 4 && {live}[0].includes('1.9')", "live values beside the places")
    checks.check(page.run(live) == ["now 1.920 A", "now 41.2 °C", "now 21.5 °C", "now closed"], f"each place has its live value: {page.run(live)}")
    fill(page, "unit-0-rated_load_a", "1,9")
    fill(page, "unit-0-locked_rotor_a", "0.5")
    page.wait(f"{wrong('unit-0-locked_rotor_a')} !== ''", "word of a locked rotor current below the rated load")
    checks.check(page.run("document.getElementById('unit-0-locked_rotor_a').getAttribute('aria-invalid')") == "true", f"beside its field: {page.run(wrong('unit-0-locked_rotor_a'))}")
    fill(page, "job-0-clock_s", "2")
    fill(page, "unit-0-sensors.clamp_percent", "2")
    fill(page, "unit-0-sensors.bead_k", "1.5")
    press(page, "Typed in °F")
    bead = page.run("document.getElementById('unit-0-sensors.bead_k').value")
    checks.check(bead == "2.7", f"a difference typed in K stands there in °F: {bead}")
    fill(page, "unit-0-protector.kind", "external-strip")
    fill(page, "unit-0-protector.opens_c", "248")


def refused(checks, page, recorder):
    """What is wrong is not written."""
    press(page, "Save and begin")
    page.wait("document.activeElement.getAttribute('aria-invalid') === 'true'", "the focus in the field that is wrong")
    checks.check(page.run("document.activeElement.id") == "unit-0-locked_rotor_a", "saving leads to the field that is wrong")
    checks.check(not os.path.exists(recorder.job), "and nothing is written")
    fill(page, "unit-0-locked_rotor_a", "12.4")
    page.wait(f"{wrong('unit-0-locked_rotor_a')} === ''", "the right figure taken")


def looked_over(checks, page, board):
    """What `nightclamp lookover` finds, under what is typed: first the compressor runs, then it is off and warm, then all is at rest."""
    everywhere = ["port: .* opens", "board: 7f3a91c2 answers", "clock: ", "disk: "]
    for current_ma, case, wanted in [
        (RUNNING_MA, 4120, ["mend.*freezer: current 1.920 A, with the compressor off it is under 0.10 A", "mend.*case 41.2 °C, ambient 21.5 °C: more than 8 K apart"]),
        (18, 2240, ["well.*freezer: current 0.0.. A, as idle as it should be", "well.*case 22.. °C, ambient 21.5 °C", "well.*freezer: ambient 21.5 °C", "well.*demand is closed"]),
    ]:
        board.current_ma, board.case = current_ma, case
        page.run("document.querySelector('.findings').replaceChildren()")
        press(page, "Look the site over")
        page.wait("document.querySelectorAll('.findings li').length > 5 && !document.querySelector('button[disabled]')", "what was found", seconds=40)
        found = page.run("[...document.querySelectorAll('.findings li')].map((node) => node.textContent)")
        lacking = [some for some in everywhere + wanted if not any(re.search(some, one) for one in found)]
        checks.check(not lacking, f"the site is looked over: {page.run(MESSAGE)} {lacking} {found if lacking else len(found)}")
    board.current_ma, board.case = RUNNING_MA, 4120
    page.wait("[...document.querySelectorAll('.live')][0].textContent.includes('1.9')", "the compressor on again", seconds=20)


def changed_by_hand(checks, page, recorder):
    """While it records: a zero is taken, and a file that somebody changed meanwhile loses neither his words nor the page's."""
    page.go(recorder.url)
    page.wait("[...document.querySelectorAll('.live')].some((node) => node.textContent.includes('1.9'))", "the live values while it records")
    with open(recorder.job, encoding="utf-8") as file:
        text = file.read()
    with open(recorder.job, "w", encoding="utf-8") as file:
        file.write("# The one by the back door.\n" + text.replace("locked_rotor_a = 12.4", "locked_rotor_a = 12.6  # read again"))
    fill(page, "unit-0-rated_load_a", "1.95")
    press(page, "Save and record")
    page.wait(f"{MESSAGE}.includes('changed')", "word of the file that was changed meanwhile")
    with open(recorder.job, encoding="utf-8") as file:
        checks.check("1.95" not in file.read(), f"a file changed meanwhile is not written over: {page.run(MESSAGE)}")
    press(page, "Read the file again")
    page.wait("document.getElementById('unit-0-locked_rotor_a').value === '12.6'", "what the file says now")
    checks.check(page.run("document.getElementById('unit-0-rated_load_a').value") == "1.95", "what was typed is still there beside what the file says now")
    press(page, "Save and record")
    page.wait("location.pathname === '/'", "the dashboard", seconds=40)
    with open(recorder.job, encoding="utf-8") as file:
        text = file.read()
    kept = "# The one by the back door." in text and "locked_rotor_a = 12.6  # read again" in text and "rated_load_a = 1.95" in text
    checks.check(kept, "comments and figures written by hand stay, what was typed is in")


def zero(checks, page, recorder, board):
    page.go(recorder.url)
    page.wait("[...document.querySelectorAll('.live')].some((node) => node.textContent.includes('1.9'))", "the live values once more")
    before = board.asked.count("Z 0")
    press(page, "Take the clamp’s zero")
    page.wait("[...document.querySelectorAll('button')].some((one) => one.textContent.startsWith('It reads 1.920 A'))", "the question whether 1.92 A is an empty clamp")
    checks.check(board.asked.count("Z 0") == before, "a reading that is no empty clamp is asked about first")
    press(page, "It reads 1.920 A")
    page.wait(f"{MESSAGE}.includes('took its present reading')", "the board's answer")
    checks.check(board.asked.count("Z 0") == before + 1, "the board was told once")
    page.wait("document.querySelector('.live').textContent === 'now 0.000 A'", "the reading after it")
    checks.check(True, "and reads nothing where it read 1.92 A")


def paper(checks, page):
    """On paper: what was typed, and the cautions; in black on white."""
    everyone.printed(checks, page, "set-up on paper", ["Before you clamp anything", "Nameplate and clamp", "Rated load current", "Protector"], ["Skip to"])


def runs(checks, page, name):
    """The dashboard of the record that was begun."""
    page.wait("location.pathname === '/'", "the dashboard", seconds=40)
    figure = "document.querySelector('.figure-current .figure-number')?.textContent"
    page.wait(f"{figure} === '1.92'", "live amps on the dashboard", seconds=30)
    checks.check(page.run("document.getElementById('job-name').textContent") == HOSTILE_JOB, f"{name}: live amps on the dashboard, a hostile name shown as text")
    checks.check(page.run("document.images.length") == 1 and "owned" not in page.run("document.title").replace(HOSTILE_JOB, ""), f"{name}: and no markup has come of it")


def whole(checks, browser, program, scratch, name, how, pictures):
    board = Board(BOARD_ID, HOSTILE, RUNNING_MA)
    recorder = Recorder(program, scratch, board, name)
    page = browser.page(**how)
    shot = lambda what: pictures and page.shoot(os.path.join(pictures, f"{name}-{what}.png"))  # noqa: E731
    page.go(recorder.url.removesuffix("setup"))
    page.wait("location.pathname === '/setup' && document.getElementById('unit-0-name')", "the set-up page in the place of a dashboard")
    page.browser.idle(1)
    shot("setup-empty")
    find_board(checks, page, board)
    describe(checks, page)
    fits(checks, page, name)
    shot("setup-wrong")
    refused(checks, page, recorder)
    page.browser.idle(1)
    if name == LOOKS[0][0]:
        looked_over(checks, page, board)
    if name == LOOKS[0][0]:
        everyone.sizes(checks, page, "set-up")
        paper(checks, page)
    shot("setup-typed")
    press(page, "Save and begin")
    runs(checks, page, name)
    with open(recorder.job, encoding="utf-8") as file:
        text = file.read()
    checks.check("opens_c = 120" in text and "rated_load_a = 1.9\n" in text, f"{name}: the job file has °C and points, typed in °F and with a comma")
    checks.check("clock_s = 2\n" in text and "clamp_percent = 2\n" in text and "bead_k = 1.5" in text, f"{name}: and the limits of error")
    if name == LOOKS[0][0]:
        changed_by_hand(checks, page, recorder)
        zero(checks, page, recorder, board)
        shot("setup-recording")
    # The browser's own words for refusals that were asked for: a wrong figure, a file that was changed.
    page.problems = [problem for problem in page.problems if "status of 422" not in problem and "status of 412" not in problem]
    clean(checks, page, name, recorder.url.removesuffix("setup"))
    page.close()
    code = recorder.stop()
    checks.check(code == 0, f"{name}: it stops in good order ({code}) {recorder.words() if code else ''}")
    verified = subprocess.run([program, "verify", recorder.out], capture_output=True, text=True)
    checks.check(verified.returncode == 0, f"{name}: verify holds {verified.stdout + verified.stderr if verified.returncode else ''}")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program")
    parser.add_argument("--pictures", metavar="DIR", help="write pictures here, of more looks")
    parser.add_argument("--chromium", metavar="PATH")
    given = parser.parse_args()
    if given.pictures:
        os.makedirs(given.pictures, exist_ok=True)
    checks = Checks()
    with tempfile.TemporaryDirectory(prefix="nightclamp-setup-") as scratch, Chromium(given.chromium) as browser:
        for name, how in PICTURED if given.pictures else LOOKS:
            whole(checks, browser, os.path.abspath(given.program), scratch, name, how, given.pictures)
    print("all holds" if checks.failed == 0 else f"{checks.failed} do not hold")
    return 1 if checks.failed else 0


if __name__ == "__main__":
    sys.exit(main())
