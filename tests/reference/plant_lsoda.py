#!/usr/bin/env python3
"""The simulated rig's equations, written again in pressures and temperatures and solved by SciPy's LSODA.

    python3 plant_lsoda.py                  writes plant_<case>.csv beside this file (rtol 1e-9)
    python3 plant_lsoda.py --check          makes them again and fails if the committed ones say otherwise
    python3 plant_lsoda.py --time RTOL...   times two-sided runs (the best of three) and prints their worst errors
                                            against rtol 1e-9: first as told every switching, and the ball's start
                                            and stop; then as told where the ball's edge passes a seat as well

Needs SciPy (the committed files: SciPy 1.17.1, NumPy 2.4.6). Nothing here was taken from the Rust sources but the
statement of the model in docs/physics.md: there the state is mass and internal energy, here it is pressure and
temperature; there the solver is a Rosenbrock method, here it is LSODA (Adams/BDF).
"""

import math
import sys
import time
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

R, GAMMA = 287.05, 1.4
CV = R / (GAMMA - 1)
CP = GAMMA * CV
RHO0, T0 = 1.185, 293.15          # ISO 8778 / ISO 6358-1
P_HIGH, P_LOW = 701325.0, 101325.0  # leaks are stated from 6 bar gauge to one atmosphere
R_LIN = 0.999
B_ORIFICE = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))

DEMO = dict(
    V=[30e-6, 5e-6, 40e-6], V_hose=500e-6, tau=[1.0, 0.4, 1.2], wall_ratio=400.0, wall_tau=600.0,
    pa=101325.0, room=293.15, drift=0.0, set=600000.0, droop=10000.0,
    supply=(1.0e-8, 0.3), vent=(1.5e-8, 0.3), bore=(3e-7, 0.4), past=5e-8, overlap=0.15,
    dead=0.02, stroke=0.2, air=6e5, spring=(2e5, 3.5e5), friction=2e4, fill=0.6, exhaust=0.5, shut_stop=0.0, lift=5.0, lift_full=20000.0, creep=1e-9, creep_tau=2.0,
    seat_a=(2e-6, 0.0), seat_b=(2e-6, 0.0), stem=(5e-7, 0.0), body_joint=(2e-7, 0.0),
    joint_a=(2e-7, 0.0), joint_b=(2e-7, 0.0), joint_load=0.0, rig_leak=(1e-6, 0.0), passing=(0.0, 0.0),
)
CASES = {
    "tight": {},
    "leaks": dict(
        seat_a=(2e-3, 0.5), seat_b=(3e-4, 1.0), stem=(1e-4, 0.2), joint_b=(4e-4, 0.3), joint_a=(2e-4, 1.0),
        joint_load=0.7, rig_leak=(1e-4, 0.0), passing=(5e-5, 1.0), drift=5e-4, creep=2e-8, droop=60000.0,
        wall_ratio=50.0, wall_tau=60.0,
    ),
    "stiff": dict(V=[3e-6, 2e-9, 4e-6], bore=(5e-6, 0.4), past=1e-6, tau=[0.05, 0.01, 0.05], lift=50.0),
}
# At these times (s) the outputs become: supply open, vent shut, pilot fed. "swap" turns the valve round.
SIDE = [(0.0, (0, 0, 1)), (1.0, (0, 1, 1)), (1.05, (1, 1, 1)), (17.0, (1, 1, 0)), (18.0, (0, 1, 0)),
        (18.05, (0, 0, 0)), (88.05, (0, 0, 1)), (92.0, (0, 0, 0)), (94.0, (0, 0, 1))]
SCHEDULE = SIDE + [(110.0, "swap")] + [(110.5 + t, o) for t, o in SIDE]
END = 220.0
# Told where openings begin and end, LSODA comes to the same within 7e-8 from here down to 3e-11; not told, it is off by
# 3e-5 in the cavity, for what flows last as the ball seals it depends on where its steps fall.
EXACT = 1e-9


def smooth(u):
    return 0.0 if u <= 0 else 1.0 if u >= 1 else u * u * (3 - 2 * u)


