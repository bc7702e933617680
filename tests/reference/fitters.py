#!/usr/bin/env python3
"""Independent fitters on generated traces of trapped pressure.

    python3 fitters.py            writes fitters_traces.csv and fitters_answers.csv beside this file
    python3 fitters.py --check    makes both again and fails if the committed files say otherwise

Needs NumPy, SciPy and statsmodels (the committed files: the versions in VERSIONS). Traces are whole counts at whole
microseconds, as a converter gives them, with 40 to 64 readings: so few that seathold's folded trace holds each by
itself and must agree to rounding. Each is fitted by statsmodels' OLS (the answers written), by numpy.linalg.lstsq and
by scipy.linalg.lstsq (which must agree), and once more with the time constant free by scipy.optimize.curve_fit.
"""

import csv
import io
import sys
from pathlib import Path

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy.linalg import lstsq
from scipy.optimize import curve_fit

HERE = Path(__file__).parent
VERSIONS = f"numpy {np.__version__}, scipy {scipy.__version__}, statsmodels {statsmodels.__version__}"

# case: readings, seconds between, slope (counts/s), transient (counts), tau (s), noise (counts), uneven, seed
CASES = {
    "line-quiet": (64, 0.5, -2.0, 0.0, None, 1.0, False, 1),
    "line-noisy": (64, 0.1, -0.3, 0.0, None, 30.0, False, 2),
    "line-uneven": (50, 0.7, -4.0, 0.0, None, 3.0, True, 3),
    "steep": (40, 1.0, -5000.0, 0.0, None, 2.0, False, 4),
    "transient-short": (64, 0.25, -1.5, 400.0, 1.2, 2.0, False, 5),
    "transient-mid": (61, 1.0, -8.0, 900.0, 8.0, 5.0, False, 6),
    "transient-long": (64, 0.5, -3.0, 2000.0, 20.0, 1.5, False, 7),
    "transient-rising": (64, 0.4, -2.0, -600.0, 3.0, 4.0, False, 8),
    "transient-uneven": (58, 0.6, -2.5, 700.0, 4.0, 3.0, True, 9),
    "far-from-zero": (64, 0.5, -1.0, 300.0, 5.0, 2.0, False, 10),
}


def trace(n, dt, slope, a, tau, noise, uneven, seed):
    rng = np.random.default_rng(seed)
    gaps = np.full(n - 1, dt) if not uneven else dt * rng.uniform(0.4, 1.6, n - 1)
    t_us = np.concatenate([[0], np.cumsum(np.rint(gaps * 1e6))]).astype(np.int64)
    t = t_us / 1e6
    y = 35_000 + slope * t + (a * np.exp(-t / tau) if tau else 0.0) + rng.normal(0, noise, n)
    offset = 8_000_000 if seed == 10 else 0
    return t_us, np.rint(y).astype(np.int64) + offset


def answers(case, t_us, y, tau):
    t = t_us / 1e6
    y0 = (y - y[0]).astype(float)  # counted from the first reading; a slope does not care
    tm = t - t.mean()
    columns = [np.ones_like(t), tm]
    if tau:
        columns.append(np.exp(-t / tau))
    X = np.column_stack(columns)
    fit = sm.OLS(y0, X).fit()
    for name, b in (("numpy", np.linalg.lstsq(X, y0, rcond=None)[0]), ("scipy", lstsq(X, y0)[0])):
        worst = np.max(np.abs(b - fit.params) / np.abs(fit.bse))
        assert worst < 1e-8, (case, name, worst)
    cov = fit.cov_params()
    row = {
        "case": case,
        "tau_s": tau or "",
        "slope": fit.params[1],
        "u_slope": fit.bse[1],
        "amplitude": fit.params[2] if tau else "",
        "u_amplitude": fit.bse[2] if tau else "",
        "correlation": cov[1, 2] / np.sqrt(cov[1, 1] * cov[2, 2]) if tau else "",
        "residual_sd": np.sqrt(fit.mse_resid),
        "residual_squares": fit.ssr,
        "free_tau_s": "",
        "free_slope": "",
    }
    if tau:
        model = lambda t, p, s, a, k: p + s * t + a * np.exp(-t / k)
        start = [y0[-1], fit.params[1], fit.params[2], tau]
        free, _ = curve_fit(model, t, y0, p0=start, ftol=1e-15, xtol=1e-15, gtol=1e-15, maxfev=10_000)
        row["free_tau_s"], row["free_slope"] = free[3], free[1]
    return {k: (repr(float(v)) if not isinstance(v, str) else v) for k, v in row.items()}


def make():
    traces, table = io.StringIO(), io.StringIO()
    out = csv.writer(traces, lineterminator="\n")
    out.writerow(["case", "time_us", "counts"])
    rows = []
    for case, (n, dt, slope, a, tau, noise, uneven, seed) in CASES.items():
        t_us, y = trace(n, dt, slope, a, tau, noise, uneven, seed)
        out.writerows([case, int(t), int(c)] for t, c in zip(t_us, y))
        rows.append(answers(case, t_us, y, tau))
    w = csv.DictWriter(table, rows[0].keys(), lineterminator="\n")
    w.writeheader()
    w.writerows(rows)
    return {"fitters_traces.csv": traces.getvalue(), "fitters_answers.csv": table.getvalue()}


def close(column, a, b):
    # Where the curve's time constant is free the fit is found by steps, which end about the root of the rounding from
    # the least; how near differs from processor to processor, and for a long transient the slope takes it ten times.
    within = 1e-5 if column.startswith("free_") else 1e-7
    try:
        return abs(float(a) - float(b)) <= within * abs(float(b))
    except ValueError:
        return a == b


def same(a, b):
    a, b = list(csv.reader(io.StringIO(a))), list(csv.reader(io.StringIO(b)))
    if len(a) != len(b) or a[0] != b[0]:
        return False
    return all(len(x) == len(y) and all(map(close, a[0], x, y)) for x, y in zip(a, b))


def main():
    files = make()
    if "--check" in sys.argv:
        bad = [name for name, text in files.items() if not same((HERE / name).read_text(), text)]
        if bad:
            sys.exit(f"not as committed: {', '.join(bad)} ({VERSIONS})")
        print(f"as committed ({VERSIONS})")
        return
    for name, text in files.items():
        (HERE / name).write_text(text)
    print(VERSIONS)


if __name__ == "__main__":
    main()
