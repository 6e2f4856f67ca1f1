"""Looks at a page with axe-core: the rules of WCAG 2.2 up to level AA that a program can judge, and good practice.

axe-core comes with the package axe-playwright-python (tests/requirements-axe.txt); only the script it carries is used, handed in
over the debugging pipe, so that the page's content security policy stays in force.
"""

import importlib.util
import json
import os

PACKAGE = "axe_playwright_python"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

LOOK = """(async ([tags, within]) => {
  const options = { runOnly: { type: 'tag', values: tags }, resultTypes: ['violations'] };
  const { violations, passes } = await axe.run(within === null ? document : within, options);
  return { passed: passes.length, violations: violations.map(({ id, help, nodes }) => ({ id, help, count: nodes.length,
    nodes: nodes.slice(0, 3).map(({ target, failureSummary }) => `${target.join(' ')}: ${failureSummary.split('\\n').slice(1).join(' ').trim().slice(0, 200)}`) })) };
})"""

_script = None


def script():
    """The text of axe-core."""
    global _script
    if _script is None:
        found = importlib.util.find_spec(PACKAGE)
        if found is None:
            raise SystemExit("no axe-core here: pip install --no-deps -r tests/requirements-axe.txt")
        with open(os.path.join(os.path.dirname(found.origin), "axe.min.js"), encoding="utf-8") as file:
            _script = file.read()
    return _script


def axe(checks, page, name, within=None):
    """That axe-core finds no violation on the page as it is now, or in the element that the CSS selector `within` names."""
    if not page.run("typeof axe === 'object'"):
        page.run(script() + "; undefined")
    seen = page.run(f"{LOOK}({json.dumps([TAGS, within])})")
    for one in seen["violations"]:
        print(f"       {one['id']} ({one['count']}): {one['help']}", *one["nodes"], sep="\n         ", flush=True)
    ids = [one["id"] for one in seen["violations"]]
    checks.check(not ids and seen["passed"] > 0, f"{name}: axe-core finds no violation ({seen['passed']} rules hold) {ids or ''}")


def in_schemes(checks, page, name, schemes, within=None):
    """The same in other schemes than its own, which it has again afterwards."""
    wear = "(scheme) => { document.documentElement.dataset.scheme = scheme; dispatchEvent(new Event('scheme')); }"
    own = page.run("document.documentElement.dataset.scheme")
    for scheme in schemes:
        page.run(f"({wear})('{scheme}')")
        axe(checks, page, f"{name}, {scheme}", within)
    page.run(f"({wear})('{own}')")