def iso(c, b, p1, t1, p2, t2):
    """Mass and enthalpy flow from 1 to 2 through an ISO 6358 element."""
    if p2 > p1:
        q, h = iso(c, b, p2, t2, p1, t1)
        return -q, -h
    r = p2 / p1
    xe = (R_LIN - b) / (1 - b)
    edge = math.sqrt(1 - xe * xe)
    if r <= b:
        psi = 1.0
    elif r <= R_LIN:
        psi = math.sqrt(1 - ((r - b) / (1 - b)) ** 2)
    else:
        s = (1 - r) / (1 - R_LIN)
        k = xe / (1 + xe)
        psi = edge * (s * (3 - k) / 2 + s ** 3 * (k - 1) / 2)
    # LSODA tries impossible states before it rejects them, hence the floor under the temperature.
    q = c * RHO0 * math.sqrt(T0 / max(t1, 1.0)) * p1 * psi
    return q, CP * q * t1


def viscous(k, p1, t1, p2, t2):
    if p2 > p1:
        q, h = viscous(k, p2, t2, p1, t1)
        return -q, -h
    q = k * (p1 * p1 - p2 * p2)
    return q, CP * q * t1


def leak(path, factor, p1, t1, p2, t2):
    rate, orifice = path
    if rate == 0:
        return 0.0, 0.0
    m = rate * factor / (R * T0)
    q1, h1 = viscous(m * (1 - orifice) / (P_HIGH ** 2 - P_LOW ** 2), p1, t1, p2, t2)
    q2, h2 = iso(m * orifice / (RHO0 * P_HIGH), B_ORIFICE, p1, t1, p2, t2) if orifice else (0.0, 0.0)
    return q1 + q2, h1 + h2


