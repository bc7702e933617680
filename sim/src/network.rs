//! The equations: three gas nodes (supply line, cavity, far side), the regulator's hose, three walls and the seats'
//! creep.
//!
//! ```text
//!  regulator ─ hose ─[supply valve]─ line ══ bore of the ball ══ far side ─ joint, rig leak ─ room
//!                                    │  │                         │
//!                       vent valve ──┘  └─ seat ── cavity ── seat ┘
//!                            │                       │
//!                          room                stem, body joint ─ room
//! ```
//!
//! State, in the order that keeps the factorisation sparse (least coupled first): mass in the hose, the three wall
//! temperatures, the creep, then mass and internal energy of each gas node. Pressure is `(γ−1)·U/V`, temperature
//! `U/(m·c_v)`; the flow carries the upstream enthalpy. The hose is at room temperature.

use crate::arrow::Arrow;
use crate::flow::{End, Flow, Leak, Passage, viscous};
use crate::gas;
use crate::heat::Wall;
use crate::rodas::System;
use crate::seat;

/// Number of state variables.
pub const N: usize = 11;

/// Mass in the hose between regulator and supply valve, kg.
pub const HOSE: usize = 0;
/// Wall temperature of a node, K: `WALL + node`.
pub const WALL: usize = 1;
/// Creep of the seats, 0 to about 1.
pub const CREEP: usize = 4;
/// Mass of a node, kg: `MASS + 2·node`.
pub const MASS: usize = 5;
/// Internal energy of a node, J: `ENERGY + 2·node`.
pub const ENERGY: usize = 6;

/// A gas node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Node {
    /// Between supply valve, vent valve and the valve under test.
    Line = 0,
    /// Around the ball.
    Cavity = 1,
    /// Between ball and transducer.
    Far = 2,
}

/// All three.
pub const NODES: [Node; 3] = [Node::Line, Node::Cavity, Node::Far];

/// Constants of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameters {
    /// Volumes of the nodes, m³.
    pub volume: [f64; 3],
    /// Heat paths of the nodes.
    pub wall: [Wall; 3],
    /// Volume of the hose, m³.
    pub hose: f64,
    /// Regulator: kg/s a pascal below its set pressure.
    pub regulator: f64,
    /// Pressure range over which the regulator's flow is rounded off to zero, Pa.
    pub regulator_round: f64,
    /// Supply valve and its conductance open, m³/(s·Pa).
    pub supply: (Passage, f64),
    /// Vent valve.
    pub vent: (Passage, f64),
    /// Bore of the ball.
    pub bore: (Passage, f64),
    /// Crossover at the edge of the ball in mid-stroke, m³/(s·Pa).
    pub crossover: f64,
    /// Share of the stroke before the bore meets the port.
    pub overlap: f64,
    /// Orifice leaks.
    pub orifice: Passage,
    /// Flow past a seat the ball has lifted off, kg/(s·Pa²).
    pub lift: f64,
    /// Pressure that lifts the ball fully off a seat, Pa.
    pub lift_full: f64,
    /// Growth of the far side when the seats have crept under 6 bar, m³.
    pub creep: f64,
    /// Time constant of that, s.
    pub creep_s: f64,
    /// Atmosphere, Pa.
    pub atmosphere: f64,
    /// Share of a joint's leak that depends on load: 0 the same at every pressure (but for its own law), 1
    /// proportional.
    pub joint_load: f64,
    /// Absolute tolerances.
    pub abs_tol: [f64; N],
}

/// Inputs that change by themselves or by command, constant within a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Controls {
    /// Regulator's set pressure, absolute, Pa.
    pub regulator_set: f64,
    /// Supply valve is open.
    pub supply_open: bool,
    /// Vent valve is open.
    pub vent_open: bool,
    /// Leak of the shut supply valve.
    pub passing: Leak,
    /// Ball position at `t = 0` and its speed, 1/s.
    pub ball: (f64, f64),
    /// Leak of the seat on the supply side.
    pub line_seat: Leak,
    /// Leak of the seat on the far side.
    pub far_seat: Leak,
    /// Cavity to room: stem and body joint.
    pub cavity_leak: Leak,
    /// Supply line to room: the joint on that side.
    pub line_joint: Leak,
    /// Far side to room: the joint on that side.
    pub far_joint: Leak,
    /// Far side to room: background leak of the rig.
    pub rig_leak: Leak,
    /// Room temperature at `t = 0`, K, and its drift, K/s.
    pub room: (f64, f64),
}

