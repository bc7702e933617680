//! The plant's physics against outside references. Each check names its source and argues its tolerance; confidence
//! marks are those of `tests/reference/README.md` (S seen in the source, S2 seen second-hand, C computed with the named
//! library, M from memory).

use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sim::config::RawPlant;
use seathold_sim::flow::{End, Leak, Passage, viscous};
use seathold_sim::gas;
use seathold_sim::network::{CREEP, Controls, HOSE, N, NODES, Network, Node, Parameters};
use seathold_sim::plant::Plant;
use seathold_sim::rodas::{DenseStep, Rodas};

const ROOM: f64 = 293.15;
const ATMOSPHERE: f64 = 101_325.0;

fn rows(file: &str) -> Vec<Vec<String>> {
    let path = format!("{}/reference/{file}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    text.lines().skip(1).map(split).collect()
}

/// Cells of a line; a quoted cell may hold commas.
fn split(line: &str) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => cells.push(String::new()),
            c => cells.last_mut().expect("one at least").push(c),
        }
    }
    cells
}

fn number(text: &str) -> f64 {
    text.trim().split(' ').next().and_then(|t| t.parse().ok()).unwrap_or_else(|| panic!("not a number: {text}"))
}

fn near(what: &str, ours: f64, theirs: f64, relative: f64) {
    let off = (ours / theirs - 1.0).abs();
    println!("{what}: ours {ours:.9e}, theirs {theirs:.9e}, off {off:.1e} (allowed {relative:.0e})");
    assert!(off <= relative, "{what}: ours {ours}, theirs {theirs}, off {off:e}, allowed {relative:e}");
}

/// A plant's equations, to be bent into a test case.
fn case() -> (Parameters, Controls) {
    let spec = RawPlant::DEMO.validate().expect("valid");
    let plant = Plant::new(&spec, 0);
    let network = plant.equations();
    let (mut layout, mut drive) = (*network.parameters, *network.controls);
    layout.creep = 0.0;
    layout.lift = 0.0;
    drive.vent_open = false;
    for leak in [
        &mut drive.passing,
        &mut drive.line_seat,
        &mut drive.far_seat,
        &mut drive.cavity_leak,
        &mut drive.line_joint,
        &mut drive.far_joint,
        &mut drive.rig_leak,
    ] {
        *leak = Leak::default();
    }
    for wall in &mut layout.wall {
        // No heat, unless a case asks for it.
        wall.film = 0.0;
        wall.room = 0.0;
    }
    (layout, drive)
}

/// Every node at the same pressure and room temperature.
fn still(layout: &Parameters, pressure: f64, hose: f64) -> [f64; N] {
    let mut y = [0.0; N];
    y[HOSE] = gas::mass(hose, layout.hose, ROOM);
    for node in NODES {
        let volume = layout.volume[node.index()];
        y[node.wall()] = ROOM;
        y[node.mass()] = gas::mass(pressure, volume, ROOM);
        y[node.energy()] = gas::energy(pressure, volume);
    }
    y[CREEP] = 0.0;
    y
}

fn run(layout: &Parameters, drive: &Controls, y: [f64; N], seconds: f64, tolerance: f64) -> [f64; N] {
    let network = Network::new(layout, drive);
    let mut solver = Rodas::new(tolerance, 10.0, 1e-6);
    let mut span = DenseStep::still(0.0, y);
    while span.end() < seconds {
        solver.step(&network, &mut span, seconds);
    }
    assert_eq!(solver.stats.forced, 0);
    span.y1
}

fn tight_floor(layout: &mut Parameters, tolerance: f64) {
    let spec = RawPlant { tolerance, ..RawPlant::DEMO }.validate().expect("valid");
    layout.abs_tol = Plant::new(&spec, 0).equations().parameters.abs_tol;
}

