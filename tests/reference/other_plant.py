#!/usr/bin/env python3
"""Another plant: traces of a far side under physics of other kinds than one exponential.

    python3 other_plant.py EFFECT --benches B --valves V --blanks R --seed S [--rate HZ] [--large] [--rest-hours H]
    python3 other_plant.py --table [EFFECT]     what a tight valve seems to lose, for each effect
    python3 other_plant.py --check              self checks; fails if one does

Needs NumPy and SciPy. Shares nothing with the simulated rig. Writes JSON Lines, one trace each; a bench is one `rest`
trace (a plug for the valve, 2 h at 5 Hz after an hour's soak), R `blank` traces (tight valves, 75 s) and V `test`
traces, whose leaks are 0, 0.5, 1 and 2 limits in turn, or 10 and 40.

Fields: effect, bench, valve (counted from 1 within its kind; rest 0), kind, share (leak over limit), law,
limit_pa_m3_s, leak_pa_m3_s (true, by its own law at 600 kPa gauge to 101325 Pa and 293.15 K; in `burst` the mean over
the trace), leak_open_pa_m3_s (in `burst` while open, and what `share` means there; else the same), gate (null, or in
`burst` pairs: second since shut-in, 1 open or 0 shut from then on), rig_leak_pa_m3_s (the rig's own, viscous, present
in every trace and in no leak_pa_m3_s), target_pa (gauge), ambient_pa, far_volume_m3 (in the rig file),
true_far_volume_m3, far_volume_u_rel, pa_per_count, zero_counts, span (highest count), gas_k (mean true temperature of
the gas from 10 s), thermometer (null or kelvin_per_count, kelvin_at_zero; it sits on the body), isolate_s, t_us (since
shut-in), counts, kelvin_counts (null, or one per sample).

Strengths. U uniform, L log-uniform, N normal (mean, standard deviation). The bench draws all of them; each valve
multiplies those marked v by exp(N(0, 0.1)), creep by exp(N(0, 0.25)). All are judgement, except where marked p: common
practice, no source, or m: memory of data sheets.

    far volume            L 15-150 cm3, rig file off by N(0, 1 %); surface 6 V^(2/3) x U 1.1-1.8
    limit                 1.5e-3 Pa m3/s at 37.5 cm3 (40 Pa/s), in proportion to volume, x L 0.5-2: 20-80 Pa/s
    rig's own leak        L 0.0005-0.01 of the limit
    fill, soak            U 1-3 s, U 5-20 s (p); vent 0.5-1 s after shut-in, time constant U 0.1-0.3 s
    ball's shift (v)      U 0.5-3e-4 of the volume as the supply side vents; none for a plug
    film (v)              U 8-25 W/m2K at rest (m: natural convection of a dense gas in a small cavity)
    room                  U 288-300 K; supply gas N(0, 1) K off; regulator N(0, 1) kPa off
    transducer            U 2-6 Pa white noise, L 0.5-3 Pa a count, 0 to 10 bar (p), zero known
    leak law              the effect's; else orifice or viscous, equally likely for each valve
    plug (rest)           liner share x 0.3, no creep, no shift

    wall of         liner share(v)  liner tau(v)  metal(v)    to room     valve off room
    wall            U 0.2-0.8       L 30-200 s    U 0.5-2 mm  U 10-30 min N(0, 0.2) K
    room, .._thermo U 0.05-0.15     L 5-20 s      U 1-3 mm    U 3-20 min  N(0, 0.03) K
    all             U 0.15-0.35     L 30-200 s    U 1.5-4 mm  U 8-30 min  N(0, 0.06) K
    others          U 0.05-0.15     L 5-20 s      U 4-10 mm   U 30-90 min N(0, 0.03) K

    creep           L 0.5-10e-4 of the volume a decade (10 um on 500 mm2 is 5 mm3), t0 L 0.5-5 s; `all` half
    room            ramp U +-4 K/h, drawn for each trace, fading with 1 h (a heating switched on); sine U 0.05-0.3 K,
                    L 5-40 min; `all` half of both
    room_thermo     as room; lag L 5-60 s, gain N(0, 2 %), noise 5 mK, step 0.01 or 0.0625 K (m), one reading a second
    flicker         1/f noise L 2-10 Pa rms a decade; hum L 3-20 Pa at 50 Hz N(0, 20 mHz), at the sample; `all` half
    warmup          L 300-1500 Pa of either sign (m: 0.03-0.15 % of 1 MPa), tau L 200-900 s; rest is warm; blanks from
                    L 60-600 s after switch-on, 180 s apart; half of the benches are switched off before the tests, and
                    begin as the blanks did; on the others tests follow as if eight blanks had gone before
    knock           Poisson, one in 60 s (rest: in 900 s), step U 30-120 Pa of either sign; 40 % go back after U 1-8 s
    burst           open and shut in turn, U 2-30 s each
    droop           regulator falls by U 10-35 kPa, x exp(N(0, 0.05)), with U 0.15-0.3 of fill and soak as time constant
    slow12          U 5-20 Hz (rest too), jitter U +-0.3 of the interval, U 2-10 % missed, a gap of U 0.5-2 s in 30 %;
                    12 bit over 10 bar (p); noise L 30-150 Pa
"""