/// The equations over one interval of time.
#[derive(Clone, Copy, Debug)]
pub struct Network<'a> {
    /// The constants.
    pub parameters: &'a Parameters,
    /// The inputs.
    pub controls: &'a Controls,
    inverse: Inverse,
}

/// Reciprocals of the divisors of every evaluation: a step has seven, and a division costs as much as ten products.
#[derive(Clone, Copy, Debug)]
struct Inverse {
    volume: [f64; 3],
    hose: f64,
    capacity: [f64; 3],
    regulator_round: f64,
    lift_full: f64,
    creep_s: f64,
    bore: f64,
    crossover: f64,
}

impl<'a> Network<'a> {
    /// The equations of a rig in its present state.
    pub fn new(parameters: &'a Parameters, controls: &'a Controls) -> Self {
        let inverse = Inverse {
            volume: parameters.volume.map(|v| 1.0 / v),
            hose: 1.0 / parameters.hose,
            capacity: parameters.wall.map(|w| 1.0 / w.capacity),
            regulator_round: 1.0 / parameters.regulator_round,
            lift_full: 1.0 / parameters.lift_full,
            creep_s: 1.0 / parameters.creep_s,
            bore: 1.0 / (1.0 - parameters.overlap),
            crossover: 1.0 / (1.0 - 2.0 * parameters.overlap),
        };
        Self { parameters, controls, inverse }
    }
}

/// One over the stated gauge pressure of leaks, 1/Pa.
const PER_STATED: f64 = 1.0 / gas::LEAK_STATED_AT_GAUGE;

/// One over the heat capacity, kg·K/J.
const PER_CV: f64 = 1.0 / gas::CV;

/// Pressures, temperatures and their slopes.
struct Local {
    end: [End; 3],
    inv_heat: [f64; 3],
    t_by_mass: [f64; 3],
    p_by_energy: [f64; 3],
    p_by_creep: f64,
}

impl Parameters {
    /// Volume of a node, with the growth of the far side by the seats' creep.
    #[inline]
    pub fn volume_of(&self, node: Node, creep: f64) -> f64 {
        let v = self.volume[node as usize];
        if node == Node::Far { v + self.creep * creep } else { v }
    }

    /// Absolute pressure and temperature of a node.
    pub fn end(&self, y: &[f64; N], node: Node) -> End {
        let i = 2 * node as usize;
        End {
            p: gas::pressure(y[ENERGY + i], self.volume_of(node, y[CREEP])),
            t: gas::temperature(y[ENERGY + i], y[MASS + i]),
        }
    }
}

/// Where a flow starts or ends.
#[derive(Clone, Copy)]
enum Place {
    Node(usize),
    Hose,
    Room,
}

/// Accumulates rates and slopes. Without the Jacobian the second half costs nothing.
struct Sum<'a, const SLOPES: bool> {
    local: &'a Local,
    f: &'a mut [f64; N],
    /// Empty without `SLOPES`, and so is `dfdt`.
    jac: &'a mut [[f64; N]],
    dfdt: &'a mut [f64],
    hose_p_by_mass: f64,
}

impl<const SLOPES: bool> Sum<'_, SLOPES> {
    #[inline(always)]
    fn flow(&mut self, from: Place, to: Place, flow: &Flow) {
        self.one(from, -1.0, flow, from, to);
        self.one(to, 1.0, flow, from, to);
    }

    /// The flow's share in the balance of `place`.
    #[inline(always)]
    fn one(&mut self, place: Place, sign: f64, flow: &Flow, from: Place, to: Place) {
        match place {
            Place::Room => {}
            Place::Hose => {
                self.f[HOSE] += sign * flow.mass;
                if SLOPES {
                    slopes_into(&mut self.jac[HOSE], self.local, self.hose_p_by_mass, sign, &flow.dmass, from, to);
                }
            }
            Place::Node(i) => {
                self.f[MASS + 2 * i] += sign * flow.mass;
                self.f[ENERGY + 2 * i] += sign * flow.heat;
                if SLOPES {
                    let hose = self.hose_p_by_mass;
                    slopes_into(&mut self.jac[MASS + 2 * i], self.local, hose, sign, &flow.dmass, from, to);
                    slopes_into(&mut self.jac[ENERGY + 2 * i], self.local, hose, sign, &flow.dheat, from, to);
                }
            }
        }
    }

    /// The flow through an opening that changes with time by `rate` of the flow at full opening.
    fn opening(&mut self, from: usize, to: usize, flow: &Flow, rate: f64) {
        if SLOPES {
            self.dfdt[MASS + 2 * from] -= flow.mass * rate;
            self.dfdt[ENERGY + 2 * from] -= flow.heat * rate;
            self.dfdt[MASS + 2 * to] += flow.mass * rate;
            self.dfdt[ENERGY + 2 * to] += flow.heat * rate;
        }
    }

    /// The flow's change with the push on the ball, far pressure less line pressure: `per_push` is flow a pascal.
    fn push(&mut self, from: usize, to: usize, per_push: &Flow) {
        if SLOPES {
            for (row, value) in [
                (MASS + 2 * from, -per_push.mass),
                (ENERGY + 2 * from, -per_push.heat),
                (MASS + 2 * to, per_push.mass),
                (ENERGY + 2 * to, per_push.heat),
            ] {
                let row = &mut self.jac[row];
                row[ENERGY + 4] += value * self.local.p_by_energy[2];
                row[CREEP] += value * self.local.p_by_creep;
                row[ENERGY] -= value * self.local.p_by_energy[0];
            }
        }
    }
}

