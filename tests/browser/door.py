"""A dashboard that asks for a token, with names that try to be markup, and a record in which the clocks went back."""

import accessibility
import everyone

ROWS = "document.querySelectorAll('.cycles .cycle').length > 0"
SAID = "document.getElementById('login-said').textContent"


def typed(page, text):
    page.run("document.getElementById('token').value = ''; document.getElementById('token').focus()")
    page.call("Input.insertText", text=text)
    page.key("Enter")


def by_another_name(checks, browser, port):
    """A page of another site that sends a browser here by a name of its own is answered with nothing to see."""
    page = browser.page()
    page.go(f"http://proofing-room.example:{port}/")
    page.wait("location.port !== '' && document.body?.textContent.includes('answers to')", "the refusal of a name that is not ours")
    words = page.run("document.body.textContent")
    checks.check("localhost" in words and "freezer" not in words, f"another name is refused: {words[:90]}")
    page.close()


def coming_and_going(checks, page, url, token):
    page.go(url)
    page.wait("location.pathname === '/login' && document.getElementById('token') !== null", "the way in")
    accessibility.axe(checks, page, "the way in")
    typed(page, token[::-1])
    page.wait(f"{SAID} !== ''", "the refusal of a wrong token")
    checks.check("not the token" in page.run(SAID) and page.run("location.pathname") == "/login", f"a wrong token is refused: {page.run(SAID)}")
    typed(page, token)
    page.wait(ROWS, "the page behind the door")
    checks.check(True, "the right one lets in")
    checks.check(page.run("document.cookie") == "", "no script can read the cookie")
    page.call("Page.reload")
    page.wait(ROWS, "the page after a reload")
    checks.check(page.run("location.pathname") == "/", "and a reload asks for it no more")


def leaving(checks, page, url):
    page.run("document.querySelector('.leave').focus()")
    page.key("Enter")
    page.wait("location.pathname === '/login'", "the way in after logging out")
    page.go(url)
    page.wait("location.pathname === '/login' && document.getElementById('token') !== null", "the way in again")
    checks.check(True, "who has logged out is let in no more")


def names(checks, page):
    """What boards, job files and people say is text, whatever it looks like."""
    pictures = page.run("[...document.querySelectorAll('img')].map((image) => image.getAttribute('src'))")
    places = page.run("['#now', '#unit-choice', '#account', '#sound'].filter((place) => !document.querySelector(place).textContent.includes('<img src=x'))")
    checks.check(pictures == ["/assets/icon.svg"], f"markup has become no element {pictures}")
    checks.check(not places, f"it is there as text: a compressor's name, a mark, a board's words {places}")
    checks.check("box at 5 °C <img" in page.run("document.querySelector('.said[data-kind=mark]').textContent"), "and what a person said stays as it was said")


def clocks(checks, page):
    """The hour that came twice, each with its offset; the change on the chart's axis; one way to write an instant."""
    page.wait("/UTC.01:00/.test(document.querySelector('.said').parentElement.textContent)", "sentences with their offsets")
    words = page.run("document.getElementById('account').textContent")
    checks.check("(UTC+01:00)" in words and "(UTC+00:00)" in words, "sentences name both offsets")
    checks.check(not page.run("/[0-9]{4}-[0-9]{2}-[0-9]{2}/.test(document.getElementById('account').textContent)"), "and write every instant in the same way")
    page.run(f"{everyone.CHOOSE}(['shown-scale', 'celsius'])")
    rows = "[...document.querySelectorAll('.c-on')].map((cell) => cell.textContent).filter((text) => text.startsWith('01:'))"
    page.wait(f"{rows}.length > 1", "rows of the hour that came twice")
    twice = page.run(rows)
    checks.check({text[-9:] for text in twice if "UTC" in text} >= {"UTC+01:00", "UTC+00:00"}, f"rows of that hour have their offset: {twice}")
    page.wait("written.some((text) => text.startsWith('clocks:'))", "the change on the axis")
    checks.check("clocks: UTC+01:00 to UTC+00:00" in page.run("written"), "the chart's axis shows the change")


def disc(checks, page):
    """The protector's disc by the model: a line of the chart, and a value under the pointer."""
    checks.check("disc by the model" in page.run("written"), "the disc has its line in the chart")
    page.run("document.querySelector('.chart-over').focus()")
    page.key("ArrowRight")
    words = page.run("document.querySelector('.readout').textContent")
    checks.check("Disc by the model" in words and "°C" in words, f"and its value is read: {words}")


def all_of_it(checks, browser, url, token):
    port = url.split(":")[-1].strip("/")
    by_another_name(checks, browser, port)
    page = browser.page(width=1280, height=800)
    page.call("Page.addScriptToEvaluateOnNewDocument", source=everyone.WRITTEN)
    coming_and_going(checks, page, url, token)
    names(checks, page)
    clocks(checks, page)
    disc(checks, page)
    leaving(checks, page, url)
    strange = [problem for problem in page.problems if "401" not in problem]
    checks.check(not strange, f"the door: nothing else in the console {strange[:5]}")
    page.close()
