"""The limits of rejudge.rs held against the same looks in plain NumPy: same verdicts, same factors to 1e-9, and the
ratio of times. Called by the bench with its folder, the normal quantile of a look, and the bench's own processor time in seconds."""

import sys
import time
from pathlib import Path

import numpy as np

folder, z, ours = Path(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
looks = np.loadtxt(folder / "looks.csv", delimiter=",", skiprows=1)
answers = np.loadtxt(folder / "answers.csv", delimiter=",", skiprows=1)
factors = np.loadtxt(folder / "factors.csv")
side, leak, guard, freedom, curve, closed = looks.T
limits = np.unique(answers[:, 1])
# Sides without a look are not in the table of looks: nothing decides them here, as there.
sides = int(answers[:, 0].max()) + 1


def student(z, freedom):
    """Abramowitz & Stegun, 26.7.5."""
    q, v = z * z, 1 / np.maximum(freedom, 1)
    g1 = (q + 1) / 4
    g2 = ((5 * q + 16) * q + 3) / 96
    g3 = (((3 * q + 19) * q + 17) * q - 15) / 384
    g4 = ((((79 * q + 776) * q + 1482) * q - 1920) * q - 945) / 92160
    return z * (1 + v * (g1 + v * (g2 + v * (g3 + v * g4))))


begun = time.process_time()
k = student(z, freedom)
band = k * guard
unsure = curve[:, None] > 0.3 * limits[None, :]
rising = -leak[:, None] - band[:, None] > 0.25 * limits[None, :]
implausible = (leak + 1.5 * guard < 0)[:, None]
tight = ~unsure & ~rising & ~implausible & (leak[:, None] + band[:, None] <= limits[None, :])
leaking = ~unsure & ~rising & ~implausible & ~tight & (leak[:, None] - band[:, None] >= limits[None, :])
verdicts = np.zeros((sides, limits.size), dtype=int)
for number in range(sides):
    mine = side == number
    if not mine.any():
        continue
    decided = tight[mine] | leaking[mine]
    first = decided.argmax(axis=0)
    told = np.where(tight[mine], 1, 2)[first, np.arange(limits.size)]
    verdicts[number] = np.where(decided.any(axis=0), told, 0)
theirs = time.process_time() - begun

expected = answers[:, 2].astype(int).reshape(sides, limits.size)
assert np.allclose(k, factors, rtol=1e-9, atol=0), "factors differ"
wrong = int((verdicts != expected).sum())
assert wrong == 0, f"{wrong} of {verdicts.size} verdicts differ"
print(f"NumPy {np.__version__}: the same {verdicts.size} verdicts; ours is {theirs / ours:.1f} times as quick")