import argparse
import json
import math
import sys
import time
from types import SimpleNamespace

import numpy as np

import other_physics as physics

EFFECTS = [
    "plain", "wall", "creep", "room", "room_thermo", "flicker", "warmup", "orifice", "viscous", "knock", "burst",
    "droop", "slow12", "all",
]
KINDS = ["bench", "rest", "blank", "test"]
TEST_S, REST_HZ, REST_SOAK_S, PITCH_S = 75.0, 5.0, 3600.0, 180.0
KELVIN_AT_ZERO = 273.15
SHARES, LARGE_SHARES = [0.0, 0.5, 1.0, 2.0], [10.0, 40.0]
# liner share, liner tau s, metal mm, room tau min, valve off room K
WALLS = {
    "wall": ((0.2, 0.8), (30, 200), (0.5, 2), (10, 30), 0.2),
    "room": ((0.05, 0.15), (5, 20), (1, 3), (3, 20), 0.03),
    "all": ((0.15, 0.35), (30, 200), (1.5, 4), (8, 30), 0.06),
    "plain": ((0.05, 0.15), (5, 20), (4, 10), (30, 90), 0.03),
}


def generator(seed, effect, bench, kind, valve):
    words = [seed, EFFECTS.index(effect), bench, KINDS.index(kind), valve]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(words)))


