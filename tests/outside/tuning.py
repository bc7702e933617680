#!/usr/bin/env python3
"""What `seathold tune` promises, held against valves that it never saw.

    tuning.py SEATHOLD FOLDER [VALVES]

Learns from VALVES (2 000 unless said) simulated valves that were watched for a minute, once with their truth known and
once without, and asks for 1 % of leaking sides accepted and 10 % of good ones not accepted, at most. Then it tests as many
valves of another seed with each of the two recipes, and fails where either risk came out greater. These are the commands
of docs/tuning.md.
"""

import csv
import subprocess
import sys
from pathlib import Path

LIMIT = 7.5e-4  # Pa·m³/s: the built-in recipe's
RISKS = {"accepted": 0.01, "refused": 0.1}
LEAKY = ["--set", "seat_a.share=60 %", "--set", "seat_b.share=60 %"]


def shares(table):
    """Shares of leaking sides accepted, and of good sides not accepted, with their counts."""
    counts = {"accepted": [0, 0], "refused": [0, 0]}
    with open(table, newline="") as file:
        for valve in csv.DictReader(file):
            for side in ("first", "second"):
                tight = valve[f"{side}_verdict"] == "tight"
                leaking = float(valve[f"{side}_true_leak_pa_m3_s"]) > LIMIT
                count = counts["accepted" if leaking else "refused"]
                count[0] += tight if leaking else not tight
                count[1] += 1
    return counts


def main():
    seathold, folder = sys.argv[1], Path(sys.argv[2])
    valves = sys.argv[3] if len(sys.argv) > 3 else "2000"

    def say(*arguments):
        subprocess.run([seathold, *map(str, arguments)], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    watch, learn = folder / "watch.toml", folder / "learn"
    watch.write_text('measure_min = "60 s"\nmeasure_max = "60 s"\n')
    say("fleet", "-n", valves, "--seed", 11, "--recipe", watch, *LEAKY, "--out", learn)
    asked = ["--false-accept", RISKS["accepted"], "--false-reject", RISKS["refused"]]
    for how, known in (("with labels", ["--labels", learn / "fleet.csv"]), ("by the mixture", [])):
        recipe, fresh = folder / f"{how}.toml", folder / f"fresh {how}"
        say("tune", learn, *known, *asked, "--out", recipe)
        say("fleet", "-n", valves, "--seed", 12, "--recipe", recipe, *LEAKY, "--no-recordings", "--out", fresh)
        for risk, (wrong, of) in shares(fresh / "fleet.csv").items():
            print(f"chosen {how}: {risk} in error {wrong} of {of}, {wrong / of:.2%}; promised {RISKS[risk]:.0%} at most")
            assert of > 0 and wrong <= RISKS[risk] * of, f"chosen {how}: more were {risk} than promised"


if __name__ == "__main__":
    main()