#[test]
fn critical_ratio_and_choked_flow_are_those_of_gas_dynamics() {
    // (2/(γ+1))^(γ/(γ−1)); `fluids` 1.3.1: P_critical_flow(7e5, 1.4) = 369797.2514020219 (C). Exact but for rounding.
    near("critical ratio", Passage::ORIFICE_B, 369_797.251_402_021_9 / 7e5, 1e-12);
    let orifice = Passage::new(Passage::ORIFICE_B);
    // The same hole as sonic conductance: 1 mm², discharge coefficient 1, R 287.05, ρ0 1.185 (C, ten digits).
    let c = 1.991_948_952e-9;
    let mut points = 0;
    for row in rows("flow_reference.csv").iter().filter(|r| r[0] == "ideal_nozzle") {
        let (p1, p2, t1, q) = (number(&row[5]), number(&row[6]), number(&row[7]), number(&row[8]));
        let ours = c * orifice.flow::<false>(End { p: p1, t: t1 }, End { p: p2, t: ROOM }).mass;
        // Choked: ten digits of C. Subsonic: ISO 6358's ellipse is an approximation of the nozzle's curve; with the
        // nozzle's own b it lies up to 0.3 % below it.
        let allowed = if p2 / p1 <= Passage::ORIFICE_B { 1e-9 } else { 3.5e-3 };
        near(&format!("nozzle {p1} to {p2} Pa"), ours, q, allowed);
        points += 1;
    }
    assert_eq!(points, 10);
}

#[test]
fn valves_follow_iso_6358() {
    // ISO 6358-1 formula, points computed independently (C), formula seen second-hand (S2). The same arithmetic in
    // another order: a few units in the last place.
    let mut points = 0;
    for row in rows("flow_reference.csv").iter().filter(|r| r[0] == "iso6358") {
        let (c, b) = (number(&row[3]), number(&row[4]));
        let (p1, p2, t1, q) = (number(&row[5]), number(&row[6]), number(&row[7]), number(&row[8]));
        let (up, down) = (End { p: p1, t: t1 }, End { p: p2, t: ROOM });
        let valve = Passage::new(b);
        near(&format!("C {c:e} b {b} {p2} Pa {t1} K"), c * valve.flow::<false>(up, down).mass, q, 1e-12);
        // And the other way round.
        near("reversed", -c * valve.flow::<false>(down, up).mass, q, 1e-12);
        points += 1;
    }
    assert_eq!(points, 42);
}

#[test]
fn fine_leaks_follow_the_laminar_capillary() {
    // Q = π d⁴/(256 μ L)·(p1² − p2²), compressible Poiseuille flow (textbook, M, derivable; points C).
    let (d, l, mu) = (1e-5_f64, 5e-3, 1.83e-5);
    let k = std::f64::consts::PI * d.powi(4) / (256.0 * mu * l);
    let mut points = 0;
    for row in rows("flow_reference.csv").iter().filter(|r| r[0].starts_with("laminar")) {
        let (p1, p2, q) = (number(&row[5]), number(&row[6]), number(&row[8]));
        let ours = k * viscous::<false>(End { p: p1, t: ROOM }, End { p: p2, t: ROOM }).mass;
        near(&format!("capillary {p1} to {p2} Pa"), ours, q, 1e-12);
        points += 1;
    }
    assert_eq!(points, 3);
    // A leak has its stated size at the stated pressures, whatever its kind, and each kind its own law elsewhere.
    let ends = |p: f64| (End { p, t: ROOM }, End { p: ATMOSPHERE, t: ROOM });
    let rate = |orifice: f64, p: f64| {
        let mut flow = Default::default();
        let (inside, room) = ends(p);
        Leak::stated(1e-3, orifice).add_to::<false>(&mut flow, &Passage::new(Passage::ORIFICE_B), inside, room);
        flow.mass * gas::R * ROOM
    };
    for orifice in [0.0, 0.3, 1.0] {
        near("stated leak", rate(orifice, 701_325.0), 1e-3, 1e-12);
    }
    let viscous_law = (501_325.0_f64.powi(2) - ATMOSPHERE.powi(2)) / (701_325.0_f64.powi(2) - ATMOSPHERE.powi(2));
    near("viscous at 4 bar", rate(0.0, 501_325.0), 1e-3 * viscous_law, 1e-12);
    near("orifice at 4 bar", rate(1.0, 501_325.0), 1e-3 * 501_325.0 / 701_325.0, 1e-12);
}