/// Adds `sign × d(value)/dy` to a row, from the value's slopes against p1, p2, t1, t2.
#[inline(always)]
fn slopes_into(row: &mut [f64; N], local: &Local, hose: f64, sign: f64, slopes: &[f64; 4], from: Place, to: Place) {
    for (place, by_p, by_t) in [(from, slopes[0], slopes[2]), (to, slopes[1], slopes[3])] {
        match place {
            Place::Room => {}
            Place::Hose => row[HOSE] += sign * by_p * hose,
            Place::Node(i) => {
                row[MASS + 2 * i] += sign * by_t * local.t_by_mass[i];
                row[ENERGY + 2 * i] += sign * (by_p * local.p_by_energy[i] + by_t * local.inv_heat[i]);
                if i == Node::Far as usize {
                    row[CREEP] += sign * by_p * local.p_by_creep;
                }
            }
        }
    }
}

impl Network<'_> {
    #[inline(always)]
    fn local(&self, y: &[f64; N]) -> Option<Local> {
        let mut l = Local {
            end: [End { p: 0.0, t: 0.0 }; 3],
            inv_heat: [0.0; 3],
            t_by_mass: [0.0; 3],
            p_by_energy: [0.0; 3],
            p_by_creep: 0.0,
        };
        for node in NODES {
            let i = node as usize;
            let (m, u) = (y[MASS + 2 * i], y[ENERGY + 2 * i]);
            // Written so that NaN fails.
            if !(m > 0.0 && u > 0.0) {
                return None;
            }
            let per_volume = if node == Node::Far {
                1.0 / self.parameters.volume_of(node, y[CREEP])
            } else {
                self.inverse.volume[i]
            };
            l.p_by_energy[i] = (gas::GAMMA - 1.0) * per_volume;
            let inv_m = 1.0 / m;
            l.inv_heat[i] = inv_m * PER_CV;
            l.end[i] = End { p: u * l.p_by_energy[i], t: u * l.inv_heat[i] };
            l.t_by_mass[i] = -l.end[i].t * inv_m;
            if node == Node::Far {
                l.p_by_creep = -l.end[i].p * per_volume * self.parameters.creep;
            }
        }
        (y[HOSE] > 0.0).then_some(l)
    }

    fn evaluate<const SLOPES: bool>(
        &self,
        t: f64,
        y: &[f64; N],
        f: &mut [f64; N],
        jac: &mut [[f64; N]],
        dfdt: &mut [f64],
    ) -> bool {
        const LINE: usize = Node::Line as usize;
        const CAVITY: usize = Node::Cavity as usize;
        const FAR: usize = Node::Far as usize;
        let (parameters, controls, inverse) = (self.parameters, self.controls, &self.inverse);
        let Some(local) = self.local(y) else {
            return false;
        };
        *f = [0.0; N];
        if SLOPES {
            jac.fill([0.0; N]);
            dfdt.fill(0.0);
        }
        let room_t = controls.room.0 + controls.room.1 * t;
        let room = End { p: parameters.atmosphere, t: room_t };
        let hose_p_by_mass = gas::R * room_t * inverse.hose;
        let hose = End { p: y[HOSE] * hose_p_by_mass, t: room_t };
        let [line, cavity, far] = local.end;
        let mut sum = Sum::<SLOPES> { local: &local, f, jac, dfdt, hose_p_by_mass };

        // Regulator: non-relieving, so the hose only ever fills; rounded off where it shuts.
        let error = (controls.regulator_set - hose.p) * inverse.regulator_round;
        let (ramp, dramp) = if error <= 0.0 {
            (0.0, 0.0)
        } else if error < 1.0 {
            (0.5 * error * error, error)
        } else {
            (error - 0.5, 1.0)
        };
        sum.f[HOSE] += parameters.regulator * parameters.regulator_round * ramp;
        if SLOPES {
            sum.jac[HOSE][HOSE] -= parameters.regulator * dramp * hose_p_by_mass;
            // The hose follows the room.
            sum.dfdt[HOSE] -= parameters.regulator * dramp * y[HOSE] * gas::R * inverse.hose * controls.room.1;
        }

        // Supply valve.
        if controls.supply_open {
            sum.flow(
                Place::Hose,
                Place::Node(LINE),
                &parameters.supply.0.flow::<SLOPES>(hose, line).scaled::<SLOPES>(parameters.supply.1),
            );
        } else if !controls.passing.is_none() {
            let mut flow = Flow::default();
            controls.passing.add_to::<SLOPES>(&mut flow, &parameters.orifice, hose, line);
            sum.flow(Place::Hose, Place::Node(LINE), &flow);
        }

        // Line to room: vent valve and the joint on this side.
        if controls.vent_open || !controls.line_joint.is_none() {
            let mut flow = Flow::default();
            if controls.vent_open {
                flow.add::<SLOPES>(&parameters.vent.0.flow::<SLOPES>(line, room), parameters.vent.1);
            }
            joint::<SLOPES>(controls.line_joint, parameters, line, room, &mut flow);
            sum.flow(Place::Node(LINE), Place::Room, &flow);
        }

        // Far side to room.
        if !(controls.far_joint.is_none() && controls.rig_leak.is_none()) {
            let mut flow = Flow::default();
            joint::<SLOPES>(controls.far_joint, parameters, far, room, &mut flow);
            controls.rig_leak.add_to::<SLOPES>(&mut flow, &parameters.orifice, far, room);
            sum.flow(Place::Node(FAR), Place::Room, &flow);
        }

        // Cavity to room.
        if !controls.cavity_leak.is_none() {
            let mut flow = Flow::default();
            controls.cavity_leak.add_to::<SLOPES>(&mut flow, &parameters.orifice, cavity, room);
            sum.flow(Place::Node(CAVITY), Place::Room, &flow);
        }

        // The ball.
        let x = controls.ball.0 + controls.ball.1 * t;
        let (bore, dbore) = seat::bore(x, parameters.overlap, inverse.bore);
        if bore > 0.0 {
            let full = parameters.bore.0.flow::<SLOPES>(line, far).scaled::<SLOPES>(parameters.bore.1);
            sum.flow(Place::Node(LINE), Place::Node(FAR), &full.scaled::<SLOPES>(bore));
            sum.opening(LINE, FAR, &full, dbore * controls.ball.1);
        }
        let (crossover, dcrossover) = seat::past(x, parameters.overlap, inverse.crossover);
        let push = far.p - line.p;
        for (one, two, from, to, leak, push) in [
            (line, cavity, LINE, CAVITY, controls.line_seat, -push),
            (cavity, far, CAVITY, FAR, controls.far_seat, push),
        ] {
            let mut flow = Flow::default();
            if crossover > 0.0 {
                let full = parameters.bore.0.flow::<SLOPES>(one, two).scaled::<SLOPES>(parameters.crossover);
                flow.add::<SLOPES>(&full, crossover);
                sum.opening(from, to, &full, dcrossover * controls.ball.1);
            }
            let (lift, dlift) = seat::seat_lift(push, inverse.lift_full);
            leak.add_to::<SLOPES>(&mut flow, &parameters.orifice, one, two);
            if lift > 0.0 {
                let off = viscous::<SLOPES>(one, two).scaled::<SLOPES>(parameters.lift);
                flow.add::<SLOPES>(&off, lift);
                if dlift > 0.0 {
                    // Both seats' pushes are the same difference, with opposite signs.
                    let sign = if from == LINE { -1.0 } else { 1.0 };
                    sum.push(from, to, &off.scaled::<SLOPES>(dlift * sign));
                }
            }
            sum.flow(Place::Node(from), Place::Node(to), &flow);
        }

        // Gas to wall to room.
        for i in 0..3 {
            let wall = &parameters.wall[i];
            let into = wall.film * (local.end[i].t - y[WALL + i]);
            let inv = inverse.capacity[i];
            sum.f[ENERGY + 2 * i] -= into;
            sum.f[WALL + i] += (into + wall.room * (room_t - y[WALL + i])) * inv;
            if SLOPES {
                sum.jac[ENERGY + 2 * i][MASS + 2 * i] -= wall.film * local.t_by_mass[i];
                sum.jac[ENERGY + 2 * i][ENERGY + 2 * i] -= wall.film * local.inv_heat[i];
                sum.jac[ENERGY + 2 * i][WALL + i] += wall.film;
                sum.jac[WALL + i][MASS + 2 * i] += wall.film * local.t_by_mass[i] * inv;
                sum.jac[WALL + i][ENERGY + 2 * i] += wall.film * local.inv_heat[i] * inv;
                sum.jac[WALL + i][WALL + i] -= (wall.film + wall.room) * inv;
                sum.dfdt[WALL + i] += wall.room * controls.room.1 * inv;
            }
        }

        // Creep: the seats follow the load slowly; the far side grows and its gas does work on them.
        let load = push * PER_STATED;
        let rate = (load - y[CREEP]) * inverse.creep_s;
        sum.f[CREEP] += rate;
        let per_pa = PER_STATED * inverse.creep_s;
        sum.f[ENERGY + 4] -= far.p * parameters.creep * rate;
        if SLOPES {
            let by_far = local.p_by_energy[FAR] * per_pa;
            let by_line = -local.p_by_energy[LINE] * per_pa;
            let by_creep = local.p_by_creep * per_pa - inverse.creep_s;
            sum.jac[CREEP][ENERGY + 4] += by_far;
            sum.jac[CREEP][ENERGY] += by_line;
            sum.jac[CREEP][CREEP] += by_creep;
            let work = parameters.creep * far.p;
            sum.jac[ENERGY + 4][ENERGY + 4] -= work * by_far + parameters.creep * rate * local.p_by_energy[FAR];
            sum.jac[ENERGY + 4][ENERGY] -= work * by_line;
            sum.jac[ENERGY + 4][CREEP] -= work * by_creep + parameters.creep * rate * local.p_by_creep;
        }
        true
    }
}