def log_uniform(rng, low, high):
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def draw_bench(effect, bench, seed):
    """Everything that belongs to the rig, drawn whether or not the effect uses it."""
    rng = generator(seed, effect, bench, "bench", 0)
    r = SimpleNamespace(effect=effect, bench=bench, seed=seed)
    r.volume = log_uniform(rng, 15e-6, 150e-6)
    r.file_volume = r.volume * (1 + rng.normal(0, 0.01))
    r.area = 6 * r.volume ** (2 / 3) * rng.uniform(1.1, 1.8)
    r.limit = 1.5e-3 * r.volume / 37.5e-6 * log_uniform(rng, 0.5, 2)
    r.rig_leak = r.limit * log_uniform(rng, 0.0005, 0.01)
    r.fill_s, r.soak_s = rng.uniform(1, 3), rng.uniform(5, 20)
    r.vent_s, r.vent_tau = rng.uniform(0.5, 1), rng.uniform(0.1, 0.3)
    r.shift = rng.uniform(0.5e-4, 3e-4)
    r.film = rng.uniform(8, 25)
    r.room_k = rng.uniform(288, 300)
    r.noise = rng.uniform(2, 6)
    r.pa_per_count, r.zero_counts = log_uniform(rng, 0.5, 3), int(rng.integers(-500, 500))
    share, tau, metal, to_room, r.handling = WALLS.get("room" if effect == "room_thermo" else effect, WALLS["plain"])
    r.liner_share, r.liner_tau = rng.uniform(*share), log_uniform(rng, *tau)
    r.metal, r.room_tau = rng.uniform(*metal) / 1e3, rng.uniform(*to_room) * 60
    mild = 0.5 if effect == "all" else 1.0
    r.creep = log_uniform(rng, 0.5e-4, 10e-4) * (mild if effect in ("creep", "all") else 0)
    r.creep_t0 = log_uniform(rng, 0.5, 5)
    rooms = mild if effect in ("room", "room_thermo", "all") else 0
    r.sine_k, r.sine_s, r.ramp = rng.uniform(0.05, 0.3) * rooms, log_uniform(rng, 300, 2400), 4 / 3600 * rooms
    r.lag_s, r.thermo_gain = log_uniform(rng, 5, 60), 1 + rng.normal(0, 0.02)
    r.kelvin_per_count = float(rng.choice([0.01, 0.0625]))
    flickers = mild if effect in ("flicker", "all") else 0
    r.pink, r.hum = log_uniform(rng, 2, 10) * flickers, log_uniform(rng, 3, 20) * flickers
    r.mains_hz = 50 + rng.normal(0, 0.02)
    r.drift = log_uniform(rng, 300, 1500) * rng.choice([-1, 1]) * (effect == "warmup")
    r.drift_tau, r.switched_on = log_uniform(rng, 200, 900), log_uniform(rng, 60, 600)
    r.off_between = rng.random() < 0.5
    r.droop = rng.uniform(10e3, 35e3) * (effect == "droop")
    r.droop_share = rng.uniform(0.15, 0.3)
    r.hz = rng.uniform(5, 20)
    r.missed = rng.uniform(0.02, 0.1)
    if effect == "slow12":
        r.pa_per_count, r.zero_counts, r.noise = 1e6 / 4096, 60, log_uniform(rng, 30, 150)
    return r


def draw_case(r, rng, kind, share):
    """One valve on the bench, as `physics.run` takes it."""
    plug = kind == "rest"
    vary = np.exp(rng.normal(0, 0.1, 6))
    c = SimpleNamespace(gas=physics.Gas(), volume=r.volume, fill_s=r.fill_s, vent_tau=r.vent_tau, vent_s=r.vent_s)
    c.soak_s = REST_SOAK_S if plug else r.soak_s
    c.film = r.film * vary[0]
    c.liner_share = min(0.9, r.liner_share * vary[1] * (0.3 if plug else 1))
    body_j_k = r.area * r.metal * vary[2] * physics.METAL_J_M3_K
    c.wall = physics.Wall(r.area, c.liner_share, r.liner_tau * vary[3], body_j_k, body_j_k / r.room_tau)
    c.shift_m3 = 0.0 if plug else r.shift * vary[4] * r.volume
    c.creep_m3 = 0.0 if plug else r.creep * math.exp(rng.normal(0, 0.25)) * r.volume
    c.creep_t0, c.lag_s, c.rig_leak = r.creep_t0, r.lag_s, r.rig_leak
    c.law = r.effect if r.effect in physics.LAWS else str(rng.choice(["orifice", "viscous"]))
    c.leak = share * r.limit
    c.supply_k = r.room_k + rng.normal(0, 1)
    settled, droop = physics.REFERENCE_PA + rng.normal(0, 1e3), r.droop * math.exp(rng.normal(0, 0.05))
    begin = -(c.fill_s + c.soak_s)
    droop_tau = r.droop_share * -begin
    c.supply_pa = lambda t: settled - droop * (1 - math.exp((begin - t) / droop_tau))
    ramp, phase, hour = rng.uniform(-1, 1) * r.ramp, rng.uniform(0, 2 * math.pi), 3600.0
    turn = 2 * math.pi / r.sine_s
    c.room_k = lambda t: (r.room_k + ramp * hour * (1 - math.exp((begin - t) / hour))
                          + r.sine_k * math.sin(turn * (t - begin) + phase))
    # The metal has followed the room before: a first-order lag's steady answer to a sine, and to a ramp of ten minutes.
    damped, behind = 1 / math.hypot(1, turn * r.room_tau), math.atan(turn * r.room_tau)
    lagging = r.sine_k * damped * math.sin(phase - behind) - ramp * min(r.room_tau, 600)
    c.start_k = r.room_k + lagging + rng.normal(0, r.handling)
    c.gate = []
    if r.effect == "burst" and c.leak:
        edges = np.cumsum(rng.uniform(2, 30, 60))
        first = int(rng.integers(2))
        c.gate = [(0.0, float(first))] + [(float(e), float((k + first + 1) % 2)) for k, e in enumerate(edges)]
        c.gate = [g for g in c.gate if g[0] < TEST_S]
    return c