class Rig:
    """State: p, T of line, cavity, far; wall temperatures; creep; pressure in the hose."""

    def __init__(self, case, edges=True):
        self.edges = edges
        self.c = {**DEMO, **CASES[case]}
        c = self.c
        m = [P_HIGH * v / (R * T0) * CV for v in c["V"]]
        self.film = [mi / tau for mi, tau in zip(m, c["tau"])]
        self.cap = [c["wall_ratio"] * mi for mi in m]
        self.wall_room = [cap / c["wall_tau"] for cap in self.cap]
        self.k_lift = c["lift"] / (R * T0) / (P_HIGH ** 2 - P_LOW ** 2)
        self.out = (0, 0, 0)
        self.first = True
        self.ball = lambda t: c["shut_stop"]
        room = c["room"]
        self.y = np.array([c["pa"], room] * 3 + [room] * 3 + [0.0, c["pa"] + c["set"]])

    def rhs(self, t, y):
        c = self.c
        pa, room = c["pa"], c["room"] + c["drift"] * t
        (pl, tl, pc, tc, pf, tf, wl, wc, wf, creep, ph) = y
        supply, vent_shut, _ = self.out
        near, far = ("a", "b") if self.first else ("b", "a")
        m = [0.0, 0.0, 0.0]
        u = [0.0, 0.0, 0.0]

        def move(i, j, flow):
            q, h = flow
            if i is not None:
                m[i] -= q
                u[i] -= h
            if j is not None:
                m[j] += q
                u[j] += h

        # regulator and supply
        d = c["droop"] / 20
        below = (pa + c["set"] - ph) / d
        ramp = 0.0 if below <= 0 else below * below / 2 if below < 1 else below - 0.5
        q_reg = 1e-3 / c["droop"] * d * ramp
        if supply:
            flow = iso(*c["supply"], ph, room, pl, tl)
        else:
            flow = leak(c["passing"], 1.0, ph, room, pl, tl)
        move(None, 0, flow)
        dm_hose = q_reg - flow[0]
        # to the room
        if not vent_shut:
            move(0, None, iso(*c["vent"], pl, tl, pa, room))
        for i, p, tt, name in ((0, pl, tl, near), (2, pf, tf, far)):
            factor = max(0.0, 1 - c["joint_load"] + c["joint_load"] * (p - pa) / 6e5)
            move(i, None, leak(c["joint_" + name], factor, p, tt, pa, room))
        move(2, None, leak(c["rig_leak"], 1.0, pf, tf, pa, room))
        move(1, None, leak(c["stem"], 1.0, pc, tc, pa, room))
        move(1, None, leak(c["body_joint"], 1.0, pc, tc, pa, room))
        # ball and seats
        x, o = self.ball(t), c["overlap"]
        bore = smooth((x - o) / (1 - o))
        if bore > 0:
            move(0, 2, iso(c["bore"][0] * bore, c["bore"][1], pl, tl, pf, tf))
        v = (x - o) / (1 - 2 * o)
        past = 16 * (v * (1 - v)) ** 2 if 0 < v < 1 else 0.0
        push = pf - pl
        for i, j, pi, ti, pj, tj, seat, off in (
            (0, 1, pl, tl, pc, tc, near, -push),
            (1, 2, pc, tc, pf, tf, far, push),
        ):
            if past > 0:
                move(i, j, iso(c["past"] * past, c["bore"][1], pi, ti, pj, tj))
            move(i, j, leak(c["seat_" + seat], 1.0, pi, ti, pj, tj))
            lifted = smooth(off / c["lift_full"])
            if lifted > 0:
                move(i, j, viscous(self.k_lift * lifted, pi, ti, pj, tj))
        # balances
        dcreep = (push / 6e5 - creep) / c["creep_tau"]
        out = np.empty(11)
        for i, (p, tt, w) in enumerate(((pl, tl, wl), (pc, tc, wc), (pf, tf, wf))):
            volume = c["V"][i] + (c["creep"] * creep if i == 2 else 0.0)
            dv = c["creep"] * dcreep if i == 2 else 0.0
            into_wall = self.film[i] * (tt - w)
            du = u[i] - into_wall - p * dv
            out[2 * i] = ((GAMMA - 1) * du - p * dv) / volume
            out[2 * i + 1] = (du - CV * tt * m[i]) / (p * volume / (R * tt) * CV)
            out[6 + i] = (into_wall + self.wall_room[i] * (room - w)) / self.cap[i]
        out[9] = dcreep
        # p = m R T_room / V, and the room may drift
        out[10] = dm_hose * R * room / c["V_hose"] + ph / room * c["drift"]
        return out

    def stretches(self):
        """Times between which nothing jumps, with what happens at each start."""
        c = self.c
        marks = {}
        for t, what in SCHEDULE:
            marks.setdefault(t, []).append(what)
        pilot, x = 0, c["shut_stop"]
        pressure = lambda t: 0.0
        moves = []  # (start, end, from, to); every move of this schedule is over before the next begins
        low, high = c["spring"]
        for t, what in SCHEDULE:
            if what != "swap" and what[2] != pilot:
                pilot, air = what[2], pressure(t)
                # The piston starts where air meets spring and friction, and ends likewise, no faster than `stroke`.
                if pilot:
                    goal, rub, tau, to = c["air"], c["friction"], c["fill"], 1.0
                else:
                    goal, rub, tau, to = 0.0, -c["friction"], c["exhaust"], c["shut_stop"]
                begins, ends = (tau * math.log((goal - air) / (goal - (low + pos * (high - low) + rub)))
                                for pos in (x, to))
                ends = max(ends, begins + abs(to - x) * c["stroke"])
                start = round(t + c["dead"] + round(begins, 6), 6)
                moves.append((start, round(start + round(ends - begins, 6), 6), x, to))
                pressure = lambda now, begun=t + c["dead"], air=air, goal=goal, tau=tau: (
                    goal + (air - goal) * math.exp(-(now - begun) / tau))
                x = to
        for start, end, a, b in moves:
            marks.setdefault(start, []).append(("move", start, end, a, b))
            marks.setdefault(end, []).append(("stop", b))
            # Where the ball's edge passes a seat an opening begins or ends, and LSODA may step over it.
            for edge in (self.c["overlap"], 1 - self.c["overlap"]):
                if self.edges and min(a, b) < edge < max(a, b):
                    marks.setdefault(start + (edge - a) / (b - a) * (end - start), []).append(("edge",))
        return sorted(marks.items())

    def run(self, rtol, times):
        c = self.c
        found = []
        marks = self.stretches() + [(END, [])]
        for (t, whats), (t_end, _) in zip(marks, marks[1:]):
            for what in whats:
                if what == "swap":
                    self.first = not self.first
                    room = c["room"] + c["drift"] * t
                    self.y[0:2] = c["pa"], room
                    self.y[4:6] = c["pa"], room
                    self.y[9] = 0.0
                elif what[0] == "move":
                    _, start, end, a, b = what
                    v = (b - a) / (end - start)
                    self.ball = lambda t, start=start, a=a, v=v: a + v * (t - start)
                elif what[0] == "stop":
                    self.ball = lambda t, b=what[1]: b
                elif what[0] == "edge":
                    pass
                else:
                    self.out = what
            inside = [s for s in times if t < s <= t_end]
            atol = np.array([1e4, 3.0] * 3 + [3.0] * 3 + [0.1, 1e4]) * rtol
            ask = inside + [t_end] if not inside or inside[-1] != t_end else inside
            sol = solve_ivp(self.rhs, (t, t_end), self.y, method="LSODA", rtol=rtol, atol=atol,
                            t_eval=ask, first_step=min(1e-6, (t_end - t) / 2))
            if not sol.success:
                raise SystemExit(sol.message)
            self.y = sol.y[:, -1].copy()
            found += [(s, sol.y[:, i]) for i, s in enumerate(inside)]
        return found


