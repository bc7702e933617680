"""Gas, wall and leaks of the other plant: what other_plant.py integrates.

SI units throughout. (M) marks a formula from memory or textbook, (J) a choice that is our judgement.
"""

import math
from types import SimpleNamespace

import numpy as np
from scipy.integrate import solve_ivp

R = 8.314462618  # J/(mol K), exact since the SI of 2019
MOLAR_MASS = 28.9647e-3  # kg/mol, dry air (M)
CV_IDEAL = 20.77  # J/(mol K), air near 293 K (M); constant, since it changes by under 0.1 % over 20 K
GAMMA = (CV_IDEAL + R) / CV_IDEAL
NOMINAL_K = 293.15
TARGET_PA = 600e3  # gauge
AMBIENT_PA = 101325.0
REFERENCE_PA = TARGET_PA + AMBIENT_PA
# Pseudo-critical point of air (M).
CRITICAL_K, CRITICAL_PA, ACENTRIC = 132.5, 3.786e6, 0.035
# PTFE: conductivity W/(m K), volumetric heat J/(m3 K) (M: data sheets give 0.24-0.27, 2200 kg/m3 and 1000 J/(kg K)).
PTFE_W_M_K, PTFE_J_M3_K = 0.25, 2.2e6
METAL_J_M3_K = 3.6e6  # brass and steel lie within a tenth of this (M)
SLAB_CELLS, SLAB_GROWTH = 16, 1.1  # thin cells at the gas, where the fast part of the heat goes (J)
JET = 5.0  # how much faster the film is at the mean flow of filling (J)


class Gas:
    """Air as p = R T d (1 + B(T) d), d in mol/m3. `real=False` leaves B out.

    B(T) by Abbott's formula in Smith, Van Ness & Abbott, Introduction to Chemical Engineering Thermodynamics (M, seen
    second-hand). Energy and heat capacity follow from it by (du/dv)_T = T (dp/dT)_v - p (M).
    """

    def __init__(self, real=True):
        self.scale = R * CRITICAL_K / CRITICAL_PA if real else 0.0

    def virial(self, kelvin):
        """B, T dB/dT and T2 d2B/dT2, in m3/mol."""
        reduced = kelvin / CRITICAL_K
        simple = self.scale * 0.422 * reduced**-1.6
        bent = self.scale * ACENTRIC * 0.172 * reduced**-4.2
        constant = self.scale * (0.083 + ACENTRIC * 0.139)
        return constant - simple - bent, 1.6 * simple + 4.2 * bent, -1.6 * 2.6 * simple - 4.2 * 5.2 * bent

    def pressure(self, density, kelvin):
        return R * kelvin * density * (1 + self.virial(kelvin)[0] * density)

    def density(self, pascal, kelvin):
        x = pascal / (R * kelvin)
        # The root of d + B d2 = x, written so that B = 0 is no special case.
        return 2 * x / (1 + math.sqrt(1 + 4 * self.virial(kelvin)[0] * x))

    def energy(self, density, kelvin):
        return CV_IDEAL * kelvin - R * kelvin * self.virial(kelvin)[1] * density

    def heat_capacity(self, density, kelvin):
        _, first, second = self.virial(kelvin)
        return CV_IDEAL - R * density * (2 * first + second)

    def enthalpy(self, density, kelvin):
        return self.energy(density, kelvin) + self.pressure(density, kelvin) / density