def open_mean(gate):
    """Share of the trace in which a gated leak is open."""
    if not gate:
        return 1.0
    ends = [edge for edge, _ in gate[1:]] + [TEST_S]
    return sum(share * (end - edge) for (edge, share), end in zip(gate, ends)) / TEST_S


def sample_times(r, rng, length, rate):
    """Microseconds since shut-in; each sample once, in order."""
    if r.effect != "slow12":
        return np.round(np.arange(int(length * rate) + 1) * (1e6 / rate)).astype(np.int64)
    number = np.arange(int(length * r.hz))
    t = (number + 0.5 + rng.uniform(-0.3, 0.3, number.size)) / r.hz
    kept = rng.random(number.size) >= r.missed
    if rng.random() < 0.3:
        gap, wide = rng.uniform(0, length), rng.uniform(0.5, 2)
        kept &= (t < gap) | (t > gap + wide)
    return np.round(t[kept] * 1e6).astype(np.int64)


def pink_noise(rng, count, rate, per_decade):
    """1/f noise whose variance in each decade of frequency is `per_decade` squared.

    White noise shaped in the frequency domain (M), four times too long, so that it does not close on itself.
    """
    size = 1 << (4 * count - 1).bit_length()
    spectrum = np.fft.rfft(rng.standard_normal(size))
    frequency = np.fft.rfftfreq(size, 1 / rate)
    frequency[0] = frequency[1]
    # One-sided densities: white 2/rate, wanted per_decade2 / (ln 10 f).
    spectrum *= per_decade * np.sqrt(rate / (2 * math.log(10) * frequency))
    return np.fft.irfft(spectrum, size)[:count]


def disturbances(r, rng, kind, valve, t, rate):
    """What the transducer adds to the pressure, in pascal."""
    added = rng.normal(0, r.noise, t.size)
    if r.pink:
        added += pink_noise(rng, t.size, rate, r.pink)
        added += r.hum * np.sin(2 * math.pi * (r.mains_hz * t + rng.random()))
    if r.drift and kind != "rest":
        first = r.switched_on + (0 if kind == "blank" or r.off_between else 8 * PITCH_S)
        added += r.drift * np.exp(-(first + (valve - 1) * PITCH_S + t) / r.drift_tau)
    if r.effect == "knock":
        length = t[-1]
        for at in rng.uniform(0, length, rng.poisson(length / (900 if kind == "rest" else 60))):
            end = at + rng.uniform(1, 8) if rng.random() < 0.4 else length + 1
            added += rng.uniform(30, 120) * rng.choice([-1, 1]) * ((t >= at) & (t < end))
    return added


def thermometer_counts(r, rng, t, kelvin):
    """Once a second, held in between; the lag is already in `kelvin`."""
    second = np.floor(t).astype(int)
    fresh = np.concatenate([[0], np.flatnonzero(np.diff(second)) + 1])
    held = np.searchsorted(fresh, np.arange(t.size), side="right") - 1
    read = physics.NOMINAL_K + (kelvin[fresh] - physics.NOMINAL_K) * r.thermo_gain + rng.normal(0, 0.005, fresh.size)
    return np.round((read - KELVIN_AT_ZERO) / r.kelvin_per_count).astype(int)[held]