def sample_times():
    marks = [t for t, _ in SCHEDULE]
    times = {round(k * 0.5, 6) for k in range(1, 440)}
    for m in marks:
        times |= {round(m + d, 6) for d in (0.01, 0.03, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.7)}
    return sorted(t for t in times if 0 < t < END and t not in marks)


def made(case):
    lines = [
        f"# SciPy LSODA, rtol {EXACT:g}: python3 plant_lsoda.py",
        *(f"# set,{t:.6f},{what if what == 'swap' else ','.join(map(str, what))}" for t, what in SCHEDULE),
        "t_s,line_pa,line_k,cavity_pa,cavity_k,far_pa,far_k,wall_far_k",
    ]
    for t, y in Rig(case).run(EXACT, sample_times()):
        lines.append(f"{t:.6f},{y[0]:.4f},{y[1]:.6f},{y[2]:.4f},{y[3]:.6f},{y[4]:.4f},{y[5]:.6f},{y[8]:.6f}")
    return "\n".join(lines) + "\n"


def committed(case):
    return Path(__file__).with_name(f"plant_{case}.csv")


def write(case):
    committed(case).write_text(made(case))
    print(committed(case))


def check(case):
    """The same moments and switchings, and every number to a part in a million: rounding differs from machine to machine, and
    LSODA's choice of steps with it."""
    old, new = committed(case).read_text().splitlines(), made(case).splitlines()
    head = lambda lines: [line for line in lines if not line[0].isdigit()]
    rows = lambda lines: np.array([line.split(",") for line in lines if line[0].isdigit()], float)
    if head(old) != head(new) or rows(old).shape != rows(new).shape:
        sys.exit(f"{committed(case).name}: other moments or switchings than are committed")
    off = np.max(np.abs(rows(new) / rows(old) - 1))
    print(f"{case}: {len(rows(new))} moments, off by {off:.1e} at most")
    if not off <= 1e-6:
        sys.exit(f"{committed(case).name}: differs from what is committed")


def timed(rtols):
    times = sample_times()
    exact = Rig("tight").run(EXACT, times)
    for edges in (False, True):
        for rtol in rtols:
            took = math.inf
            for _ in range(3):
                begin = time.process_time()
                mine = Rig("tight", edges).run(rtol, times)
                took = min(took, time.process_time() - begin)
            line, cavity, far = (max(abs(a[1][i] / b[1][i] - 1) for a, b in zip(mine, exact)) for i in (0, 2, 4))
            print(f"{'edges' if edges else 'switchings'} {rtol:g} {took:.4f} {far:.3e} {max(line, cavity, far):.3e}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--time"]:
        timed([float(rtol) for rtol in sys.argv[2:]])
    else:
        for name in CASES:
            check(name) if "--check" in sys.argv else write(name)