class Wall:
    """Bare metal, and beside it a PTFE slab on the same metal; the metal is one lump that meets the room.

    The slab is a chain of cells by finite volumes. Its time constant is that of its slowest mode with one face held:
    4 L2 / (pi2 a) (Carslaw & Jaeger, M), from which the thickness follows.
    """

    def __init__(self, area, liner_share, liner_tau, body_j_k, room_w_k, cells=SLAB_CELLS, growth=SLAB_GROWTH):
        diffusivity = PTFE_W_M_K / PTFE_J_M3_K
        self.thickness = math.pi / 2 * math.sqrt(diffusivity * liner_tau)
        widths = growth ** np.arange(cells)
        widths *= self.thickness / widths.sum()
        self.bare = area * (1 - liner_share)
        self.lined = area * liner_share
        self.body_j_k, self.room_w_k = body_j_k, room_w_k
        self.cell_j_k = (self.lined * PTFE_J_M3_K * widths).tolist()
        half = widths / (2 * PTFE_W_M_K)  # m2 K/W
        self.first_half = float(half[0])
        inner = self.lined / (half[:-1] + half[1:])
        self.links = [*inner.tolist(), float(self.lined / half[-1])]

    def rates(self, gas_k, film, body_k, cells):
        """Watts from the gas into the liner, watts from the liner into the body, and K/s of each cell."""
        entering = flow = self.lined * (gas_k - cells[0]) / (1 / film + self.first_half) if film else 0.0
        rates = []
        beyond = [*cells[1:], body_k]
        for here, after, link, heat in zip(cells, beyond, self.links, self.cell_j_k):
            out = link * (here - after)
            rates.append((flow - out) / heat if heat else 0.0)
            flow = out
        return entering, flow, rates


def choked_psi(ratio):
    """Flow function of Saint-Venant and Wantzel (M); `ratio` is downstream over upstream, absolute."""
    critical = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))
    r = max(ratio, critical)
    if r >= 1:
        return 0.0
    return math.sqrt(2 * GAMMA / (GAMMA - 1) * (r ** (2 / GAMMA) - r ** ((GAMMA + 1) / GAMMA)))


# What `leak` becomes: a conductance such that at the reference pressure and 293.15 K the law gives just that leak.
CHOKED_REFERENCE = REFERENCE_PA * choked_psi(AMBIENT_PA / REFERENCE_PA) / math.sqrt(MOLAR_MASS * R * NOMINAL_K)
VISCOUS_REFERENCE = REFERENCE_PA**2 - AMBIENT_PA**2


def orifice(leak, up, down, kelvin):
    """mol/s through a hole; Saint-Venant and Wantzel, no discharge coefficient of its own."""
    flow = up * choked_psi(down / up) / math.sqrt(MOLAR_MASS * R * kelvin)
    return leak / (R * NOMINAL_K) * flow / CHOKED_REFERENCE


def viscous(leak, up, down, kelvin):
    """mol/s through a long narrow path: Poiseuille for a gas at constant temperature, p2 - pa2 (M).

    Viscosity goes as T to the 0.7, molar volume as T (M).
    """
    return leak / (R * NOMINAL_K) * (up * up - down * down) / VISCOUS_REFERENCE * (NOMINAL_K / kelvin) ** 1.7


LAWS = {"orifice": orifice, "viscous": viscous}


def volume(case, t):
    """Far volume and its rate: the ball's shift as the supply side vents, and creep of the seat in log time.

    c log10(1 + t/t0) is the usual law of primary creep of PTFE under constant load (M).
    """
    x = t - case.vent_s
    if x <= 0:
        return case.volume, 0.0
    fading = case.shift_m3 * math.exp(-x / case.vent_tau)
    moved = case.shift_m3 - fading + case.creep_m3 * math.log10(1 + x / case.creep_t0)
    rate = fading / case.vent_tau + case.creep_m3 / (math.log(10) * (case.creep_t0 + x))
    return case.volume + moved, rate


