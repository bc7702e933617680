//! The integrator: its order, its dense output, and the network's Jacobian.

use seathold_sim::arrow::Arrow;
use seathold_sim::config::{LeakSpec, RawPlant};
use seathold_sim::flow::Leak;
use seathold_sim::network::{CREEP, Controls, HOSE, N, NODES, Network, Node, Parameters};
use seathold_sim::plant::Plant;
use seathold_sim::rodas::{Dense, DenseStep, Factors, Rodas, System};

/// `y0' = cos t · y0`, `y1' = −1000 (y1 − sin t) + cos t`: a smooth non-linear-in-time equation beside a stiff one,
/// with `y0 = exp(sin t)` and `y1 = sin t` (the second is Prothero and Robinson's problem).
struct Known([f64; 2]);

impl System<2> for Known {
    type Factors = Dense<2>;

    fn rate(&self, t: f64, y: &[f64; 2], f: &mut [f64; 2]) -> bool {
        *f = [t.cos() * y[0], -1000.0 * (y[1] - t.sin()) + t.cos()];
        true
    }

    fn slopes(&self, t: f64, y: &[f64; 2], f: &mut [f64; 2], jac: &mut [[f64; 2]; 2], dfdt: &mut [f64; 2]) -> bool {
        *jac = [[t.cos(), 0.0], [0.0, -1000.0]];
        *dfdt = [-t.sin() * y[0], 1000.0 * t.cos() - t.sin()];
        self.rate(t, y, f)
    }

    fn is_physical(&self, y: &[f64; 2]) -> bool {
        y.iter().all(|v| v.is_finite())
    }

    fn abs_tol(&self) -> &[f64; 2] {
        &self.0
    }
}

/// Errors at the end and worst within, with steps of one length.
fn errors(h: f64) -> (f64, f64) {
    let system = Known([1e9; 2]);
    let mut solver = Rodas::new(1e9, h, h);
    let mut step = DenseStep::still(0.0, [1.0, 0.0]);
    let mut inside = 0.0_f64;
    while step.end() < 2.0 - 1e-9 {
        solver.step(&system, &mut step, 2.0);
        for k in 1..10 {
            let s = f64::from(k) / 10.0;
            let exact = (step.t0 + s * step.h).sin().exp();
            inside = inside.max((step.component(0, s) - exact).abs());
        }
    }
    ((step.y1[0] - 2.0_f64.sin().exp()).abs(), inside)
}

#[test]
fn order_four_at_the_steps_and_three_between_them() {
    let (coarse, fine) = (errors(0.05), errors(0.025));
    let order = (coarse.0 / fine.0).log2();
    let dense = (coarse.1 / fine.1).log2();
    assert!(order > 3.7, "order {order:.2} at the steps");
    // A cubic through a step is off by h⁴ within it.
    assert!(dense > 3.5, "order {dense:.2} within");
}

#[test]
fn a_component_a_thousand_times_faster_than_the_step_stays_on_its_curve() {
    let system = Known([1e-6; 2]);
    let mut solver = Rodas::new(1e-5, 0.5, 0.1);
    let mut step = DenseStep::still(0.0, [1.0, 0.0]);
    while step.end() < 20.0 {
        solver.step(&system, &mut step, 20.0);
        let error = step.y1[1] - step.end().sin();
        assert!(error.abs() < 1e-4, "{error} at {}", step.end());
    }
    // An explicit method of order 4 would need more than 20 × 1000 / 2.8 = 7100 steps to stay stable.
    assert!(solver.stats.steps < 1_500, "{:?}", solver.stats);
}

/// A plant with every path open a little, so that every term of the Jacobian counts.
fn everything() -> Plant {
    let path = |rate| LeakSpec { rate, orifice: 0.4 };
    let raw = RawPlant {
        seat_a: path(2e-2),
        seat_b: path(3e-2),
        stem: path(1e-2),
        joint_a: path(4e-2),
        joint_b: path(5e-2),
        joint_load: 0.6,
        rig_leak: path(1e-2),
        supply_passing: path(2e-2),
        creep_m3: 1e-7,
        room_drift_k_s: 1e-3,
        ..RawPlant::DEMO
    };
    Plant::new(&raw.validate().expect("valid"), 0)
}

/// Line, cavity and far side at these pressures (Pa) and temperatures (K); supply and vent; ball and its speed.
type Case = ([f64; 3], [f64; 3], bool, bool, (f64, f64));

const CASES: [Case; 6] = [
    ([150e3, 400e3, 690e3], [280.0, 300.0, 320.0], true, true, (0.5, 1.0)),
    ([690e3, 400e3, 150e3], [280.0, 300.0, 320.0], false, true, (0.2, 3.0)),
    ([690e3, 689.8e3, 689.6e3], [290.0, 300.0, 310.0], true, false, (0.9, -2.0)),
    ([101.4e3, 600e3, 600.2e3], [250.0, 300.0, 293.0], false, true, (0.0, 0.0)),
    ([690e3, 600e3, 700e3], [293.0, 300.0, 293.0], true, false, (0.0, 0.0)),
    ([120e3, 110e3, 111e3], [293.0, 350.0, 300.0], false, false, (1.0, 0.0)),
];

fn state(parameters: &Parameters, (pressures, temperatures, ..): &Case) -> [f64; N] {
    let mut y = [0.0; N];
    y[HOSE] = 5e-3 * 0.8;
    y[CREEP] = 0.3;
    for (i, node) in NODES.into_iter().enumerate() {
        let volume = parameters.volume[i] + if node == Node::Far { parameters.creep * 0.3 } else { 0.0 };
        y[node.mass()] = pressures[i] * volume / (287.05 * temperatures[i]);
        y[node.energy()] = pressures[i] * volume / 0.4;
        y[node.wall()] = 290.0 + i as f64;
    }
    y
}