#[test]
fn filling_an_adiabatic_vessel_ends_at_the_closed_form_temperature() {
    // Ideal gas from a line at constant state: T2 = p2/(p1/T1 + (p2 − p1)/(γ T_L)) (Moran & Shapiro; Çengel & Boles; M,
    // derivable; points C). Real air by CoolProp 8.0.0 (C) is up to 1.1 K lower: the error of the ideal gas.
    let mut ideal = 0;
    for row in rows("fill_temperature.csv") {
        let (p1, p2, t1, tl, t2) =
            (number(&row[1]), number(&row[2]), number(&row[3]), number(&row[4]), number(&row[5]));
        if p1 == 0.0 {
            continue;
        }
        let (mut layout, mut drive) = case();
        tight_floor(&mut layout, 1e-8);
        // A hose so large, and a regulator so stiff, that the line it makes stands still.
        layout.hose = 1e3;
        drive.regulator_set = p2;
        drive.room.0 = tl;
        drive.supply_open = true;
        let mut y = still(&layout, p1, p2);
        y[HOSE] = gas::mass(p2, layout.hose, tl);
        y[Node::Line.mass()] = gas::mass(p1, layout.volume[0], t1);
        y = run(&layout, &drive, y, 5.0, 1e-8);
        let line = layout.end(&y, Node::Line);
        near("filled to", line.p, p2, 1e-6);
        if row[0].starts_with("ideal") {
            near(&format!("{p1} to {p2} Pa, K"), line.t, t2, 1e-6);
            ideal += 1;
        } else {
            println!("real air {t2:.3} K, ours {:.3} K", line.t);
            assert!((line.t - t2).abs() < 1.2, "real air {t2} K, ours {} K", line.t);
        }
    }
    assert_eq!(ideal, 6);
}

#[test]
fn an_adiabatic_vessel_blows_down_by_the_closed_form_choked_and_below() {
    // 0.1 L through 1 mm² from 700 kPa, without heat: while choked p = p0 (1 + (γ−1)/2·t/τ)^(−2γ/(γ−1)), T = T0 (1 + …)^−2,
    // τ = V/(A·0.68473…·√(R T0)) (derivable); below that ISO 6358's ellipse, by quadrature. Points by plant_gas.py,
    // where SciPy's integrator agrees within 3e-11 (C). What stays in the vessel has expanded isentropically all the
    // way. Tolerance of the run: 1e-10, a thousand steps long; ten digits of the hole's C.
    let (mut layout, mut drive) = case();
    tight_floor(&mut layout, 1e-10);
    layout.volume[2] = 1e-4;
    drive.far_joint = Leak { viscous: 0.0, orifice: 1.991_948_952e-9 };
    let y = still(&layout, 700_000.0, 700_000.0);
    let points = rows("plant_blow_down.csv");
    for row in &points {
        let (regime, t, p, kelvin) = (&row[0], number(&row[1]), number(&row[2]), number(&row[3]));
        let ours = layout.end(&run(&layout, &drive, y, t, 1e-10), Node::Far);
        near(&format!("{regime}, p({t:.4} s)"), ours.p, p, 1e-8);
        near(&format!("{regime}, T({t:.4} s)"), ours.t, kelvin, 1e-8);
    }
    assert_eq!(points.len(), 7);
}