def derivative(case, moles, filling, vented, open_share):
    """Right-hand side for one stretch without jumps. State: moles/`moles`, gas, body, thermometer, cells."""
    gas, wall, law = case.gas, case.wall, LAWS[case.law]
    # p' = k (P2 - p2) gives p = P tanh(k P t + ...), which from atmosphere is at 0.99 P after about 2.5 / (k P).
    fill_k = 2.5 / (REFERENCE_PA * case.fill_s) * case.volume / (R * NOMINAL_K)

    def rates(t, y):
        amount, kelvin, body, thermometer, *cells = y.tolist()
        amount *= moles
        vol, grows = volume(case, t)
        d = amount / vol
        b, first, second = gas.virial(kelvin)
        p = R * kelvin * d * (1 + b * d)
        u = CV_IDEAL * kelvin - R * kelvin * first * d
        cv = CV_IDEAL - R * d * (2 * first + second)
        inflow = gained = jet = 0.0
        if filling:
            up = case.supply_pa(t)
            inflow = fill_k * (up * up - p * p)
            source = gas.enthalpy(gas.density(up, case.supply_k), case.supply_k) if inflow > 0 else u + p / d
            gained = inflow * source
            jet = JET * abs(inflow) * case.fill_s / moles
        outflow = viscous(case.rig_leak, p, AMBIENT_PA, body) if case.rig_leak else 0.0
        if vented and open_share and case.leak:
            down = AMBIENT_PA + TARGET_PA * math.exp(-(t - case.vent_s) / case.vent_tau)
            # Gas in a narrow path has the metal's temperature, gas in a hole its own.
            outflow += open_share * law(case.leak, p, down, kelvin if case.law == "orifice" else body)
        # Natural convection in the laminar range: film as the fourth root of the difference (McAdams, M) above a floor
        # of conduction. The share of each is (J).
        film_bare = case.film * (1 + 0.5 * math.sqrt(math.sqrt(abs(kelvin - body))) + jet)
        film_lined = case.film * (1 + 0.5 * math.sqrt(math.sqrt(abs(kelvin - cells[0]))) + jet)
        into_liner, into_body, cell_rates = wall.rates(kelvin, film_lined, body, cells)
        bare = film_bare * wall.bare * (kelvin - body)
        # First law of an open, moving volume (M): dU = h_in dn_in - h dn_out - p dV - dQ.
        moles_rate = inflow - outflow
        heat = gained - outflow * (u + p / d) - p * grows - bare - into_liner
        density_rate = (moles_rate - d * grows) / vol
        kelvin_rate = (heat - u * moles_rate + amount * R * kelvin * first * density_rate) / (amount * cv)
        body_rate = (bare + into_body - wall.room_w_k * (body - case.room_k(t))) / wall.body_j_k
        return [moles_rate / moles, kelvin_rate, body_rate, (body - thermometer) / case.lag_s, *cell_rates]

    return rates


def run(case, times, rtol=1e-9):
    """Fills, soaks, shuts in at 0 and vents; the state at `times` as a dict of arrays."""
    times = np.asarray(times, dtype=float)
    begin = -(case.fill_s + case.soak_s)
    moles = case.gas.density(REFERENCE_PA, NOMINAL_K) * case.volume
    cells = len(case.wall.cell_j_k)
    start = case.gas.density(AMBIENT_PA, case.start_k) * case.volume / moles
    y = np.array([start] + [case.start_k] * (3 + cells))
    end = times[-1]
    # Every jump begins a new stretch, so that no step of the solver straddles one.
    jumps = {begin, 0.0, case.vent_s, *(edge for edge, _ in case.gate)}
    edges = [t for t in sorted(jumps) if t < end] + [end]
    kept = []
    for a, b in zip(edges[:-1], edges[1:]):
        share = next((s for edge, s in reversed(case.gate) if edge <= a), 1.0)
        inside = times[(times >= a) & (times < b)]
        solved = solve_ivp(
            derivative(case, moles, a < 0, a >= case.vent_s, share), (a, b), y, method="LSODA",
            t_eval=np.append(inside, b), rtol=rtol, atol=rtol * 1e-1,
        )
        if not solved.success:
            raise RuntimeError(solved.message)
        kept.append(solved.y[:, :-1])
        y = solved.y[:, -1]
    state = np.hstack([*kept, y[:, None]])
    vol = np.array([volume(case, t)[0] for t in times.tolist()])
    amount = state[0] * moles
    return {
        "moles": amount, "gas_k": state[1], "body_k": state[2], "thermometer_k": state[3], "cells_k": state[4:],
        "volume": vol, "pascal": case.gas.pressure(amount / vol, state[1]),
    }