/// For steps from a nanosecond to the longest: the structured solution solves all eleven equations, to rounding.
#[test]
fn the_structured_solver_solves_the_equations() {
    let plant = everything();
    let (parameters, base) = (*plant.equations().parameters, *plant.equations().controls);
    for case in &CASES {
        let (_, _, supply_open, vent_open, ball) = *case;
        let controls = Controls { supply_open, vent_open, ball, ..base };
        let network = Network::new(&parameters, &controls);
        let y = state(&parameters, case);
        let (mut f, mut jac, mut dfdt) = ([0.0; N], [[0.0; N]; N], [0.0; N]);
        assert!(network.slopes(0.0, &y, &mut f, &mut jac, &mut dfdt));
        for h in [1e-9, 1e-6, 1e-3, 1.0, 20.0] {
            let shift = 4.0 / h;
            let mut factors = Arrow::EMPTY;
            assert!(factors.factor(&jac, shift));
            for column in 0..N {
                // Each variable in turn, and all of them.
                let mut one = [0.0; N];
                one[column] = y[column];
                for b in [one, y] {
                    let mut x = b;
                    factors.solve(&mut x);
                    let error = residual(&jac, shift, &x, &b);
                    assert!(error < 1e-14, "h {h:e}: {error:e}");
                }
            }
        }
    }
}

/// Residual of `(shift·I − J) x = b`, worst row, as a share of the largest terms that cancel in it: the backward error,
/// which is a few units of rounding for a stable elimination (Higham, *Accuracy and Stability of Numerical Algorithms*,
/// 2nd ed., theorem 7.3; from memory).
fn residual(jac: &[[f64; N]; N], shift: f64, x: &[f64; N], b: &[f64; N]) -> f64 {
    let row = |i: usize| {
        let terms = (0..N).map(|j| (if i == j { shift - jac[i][i] } else { -jac[i][j] }) * x[j]);
        let (sum, size) = terms.fold((-b[i], b[i].abs()), |(s, a), t| (s + t, a + t.abs()));
        if size == 0.0 { 0.0 } else { sum.abs() / size }
    };
    (0..N).map(row).fold(0.0, f64::max)
}

#[test]
fn the_jacobian_is_the_slope_of_the_rates() {
    let plant = everything();
    let network = plant.equations();
    let base = *network.controls;
    for case in &CASES {
        let (pressures, _, supply_open, vent_open, ball) = *case;
        let controls = Controls { supply_open, vent_open, ball, ..base };
        let network = Network::new(network.parameters, &controls);
        let y = state(network.parameters, case);
        let (mut f, mut jac, mut dfdt) = ([0.0; N], [[0.0; N]; N], [0.0; N]);
        assert!(network.slopes(0.0, &y, &mut f, &mut jac, &mut dfdt));
        let rate = |t: f64, y: &[f64; N]| {
            let mut f = [0.0; N];
            assert!(network.rate(t, y, &mut f));
            f
        };
        assert_eq!(f, rate(0.0, &y), "with and without slopes");
        let compare = |what: String, ours: f64, up: f64, down: f64, d: f64, (relative, size): (f64, f64)| {
            let numeric = (up - down) / (2.0 * d);
            let allowed = relative * numeric.abs() + 1e-8 * size;
            assert!((ours - numeric).abs() <= allowed, "{what}: ours {ours:e}, numeric {numeric:e}, {pressures:?}");
        };
        for column in 0..N {
            let d = 1e-6 * y[column].abs();
            let moved = |by: f64| {
                let mut y = y;
                y[column] += by;
                rate(0.0, &y)
            };
            let (up, down) = (moved(d), moved(-d));
            for row in 0..N {
                // Rounding error of a difference of the rates.
                let size = (2e-6, f[row].abs().max(1e-6) / d * 1e-2);
                compare(format!("∂f{row}/∂y{column}"), jac[row][column], up[row], down[row], d, size);
            }
        }
        // Against time: the ball, and the walls' room. The drift of the room in inflowing air and in the hose is
        // omitted from ∂f/∂t on purpose (a millikelvin a second at most), so it is switched off for the other rows.
        for drifts in [true, false] {
            let controls = Controls { room: (293.15, if drifts { 1e-3 } else { 0.0 }), ..controls };
            let network = Network::new(network.parameters, &controls);
            assert!(network.slopes(0.0, &y, &mut f, &mut jac, &mut dfdt));
            let [up, down] = [1e-6, -1e-6].map(|t| {
                let mut f = [0.0; N];
                assert!(network.rate(t, &y, &mut f));
                f
            });
            let rows = if drifts { Node::Line.wall()..Node::Far.wall() + 1 } else { 0..N };
            for row in rows {
                let size = (2e-5, f[row].abs().max(1e-6) * 1e-2);
                compare(format!("∂f{row}/∂t"), dfdt[row], up[row], down[row], 1e-6, size);
            }
        }
    }
}

#[test]
fn a_leak_is_the_sum_of_its_parts() {
    let both = Leak::stated(1e-3, 0.25);
    let parts = Leak::stated(7.5e-4, 0.0).and(Leak::stated(2.5e-4, 1.0));
    assert!((both.viscous / parts.viscous - 1.0).abs() < 1e-12);
    assert!((both.orifice / parts.orifice - 1.0).abs() < 1e-12);
    assert!(Leak::stated(0.0, 0.5).is_none());
}
