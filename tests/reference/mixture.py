#!/usr/bin/env python3
"""Leaks of two groups with known uncertainties, and the likeliest groups by another way.

    python3 mixture.py            writes mixture_figures.csv and mixture_answers.csv beside this file
    python3 mixture.py --check    makes both again and fails if the committed files say otherwise

Needs NumPy and SciPy. Where seathold uses expectation and maximisation on a grid of logarithms, here the likelihood is
integrated by Gauss-Legendre quadrature over each figure's own neighbourhood, and maximised directly by
scipy.optimize.minimize (Nelder-Mead, from several beginnings). Answers: shares, medians, spreads, the logarithm of the
likelihood, and for some figures the probability that the true leak lies within a limit.
"""

import csv
import io
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

HERE = Path(__file__).parent
LIMIT = 7.5e-4
NODES, WEIGHTS = np.polynomial.legendre.leggauss(400)

# case: group without a leak, number of figures, true groups (share, median, spread)
CASES = {
    "two": (False, 240, [(0.7, 2.0e-4, 0.5), (0.3, 2.0e-3, 0.6)]),
    "none-and-one": (True, 200, [(0.6, None, None), (0.4, 1.5e-3, 0.8)]),
    "one": (False, 120, [(1.0, 3.0e-4, 0.7)]),
}


def drawn(number, count, groups):
    rng = np.random.default_rng(number + 1)
    kind = rng.choice(len(groups), size=count, p=[g[0] for g in groups])
    true = np.array([0.0 if groups[k][1] is None else groups[k][1] * np.exp(groups[k][2] * rng.normal()) for k in kind])
    u = 3e-5 * np.exp(0.4 * rng.normal(size=count)) + 0.03 * true
    leak = true + u * rng.normal(size=count)
    # As the file has them.
    return [float(f"{x:.6e}") for x in leak], [float(f"{x:.6e}") for x in u]


def likelihood(leak, u, median, spread, limit=np.inf):
    """Of each figure in a group: over the logarithm of the leak, ten spreads wide, cut to where the figure is."""
    middle = np.log(median)
    out = np.empty(len(leak))
    for i, (x, s) in enumerate(zip(leak, u)):
        low, high = middle - 10 * spread, min(middle + 10 * spread, np.log(max(x + 9 * s, 1e-12)))
        if x - 9 * s > 0:
            low = max(low, np.log(x - 9 * s))
        high = min(high, np.log(limit))
        if high <= low:
            out[i] = 0.0
            continue
        z = 0.5 * (high - low) * NODES + 0.5 * (high + low)
        prior = np.exp(-0.5 * ((z - middle) / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
        near = np.exp(-0.5 * ((x - np.exp(z)) / s) ** 2) / (s * np.sqrt(2 * np.pi))
        out[i] = 0.5 * (high - low) * np.sum(WEIGHTS * prior * near)
    return out


def none(leak, u):
    return np.exp(-0.5 * (leak / u) ** 2) / (u * np.sqrt(2 * np.pi))


def unpack(p, has_none, others):
    """Shares by logarithms of their ratios to the last."""
    count = others + has_none
    shares = np.exp(np.append(p[: count - 1], 0.0))
    shares /= shares.sum()
    medians, spreads = np.exp(p[count - 1 : count - 1 + others]), np.exp(p[count - 1 + others :])
    return shares, medians, spreads


def parts(p, leak, u, has_none, others, limit=np.inf):
    shares, medians, spreads = unpack(p, has_none, others)
    rows = [none(leak, u)] if has_none else []
    rows += [likelihood(leak, u, m, s, limit) for m, s in zip(medians, spreads)]
    return shares @ np.array(rows)


def fitted(leak, u, has_none, others):
    cost = lambda p: -np.sum(np.log(np.maximum(parts(p, leak, u, has_none, others), 1e-300)))
    best = None
    logs = np.log(np.maximum(leak, u))
    for low, high in [(25, 80), (40, 90)]:
        middles = np.percentile(logs, np.linspace(low, high, others) if others > 1 else [high])
        start = np.concatenate([np.zeros(others + has_none - 1), middles, np.full(others, np.log(0.6))])
        for _ in range(3):
            found = minimize(cost, start, method="Nelder-Mead", options=dict(maxiter=4000, xatol=1e-7, fatol=1e-9))
            start = found.x
        if best is None or found.fun < best.fun:
            best = found
    return best


def made():
    figures, answers = [], []
    for number, (case, (has_none, count, groups)) in enumerate(CASES.items()):
        leak, u = drawn(number, count, groups)
        figures += [(case, f"{x:.6e}", f"{s:.6e}") for x, s in zip(leak, u)]
        leak, u = np.array(leak), np.array(u)
        others = len(groups) - has_none
        best = fitted(leak, u, has_none, others)
        shares, medians, spreads = unpack(best.x, has_none, others)
        order = np.argsort(medians)
        answers.append((case, "log_likelihood", 0, f"{-best.fun:.6f}"))
        if has_none:
            answers.append((case, "share_none", 0, f"{shares[0]:.6f}"))
        for place, at in enumerate(order):
            answers.append((case, "share", place, f"{shares[at + has_none]:.6f}"))
            answers.append((case, "median", place, f"{medians[at]:.6e}"))
            answers.append((case, "spread", place, f"{spreads[at]:.6f}"))
        whole = parts(best.x, leak, u, has_none, others)
        inside = parts(best.x, leak, u, has_none, others, LIMIT)
        for at in range(0, count, 10):
            answers.append((case, "within", at, f"{inside[at] / whole[at]:.6f}"))
    return table(["case", "leak", "u"], figures), table(["case", "what", "place", "value"], answers)


def table(names, rows):
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    return out.getvalue()


def near(one, other):
    """The search ends where it ends: the same to a part in ten thousand, or 1e-4."""
    a, b = list(csv.DictReader(io.StringIO(one))), list(csv.DictReader(io.StringIO(other)))
    same = [{k: v for k, v in r.items() if k != "value"} for r in a] == [{k: v for k, v in r.items() if k != "value"} for r in b]
    return same and all(abs(float(x["value"]) - float(y["value"])) <= 1e-4 * max(1.0, abs(float(y["value"])))
                        if x["what"] != "median" else abs(float(x["value"]) / float(y["value"]) - 1) < 1e-3
                        for x, y in zip(a, b))


def main():
    figures, answers = made()
    if "--check" in sys.argv:
        wrong = [name for name, good in [
            ("mixture_figures.csv", (HERE / "mixture_figures.csv").read_text() == figures),
            ("mixture_answers.csv", near((HERE / "mixture_answers.csv").read_text(), answers)),
        ] if not good]
        if wrong:
            sys.exit(f"differs from what is committed: {', '.join(wrong)}")
        print("mixtures: the committed figures and answers come out again")
        return
    (HERE / "mixture_figures.csv").write_text(figures)
    (HERE / "mixture_answers.csv").write_text(answers)


if __name__ == "__main__":
    main()