def bare_case(**changed):
    """A case without leak, heat or movement, for the checks to change."""
    still = Wall(1e-2, 0.0, 50.0, 1e9, 0.0)
    case = SimpleNamespace(
        gas=Gas(real=False), wall=still, volume=50e-6, fill_s=2.0, soak_s=10.0, vent_s=0.7, vent_tau=1e-6, shift_m3=0.0,
        creep_m3=0.0, creep_t0=1.0, film=0.0, law="viscous", leak=0.0, rig_leak=0.0, gate=[], lag_s=20.0,
        supply_k=NOMINAL_K, start_k=NOMINAL_K, supply_pa=lambda t: REFERENCE_PA, room_k=lambda t: NOMINAL_K,
    )
    vars(case).update(changed)
    return case


def stored_energy(case, ran):
    gas = ran["moles"] * case.gas.energy(ran["moles"] / ran["volume"], ran["gas_k"])
    return gas + case.wall.body_j_k * ran["body_k"] + np.array(case.wall.cell_j_k) @ ran["cells_k"]


def check_conservation():
    """An insulated rig: shut in it keeps moles and energy; filling brings n h; a moving seat takes the work p dV."""
    wall = Wall(1e-2, 0.5, 60.0, 40.0, 0.0)
    case = bare_case(gas=Gas(), wall=wall, film=15.0, supply_k=295.0)
    times = np.concatenate([[-12.0], np.linspace(0, 75, 200)])
    ran = run(case, times)
    energy = stored_energy(case, ran)
    heat = case.wall.body_j_k * (ran["body_k"][-1] - case.start_k)
    yield "moles, shut in", np.ptp(ran["moles"][1:]) / ran["moles"][1], 1e-12
    yield "energy, shut in, of the heat moved", np.ptp(energy[1:]) / heat, 1e-5
    source = case.gas.enthalpy(case.gas.density(REFERENCE_PA, 295.0), 295.0)
    brought = (ran["moles"][1] - ran["moles"][0]) * source
    yield "energy, filling, of what was brought", (energy[1] - energy[0]) / brought - 1, 1e-7
    moving = bare_case(gas=Gas(), wall=wall, film=15.0, creep_m3=2e-7, shift_m3=3e-7, vent_tau=0.2)
    ran = run(moving, np.linspace(0, 75, 40001))
    energy = stored_energy(moving, ran)
    work = np.sum((ran["pascal"][1:] + ran["pascal"][:-1]) / 2 * np.diff(ran["volume"]))
    yield "energy, seat moving, of the work", (energy[0] - energy[-1]) / work - 1, 1e-4


def check_gas():
    """Against CoolProp's figures in air_properties.csv; derivatives of B against differences."""
    gas = Gas()
    d = gas.density(700e3, NOMINAL_K)
    yield "Z at 700 kPa against CoolProp", 700e3 / (R * NOMINAL_K * d) / 0.9975213 - 1, 5e-4
    yield "cv at 700 kPa against CoolProp", gas.heat_capacity(d, NOMINAL_K) / (719.19524 * MOLAR_MASS) - 1, 2e-3
    step = 0.01
    low, mid, high = (gas.virial(NOMINAL_K + x) for x in (-step, 0, step))
    yield "T dB/dT", (high[0] - low[0]) / (2 * step) * NOMINAL_K / mid[1] - 1, 1e-6
    yield "T2 d2B/dT2", (high[0] - 2 * mid[0] + low[0]) / step**2 * NOMINAL_K**2 / mid[2] - 1, 1e-4
    before, after = gas.energy(d, NOMINAL_K - step), gas.energy(d, NOMINAL_K + step)
    yield "cv is du/dT", (after - before) / (2 * step) / gas.heat_capacity(d, NOMINAL_K) - 1, 1e-6
    ran = run(bare_case(), [0.0])
    # Adiabatic filling of a vessel that holds gas (first law, derivable): T = g Ts / (1 + (p0/p) (g Ts/T0 - 1)).
    wanted = GAMMA * NOMINAL_K / (1 + AMBIENT_PA / ran["pascal"][0] * (GAMMA - 1))
    yield "temperature after adiabatic filling", ran["gas_k"][0] / wanted - 1, 1e-8


