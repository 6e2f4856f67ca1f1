"""Runs the README's Python example on a record, as it stands there: readme_example.py README.md RECORD."""

import contextlib
import io
import pathlib
import re
import sys


def main():
    readme, record = pathlib.Path(sys.argv[1]).read_text(encoding="utf-8"), sys.argv[2]
    blocks = re.findall(r"(?:^    .*\n)+", readme, re.MULTILINE)
    example = next((block for block in blocks if "import pyarrow" in block), None)
    if example is None or '"DIR/' not in example:
        sys.exit("does not hold: the README has no Python example on DIR")
    code = "".join(line[4:] for line in example.splitlines(keepends=True)).replace('"DIR/', f'"{record}/')
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(code, "README.md", "exec"), {})
    print(printed.getvalue(), end="")
    if len(printed.getvalue().splitlines()) < 2 or "Empty" in printed.getvalue():
        sys.exit("does not hold: the README's example shows none of the record's trips")


if __name__ == "__main__":
    main()
