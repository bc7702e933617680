#!/usr/bin/env python3
"""Memory of what reads a whole register: it must not grow with the number of runs.

    memory.py SEATHOLD FOLDER [N]

Makes a register of N runs (16 unless said), exports it as all three kinds of table, judges it again, does the same with four times as
many, and fails if the greatest resident set grew by more than a fifth. 16 runs fill a row group of Parquet.
"""

import os
import subprocess
import sys
from pathlib import Path


def peak(command):
    """Greatest resident set of a command, in MB."""
    with open(os.devnull, "w") as nowhere:
        child = subprocess.Popen(command, stdout=nowhere)
        _, status, usage = os.wait4(child.pid, 0)
    assert status == 0, f"{command}: {status}"
    return usage.ru_maxrss / 1024


def main():
    seathold, folder = sys.argv[1], Path(sys.argv[2])
    few = int(sys.argv[3]) if len(sys.argv) > 3 else 16
    register = folder / "memory.sqlite"
    measured, made = {}, 0
    for many in (few, 4 * few):
        for made in range(made, many):
            out = folder / "run.hold"
            run = [seathold, "run", "-q", "--serial", f"HM-{made:05}", "--seed", str(made), "--register", register]
            subprocess.run([*run, "--out", out], check=True, stdout=subprocess.DEVNULL)
            out.unlink()
        made = many
        for kind in ("csv", "jsonl", "parquet"):
            tables = [x for t in ("runs", "sides", "samples") for x in (f"--{t}", folder / f"memory-{t}.{kind}")]
            measured.setdefault(kind, []).append(peak([seathold, "export", "--register", register, *tables]))
        measured.setdefault("find", []).append(peak([seathold, "find", "--register", register, "--json"]))
        measured.setdefault("rejudge", []).append(peak([seathold, "rejudge", "--register", register, "--limit", "5 mm3/s"]))
        measured.setdefault("verify", []).append(peak([seathold, "register", "verify", "--register", register]))
    for what, (a, b) in measured.items():
        print(f"{what}: {a:.0f} MB with {few} runs, {b:.0f} MB with {4 * few}, ratio {b / a:.2f}")
        assert b < 1.2 * a, f"{what}: memory grows with the number of runs"


if __name__ == "__main__":
    main()