def trace(r, kind, valve, share=0.0, rate=50.0, rest_s=7200.0):
    rng = generator(r.seed, r.effect, r.bench, kind, valve)
    case = draw_case(r, rng, kind, share)
    length, rate = (rest_s, REST_HZ) if kind == "rest" else (TEST_S, rate)
    t_us = sample_times(r, rng, length, rate)
    t = t_us / 1e6
    true = physics.run(case, t)
    gauge = true["pascal"] - physics.AMBIENT_PA + disturbances(r, rng, kind, valve, t, rate)
    span = int(1e6 / r.pa_per_count) + max(r.zero_counts, 0) if r.effect != "slow12" else 4095
    counts = np.clip(np.round(gauge / r.pa_per_count) + r.zero_counts, None, span).astype(int)
    thermometer = kelvin_counts = None
    if r.effect == "room_thermo":
        thermometer = {"kelvin_per_count": r.kelvin_per_count, "kelvin_at_zero": KELVIN_AT_ZERO}
        kelvin_counts = thermometer_counts(r, rng, t, true["thermometer_k"]).tolist()
    return {
        "effect": r.effect, "bench": r.bench, "valve": valve, "kind": kind, "share": share, "law": case.law,
        "limit_pa_m3_s": r.limit, "leak_pa_m3_s": case.leak * open_mean(case.gate), "leak_open_pa_m3_s": case.leak,
        "gate": case.gate or None,
        "rig_leak_pa_m3_s": r.rig_leak, "target_pa": physics.TARGET_PA, "ambient_pa": physics.AMBIENT_PA,
        "far_volume_m3": r.file_volume, "true_far_volume_m3": r.volume, "far_volume_u_rel": 0.01,
        "pa_per_count": r.pa_per_count, "zero_counts": r.zero_counts, "span": span,
        "gas_k": float(true["gas_k"][t >= 10].mean()), "thermometer": thermometer, "isolate_s": 0,
        "t_us": t_us.tolist(), "counts": counts.tolist(), "kelvin_counts": kelvin_counts,
    }


def traces(effect, benches, valves, blanks, seed, rate, large, rest_s):
    shares = LARGE_SHARES if large else SHARES
    for bench in range(benches):
        r = draw_bench(effect, bench, seed)
        if rest_s:
            yield trace(r, "rest", 0, rest_s=rest_s)
        for valve in range(1, blanks + 1):
            yield trace(r, "blank", valve, rate=rate)
        for valve in range(1, valves + 1):
            yield trace(r, "test", valve, shares[(valve - 1) % len(shares)], rate)


def apparent(line, begin=10.0, end=70.0):
    """Fall of a straight line through the trace, Pa/s."""
    t = np.array(line["t_us"]) / 1e6
    p = (np.array(line["counts"]) - line["zero_counts"]) * line["pa_per_count"]
    window = (t >= begin) & (t <= end)
    return -float(np.polyfit(t[window], p[window], 1)[0])


def table(effects, seed, benches=2, blanks=8):
    print("effect       bench  cm3    limit  tight: mean     sd  min/limit  max/limit  rig's own   (falls in Pa/s)")
    for effect in effects:
        begun = time.process_time()
        for bench in range(benches):
            r = draw_bench(effect, bench, seed)
            fall = np.array([apparent(trace(r, "blank", v)) for v in range(1, blanks + 1)])
            limit = r.limit / r.volume
            print(f"{effect:12} {bench:5} {r.volume * 1e6:5.1f} {limit:7.1f} {fall.mean():12.2f}"
                  f" {fall.std(ddof=1):6.2f}"
                  f" {fall.min() / limit:10.3f} {fall.max() / limit:10.3f} {r.rig_leak / r.volume:10.2f}")
        print(f"{'':12} {(time.process_time() - begun) / (benches * blanks) * 1e3:.0f} ms a trace")