#[test]
fn an_isothermal_vessel_blows_down_by_the_closed_form_when_subsonic() {
    // ISO 6358 with b = 0 is never choked: dp/dt = −k √(p² − pa²), so p = pa·cosh(arcosh(p0/pa) − k t) (derivable).
    // The film is fast but not infinite: 600 W of expansion over 1e8 W/K leave the gas a few µK behind the wall.
    let (mut layout, mut drive) = case();
    tight_floor(&mut layout, 1e-9);
    layout.wall[0].film = 1e8;
    layout.wall[0].capacity = 1e9;
    layout.vent = (Passage::new(0.0), 1e-8);
    drive.vent_open = true;
    let p0 = 600_000.0;
    let k = 1e-8 * gas::RHO_REF * gas::R * gas::T_REF / layout.volume[0];
    let y = still(&layout, p0, 700_000.0);
    for t in [0.005, 0.02, 0.04, 0.06] {
        let ours = layout.end(&run(&layout, &drive, y, t, 1e-9), Node::Line).p;
        near(&format!("p({t} s)"), ours, ATMOSPHERE * ((p0 / ATMOSPHERE).acosh() - k * t).cosh(), 1e-6);
    }
}

#[test]
fn an_isothermal_viscous_leak_decays_by_the_closed_form() {
    // dp/dt = −κ (p² − pa²), κ = K R T/V: (p − pa)/(p + pa) falls as exp(−2 pa κ t) (derivable). Film as
    // above.
    let (mut layout, mut drive) = case();
    tight_floor(&mut layout, 1e-9);
    layout.wall[2].film = 1e8;
    layout.wall[2].capacity = 1e9;
    drive.rig_leak = Leak::stated(2e-3, 0.0);
    let p0 = 700_000.0;
    let kappa = drive.rig_leak.viscous * gas::R * ROOM / layout.volume[2];
    let y = still(&layout, p0, 700_000.0);
    for t in [1.0, 60.0, 3_600.0, 100_000.0] {
        let ours = layout.end(&run(&layout, &drive, y, t, 1e-9), Node::Far).p;
        let ratio = (p0 - ATMOSPHERE) / (p0 + ATMOSPHERE) * (-2.0 * ATMOSPHERE * kappa * t).exp();
        near(&format!("p({t} s)"), ours, ATMOSPHERE * (1.0 + ratio) / (1.0 - ratio), 1e-7);
    }
}

#[test]
fn a_closed_system_keeps_its_mass_and_its_energy() {
    // First law, and nothing else: 1e-9 is asked for; linear invariants of a Rosenbrock method are kept to rounding.
    let (mut layout, mut drive) = case();
    for (i, wall) in layout.wall.iter_mut().enumerate() {
        wall.film = 0.3 + i as f64;
    }
    drive.line_seat = Leak::stated(1e-2, 0.5);
    drive.far_seat = Leak::stated(3e-3, 0.0);
    let total = |y: &[f64; N]| {
        let mass: f64 = NODES.iter().map(|node| y[node.mass()]).sum();
        let wall = |node: &Node| layout.wall[node.index()].capacity * y[node.wall()];
        let heat: f64 = NODES.iter().map(|node| y[node.energy()] + wall(node)).sum();
        (mass, heat)
    };
    let mut y = still(&layout, ATMOSPHERE, 700_000.0);
    // The far side full and hot, the cavity empty and cold.
    y[Node::Far.mass()] = gas::mass(700_000.0, layout.volume[2], 350.0);
    y[Node::Far.energy()] = gas::energy(700_000.0, layout.volume[2]);
    let before = total(&y);
    // The ball opens within half a second, stands open, and all comes to rest.
    drive.ball = (0.0, 2.0);
    y = run(&layout, &drive, y, 0.5, 1e-6);
    drive.ball = (1.0, 0.0);
    y = run(&layout, &drive, y, 1_000.0, 1e-6);
    let after = total(&y);
    near("mass", after.0, before.0, 1e-13);
    near("energy", after.1, before.1, 1e-13);
    let ends = [Node::Line, Node::Cavity, Node::Far].map(|n| layout.end(&y, n).p);
    near("line and far side even", ends[0], ends[2], 1e-5);
}