def check_leaks():
    """Closed forms; the metal holds the gas at its temperature, or no film at all isolates it."""
    times = np.linspace(1, 75, 75)
    leak, v = 0.06, 50e-6
    cold = {"film": 3e5, "start_k": NOMINAL_K, "leak": leak}
    p = run(bare_case(law="viscous", **cold), times)["pascal"]
    # p' = -k (p2 - pa2): p = pa coth(k pa t + const).
    k = leak / (v * VISCOUS_REFERENCE)
    at = np.arctanh(AMBIENT_PA / p[0]) + k * AMBIENT_PA * (times - times[0])
    yield "viscous leak at constant temperature", np.max(np.abs(p * np.tanh(at) / AMBIENT_PA - 1)), 1e-6
    p = run(bare_case(law="orifice", **cold), times)["pascal"]
    choked = p > AMBIENT_PA / 0.53
    fall = np.exp(-leak / (v * REFERENCE_PA) * (times - times[0]))
    yield "choked orifice at constant temperature", np.max(np.abs(p / (p[0] * fall) - 1)[choked]), 1e-6
    ran = run(bare_case(law="orifice", leak=leak), times)
    expected = (ran["pascal"] / ran["pascal"][0]) ** ((GAMMA - 1) / GAMMA)
    yield "orifice without heat is isentropic", np.max(np.abs(ran["gas_k"] / ran["gas_k"][0] / expected - 1)), 1e-6
    for name, law in LAWS.items():
        flow = law(leak, REFERENCE_PA, AMBIENT_PA, NOMINAL_K) * R * NOMINAL_K
        yield f"{name}: leak at the reference", flow / leak - 1, 1e-12


def check_wall_and_creep():
    """A slab with both faces stepped, against the series for its mean (Carslaw & Jaeger, M); log creep."""
    for cells, growth, tolerance in ((SLAB_CELLS, SLAB_GROWTH, 1.5e-2), (80, 1.0, 3e-4)):
        wall = Wall(1e-2, 1.0, 60.0, 1.0, 0.0, cells, growth)
        times = np.array([2.0, 5.0, 10.0, 20.0, 40.0])
        solved = solve_ivp(lambda t, y, w=wall: w.rates(1.0, 1e9, 1.0, y.tolist())[2], (0, 40), np.zeros(cells),
                           method="LSODA", t_eval=times, rtol=1e-9, atol=1e-11)
        mean = np.array(wall.cell_j_k) @ solved.y / sum(wall.cell_j_k)
        odd = np.arange(1, 400, 2)[:, None]
        # With both faces held, modes are four times as fast as with one.
        series = 1 - np.sum(8 / (math.pi * odd) ** 2 * np.exp(-odd**2 * times * 4 / 60.0), axis=0)
        yield f"slab of {cells} cells against its series", np.max(np.abs(mean - series)), tolerance
    case = bare_case(creep_m3=1e-8, shift_m3=2e-8, vent_tau=0.2)
    for t in (0.8, 5.0, 60.0):
        step = 1e-4
        slope = (volume(case, t + step)[0] - volume(case, t - step)[0]) / (2 * step)
        yield f"rate of creep at {t} s", slope / volume(case, t)[1] - 1, 1e-5
    decade = volume(case, 0.7 + 999.0)[0] - volume(case, 0.7 + 99.0)[0]
    yield "creep of a decade", decade / 1e-8 - 1, 1e-6


def checks():
    """Name, error and the largest error allowed."""
    for group in (check_gas, check_conservation, check_leaks, check_wall_and_creep):
        yield from group()