/// A joint whose crack opens with load: its leak grows with the gauge pressure across it and has its stated value at 6
/// bar gauge.
#[inline(always)]
fn joint<const SLOPES: bool>(leak: Leak, parameters: &Parameters, inside: End, room: End, flow: &mut Flow) {
    if leak.is_none() {
        return;
    }
    let mut plain = Flow::default();
    leak.add_to::<SLOPES>(&mut plain, &parameters.orifice, inside, room);
    if parameters.joint_load == 0.0 {
        flow.add::<SLOPES>(&plain, 1.0);
        return;
    }
    let per_pa = parameters.joint_load * PER_STATED;
    // A joint under vacuum closes no further than to zero.
    let factor = 1.0 - parameters.joint_load + per_pa * (inside.p - room.p);
    if factor <= 0.0 {
        return;
    }
    flow.add::<SLOPES>(&plain, factor);
    flow.dmass[0] += plain.mass * per_pa;
    flow.dheat[0] += plain.heat * per_pa;
}

impl System<N> for Network<'_> {
    type Factors = Arrow;

    #[inline]
    fn rate(&self, t: f64, y: &[f64; N], f: &mut [f64; N]) -> bool {
        self.evaluate::<false>(t, y, f, &mut [], &mut [])
    }

    fn slopes(&self, t: f64, y: &[f64; N], f: &mut [f64; N], jac: &mut [[f64; N]; N], dfdt: &mut [f64; N]) -> bool {
        self.evaluate::<true>(t, y, f, jac, dfdt)
    }

    fn is_physical(&self, y: &[f64; N]) -> bool {
        // Written so that NaN fails.
        let positive = |i: &usize| y[*i] > 0.0;
        [HOSE, MASS, ENERGY, MASS + 2, ENERGY + 2, MASS + 4, ENERGY + 4].iter().all(positive)
    }

    fn abs_tol(&self) -> &[f64; N] {
        &self.parameters.abs_tol
    }
}