/// A vessel full of the room's air, opened to trapped gas: at room temperature again `p(V + Vk) = p0·V + pa·Vk` (Boyle's law for each part;
/// any textbook, derivable). Shut off, what is left keeps its pressure.
#[test]
fn a_vessel_opened_to_trapped_gas_shares_it_by_boyles_law() {
    let raw = RawPlant { creep_m3: 0.0, ..RawPlant::DEMO };
    let mut plant = Plant::new(&raw.validate().expect("valid"), 0);
    let (open, shut) = (GasValve::Open, GasValve::Shut);
    let mut now = 0u64;
    let mut hold = |plant: &mut Plant, supply, vent, pilot, seconds: u64| {
        plant.set(now, Outputs { supply, vent, pilot });
        for _ in 0..seconds * 100 {
            now += 10_000;
            plant.advance(now);
        }
        (now, plant.truth(now).far_gauge() + ATMOSPHERE)
    };
    // At rest it is no event.
    let (at, empty) = hold(&mut plant, shut, open, Pilot::Fed, 5);
    plant.open_vessel(at, 30e-6).expect("small enough");
    near("empty, opened", hold(&mut plant, shut, open, Pilot::Fed, 1).1, empty, 1e-6);
    let (at, _) = hold(&mut plant, shut, open, Pilot::Fed, 1);
    plant.open_vessel(at, 0.0).expect("none");
    let _ = hold(&mut plant, open, shut, Pilot::Fed, 20);
    let _ = hold(&mut plant, shut, shut, Pilot::Exhausted, 3);
    let (at, before) = hold(&mut plant, shut, open, Pilot::Exhausted, 120);
    plant.open_vessel(at, 30e-6).expect("small enough");
    let (at, after) = hold(&mut plant, shut, open, Pilot::Exhausted, 120);
    // The cavity of the shut ball empties into the far side through the seat that lifts for it.
    let far = raw.far_volume_m3 + raw.cavity_volume_m3;
    near("shared", after, (before * far + ATMOSPHERE * 30e-6) / (far + 30e-6), 2e-4);
    plant.open_vessel(at, 0.0).expect("none");
    near("shut off", hold(&mut plant, shut, open, Pilot::Exhausted, 1).1, after, 1e-4);
    // Larger than any far side may be: refused, and nothing has changed.
    let (at, kept) = hold(&mut plant, shut, open, Pilot::Exhausted, 1);
    assert!(plant.open_vessel(at, 1.0).is_err());
    near("refused", hold(&mut plant, shut, open, Pilot::Exhausted, 1).1, kept, 1e-4);
}

#[test]
fn both_limits_of_heat_exchange_are_reached_by_parameters() {
    let after = |tau: f64| {
        let raw = RawPlant { far_tau_s: tau, line_tau_s: tau, wall_ratio: 1e9, ..RawPlant::DEMO };
        let mut plant = Plant::new(&raw.validate().expect("valid"), 0);
        plant.set(0, Outputs { supply: GasValve::Shut, vent: GasValve::Shut, pilot: Pilot::Fed });
        plant.set(2_000_000, Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed });
        plant.advance(4_000_000);
        plant.truth(4_000_000)
    };
    // Isothermal: within a hundredth of a kelvin of the room.
    let isothermal = after(1e-4).far;
    assert!((isothermal.t - ROOM).abs() < 0.01, "{isothermal:?}");
    // Adiabatic: line and far side together are one vessel filled from the regulator, and their mean temperature obeys
    // the closed form above, though the far side alone is hotter (it holds the gas that was there first and was pressed
    // the most). The cavity's first breath in mid-stroke and the hose's own pressure while it refills: 0.5 K.
    let both = after(1e9);
    let (line, far) = (both.line, both.far);
    let (v_line, v_far) = (RawPlant::DEMO.line_volume_m3, RawPlant::DEMO.far_volume_m3);
    let mean = (line.p * v_line + far.p * v_far) / (line.p * v_line / line.t + far.p * v_far / far.t);
    let closed = far.p / (ATMOSPHERE / ROOM + (far.p - ATMOSPHERE) / (gas::GAMMA * ROOM));
    println!("adiabatic: line {:.1} K, far {:.1} K, mean {mean:.2} K, closed form {closed:.2} K", line.t, far.t);
    assert!((mean - closed).abs() < 0.5, "mean {mean} K, closed form {closed} K");
}

