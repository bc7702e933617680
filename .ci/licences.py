"""Whether every dependency has a licence that .ci/deny.toml allows: what cargo-deny does, where there is no cargo-deny.

    cargo tree --workspace --all-features -e no-dev --target all --prefix none -f '{p}|{l}' | licences.py deny.toml
"""

import re
import sys
import tomllib

with open(sys.argv[1], "rb") as file:
    licences = tomllib.load(file)["licenses"]
allowed = set(licences["allow"])
excepted = {of["crate"]: set(of["allow"]) for of in licences.get("exceptions", [])}
wrong, seen = set(), set()
for line in sys.stdin:
    package, _, licence = line.strip().removesuffix(" (*)").partition("|")
    if not package or "seathold" in package:
        continue
    seen.add(package)
    name = package.split()[0]
    may = allowed | excepted.get(name, set())
    # An expression of SPDX, read as a condition: a name is true where that licence is allowed.
    condition = re.sub(r"[A-Za-z0-9.+-]+(?: WITH [A-Za-z0-9.+-]+)?",
                       lambda found: {"OR": "or", "AND": "and"}.get(found[0], str(found[0] in may)),
                       licence.replace(" (*)", "").replace("/", " OR "))
    if not re.fullmatch(r"[()TrueFalsorand ]+", condition) or not eval(condition):
        wrong.add(f"{package}: {licence}")
print("\n".join(sorted(wrong)) or f"{len(seen)} dependencies have licences that are allowed")
sys.exit(bool(wrong) or len(seen) < 100)