def checks():
    """Name, error and the largest error allowed: the solver's step, noise, and what a seed fixes."""
    for effect, share in (("all", 1.0), ("orifice", 40.0), ("burst", 2.0)):
        r = draw_bench(effect, 0, 1)
        case, t = draw_case(r, generator(1, effect, 0, "test", 1), "test", share), np.arange(0, 75, 0.02)
        off = physics.run(case, t)["pascal"] - physics.run(case, t, rtol=1e-12)["pascal"]
        yield f"solver in {effect}, Pa", np.abs(off).max(), 0.05
    rng, rate, count = np.random.default_rng(5), 50.0, 4096
    frequency = np.fft.rfftfreq(count, 1 / rate)[1:]
    window = np.hanning(count)
    pieces = np.array([pink_noise(rng, count, rate, 5.0) for _ in range(200)])
    power = np.mean(np.abs(np.fft.rfft(pieces * window)[:, 1:]) ** 2, axis=0) * 2 / (rate * np.sum(window**2))
    part = (frequency > 0.1) & (frequency < 20)
    slope, level = np.polyfit(np.log(frequency[part]), np.log(power[part]), 1)
    yield "slope of 1/f noise", slope + 1, 0.05
    yield "level of 1/f noise", math.exp(level) * math.log(10) / 25 - 1, 0.1
    for effect in EFFECTS:
        first, again, other = ([json.dumps(x) for x in traces(effect, 1, v, b, s, 10.0, False, 60.0)]
                               for v, b, s in ((2, 1, 7), (1, 2, 7), (1, 2, 8)))
        # Rest, first blank and first test, whatever else was asked for.
        sound = [first[k] for k in (0, 1, 2)] == [again[k] for k in (0, 1, 3)]
        sound = sound and not any(x == y for x, y in zip(again, other))
        for line in map(json.loads, first):
            t_us = np.array(line["t_us"])
            sound = sound and (np.diff(t_us) > 0).all() and t_us[0] >= 0 and t_us.size == len(line["counts"])
            if effect == "droop" and line["kind"] != "rest":
                p = (np.array(line["counts"])[t_us > 10_000_000] - line["zero_counts"]) * line["pa_per_count"]
                sound = sound and 5e3 < line["target_pa"] - p.max() < 45e3
        yield f"same seed, same trace; other seed, other trace; shape: {effect}", float(not sound), 0


def check():
    failed = 0
    for name, error, allowed in (*physics.checks(), *checks()):
        bad = not abs(error) <= allowed
        failed += bad
        print(f"{'FAILED' if bad else 'ok':7} {name}: {error:.2g} of {allowed:.2g}")
    print(f"{failed} failed" if failed else "all hold")
    return int(failed > 0)


def main():
    parser = argparse.ArgumentParser(description="Traces of a far side under other physics, as JSON Lines.")
    parser.add_argument("effect", nargs="?", choices=EFFECTS)
    parser.add_argument("--benches", type=int, default=1)
    parser.add_argument("--valves", type=int, default=4)
    parser.add_argument("--blanks", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, default=50.0, help="Hz of blanks and tests; slow12 draws its own")
    parser.add_argument("--rest-hours", type=float, default=2.0, help="0 leaves the rest trace out")
    parser.add_argument("--large", action="store_true", help="leaks of 10 and 40 limits")
    parser.add_argument("--table", action="store_true")
    parser.add_argument("--check", action="store_true")
    a = parser.parse_args()
    if a.check:
        return check()
    if a.table:
        return table([a.effect] if a.effect else EFFECTS, a.seed)
    if a.effect is None:
        parser.error("an effect, --table or --check")
    for line in traces(a.effect, a.benches, a.valves, a.blanks, a.seed, a.rate, a.large, a.rest_hours * 3600):
        sys.stdout.write(json.dumps(line, separators=(",", ":")) + "\n")
    return None


if __name__ == "__main__":
    sys.exit(main())