#[test]
fn the_ideal_gas_is_good_enough_and_how_good_is_known() {
    // CoolProp 8.0.0, PropsSI of Air (C). Density of the ideal gas with R 287.05, and γ 1.4.
    let mut worst = (0.0_f64, 0.0_f64);
    let mut z = Vec::new();
    for row in rows("air_properties.csv").iter().filter(|r| r[0] == "Air") {
        let (t, p, rho, gamma, real) =
            (number(&row[1]), number(&row[2]), number(&row[3]), number(&row[6]), number(&row[9]));
        worst.0 = worst.0.max((gas::mass(p, 1.0, t) / rho - 1.0).abs());
        worst.1 = worst.1.max((gas::GAMMA / gamma - 1.0).abs());
        if t == ROOM {
            z.push((p, real));
        }
    }
    println!("density off by {:.2e}, γ by {:.2e}", worst.0, worst.1);
    assert!(worst.0 < 4e-3 && worst.1 < 1.2e-2, "{worst:?}");
    // What it does to a leak figure: dm/dp = V/(Z R T)·(1 − d ln Z/d ln p) instead of V/(R T).
    let at = |p: f64| z.iter().find(|(q, _)| *q == p).map(|(_, z)| *z).expect("in the table");
    let slope = (at(800_000.0) - at(600_000.0)) / 200_000.0;
    let factor = (1.0 - 700_000.0 / at(700_000.0) * slope) / at(700_000.0);
    println!("real over ideal leak at 700 kPa: {factor:.5}");
    assert!((factor - 1.0).abs() < 0.006, "{factor}");
}

#[test]
fn halving_the_tolerance_moves_no_pressure_by_more_than_the_stated_error() {
    // Stated in docs/physics.md: 50 × the tolerance, relative, at every moment of a run.
    let trace = |tolerance: f64| {
        let mut plant = Plant::new(&RawPlant { tolerance, ..RawPlant::DEMO }.validate().expect("valid"), 0);
        let set = |supply, vent, pilot| Outputs { supply, vent, pilot };
        let script = [
            (0, set(GasValve::Shut, GasValve::Open, Pilot::Fed)),
            (1_000_000, set(GasValve::Shut, GasValve::Shut, Pilot::Fed)),
            (1_050_000, set(GasValve::Open, GasValve::Shut, Pilot::Fed)),
            (10_000_000, set(GasValve::Open, GasValve::Shut, Pilot::Exhausted)),
            (11_000_000, set(GasValve::Shut, GasValve::Shut, Pilot::Exhausted)),
            (11_050_000, set(GasValve::Shut, GasValve::Open, Pilot::Exhausted)),
            (40_000_000, set(GasValve::Shut, GasValve::Open, Pilot::Fed)),
        ];
        let mut script = script.iter().peekable();
        let mut found = Vec::new();
        for at in (10_000..50_000_000).step_by(10_000) {
            plant.advance(at);
            let truth = plant.truth(at);
            found.push([truth.line.p, truth.cavity.p, truth.far.p]);
            while let Some((_, outputs)) = script.next_if(|(when, _)| *when <= at) {
                plant.set(at, *outputs);
            }
        }
        found
    };
    for tolerance in [1e-5, 1e-6, 1e-7] {
        let (coarse, fine) = (trace(tolerance), trace(tolerance / 2.0));
        let moved = coarse.iter().flatten().zip(fine.iter().flatten()).map(|(a, b)| (a / b - 1.0).abs());
        let most = moved.fold(0.0, f64::max);
        println!("tolerance {tolerance:.0e} halved: {most:.2e}");
        assert!(most < 50.0 * tolerance, "tolerance {tolerance:e}: moved by {most:e}");
    }
}
