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
/// Creep of the seats, 0 to about 1.
pub const CREEP: usize = 4;
/// Number of weakly coupled ones: hose, walls and creep. Masses and energies of the nodes follow.
pub(crate) const OUTER: usize = 5;

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

impl Node {
    /// Its place among the three.
    #[inline(always)]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// State variable of its wall's temperature, K.
    #[inline(always)]
    pub const fn wall(self) -> usize {
        HOSE + 1 + self.index()
    }

    /// State variable of its mass, kg.
    #[inline(always)]
    pub const fn mass(self) -> usize {
        OUTER + 2 * self.index()
    }

    /// State variable of its internal energy, J.
    #[inline(always)]
    pub const fn energy(self) -> usize {
        self.mass() + 1
    }
}

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
    pub(crate) fn volume_of(&self, node: Node, creep: f64) -> f64 {
        let v = self.volume[node.index()];
        if node == Node::Far { v + self.creep * creep } else { v }
    }

    /// Absolute pressure and temperature of a node.
    pub fn end(&self, y: &[f64; N], node: Node) -> End {
        let energy = y[node.energy()];
        End { p: gas::pressure(energy, self.volume_of(node, y[CREEP])), t: gas::temperature(energy, y[node.mass()]) }
    }
}

/// Where a flow starts or ends.
#[derive(Clone, Copy)]
enum Place {
    Node(Node),
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
            Place::Node(node) => {
                self.f[node.mass()] += sign * flow.mass;
                self.f[node.energy()] += sign * flow.heat;
                if SLOPES {
                    let hose = self.hose_p_by_mass;
                    slopes_into(&mut self.jac[node.mass()], self.local, hose, sign, &flow.dmass, from, to);
                    slopes_into(&mut self.jac[node.energy()], self.local, hose, sign, &flow.dheat, from, to);
                }
            }
        }
    }

    /// The flow through an opening that changes with time by `rate` of the flow at full opening.
    fn opening(&mut self, from: Node, to: Node, flow: &Flow, rate: f64) {
        if SLOPES {
            self.dfdt[from.mass()] -= flow.mass * rate;
            self.dfdt[from.energy()] -= flow.heat * rate;
            self.dfdt[to.mass()] += flow.mass * rate;
            self.dfdt[to.energy()] += flow.heat * rate;
        }
    }

    /// The flow's change with the push on the ball, far pressure less line pressure: `per_push` is flow a pascal.
    fn push(&mut self, from: Node, to: Node, per_push: &Flow) {
        if SLOPES {
            for (row, value) in [
                (from.mass(), -per_push.mass),
                (from.energy(), -per_push.heat),
                (to.mass(), per_push.mass),
                (to.energy(), per_push.heat),
            ] {
                let row = &mut self.jac[row];
                row[Node::Far.energy()] += value * self.local.p_by_energy[Node::Far.index()];
                row[CREEP] += value * self.local.p_by_creep;
                row[Node::Line.energy()] -= value * self.local.p_by_energy[Node::Line.index()];
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
            Place::Node(node) => {
                let i = node.index();
                row[node.mass()] += sign * by_t * local.t_by_mass[i];
                row[node.energy()] += sign * (by_p * local.p_by_energy[i] + by_t * local.inv_heat[i]);
                if node == Node::Far {
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
            let i = node.index();
            let (m, u) = (y[node.mass()], y[node.energy()]);
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
        let Some(local) = self.local(y) else {
            return false;
        };
        *f = [0.0; N];
        if SLOPES {
            jac.fill([0.0; N]);
            dfdt.fill(0.0);
        }
        let room_t = self.controls.room.0 + self.controls.room.1 * t;
        let hose_p_by_mass = gas::R * room_t * self.inverse.hose;
        let mut evaluation = Evaluation {
            parameters: self.parameters,
            controls: self.controls,
            inverse: &self.inverse,
            y,
            room: End { p: self.parameters.atmosphere, t: room_t },
            hose: End { p: y[HOSE] * hose_p_by_mass, t: room_t },
            sum: Sum::<SLOPES> { local: &local, f, jac, dfdt, hose_p_by_mass },
        };
        evaluation.regulator();
        evaluation.supply_valve();
        evaluation.line_to_room();
        evaluation.far_to_room();
        evaluation.cavity_to_room();
        evaluation.ball(self.controls.ball.0 + self.controls.ball.1 * t);
        evaluation.walls();
        evaluation.creep();
        true
    }
}

/// One evaluation of the equations, part by part. The order of the parts is the order in which terms are added: results
/// depend on it in their last digit.
struct Evaluation<'a, const SLOPES: bool> {
    parameters: &'a Parameters,
    controls: &'a Controls,
    inverse: &'a Inverse,
    y: &'a [f64; N],
    room: End,
    hose: End,
    sum: Sum<'a, SLOPES>,
}

impl<const SLOPES: bool> Evaluation<'_, SLOPES> {
    #[inline(always)]
    fn end(&self, node: Node) -> End {
        self.sum.local.end[node.index()]
    }

    /// How much higher the pressure on the far side of the ball is than in the line.
    #[inline(always)]
    fn push(&self) -> f64 {
        self.end(Node::Far).p - self.end(Node::Line).p
    }

    /// Non-relieving, so the hose only ever fills; rounded off where it shuts.
    #[inline(always)]
    fn regulator(&mut self) {
        let Self { parameters, controls, inverse, sum, .. } = self;
        let error = (controls.regulator_set - self.hose.p) * inverse.regulator_round;
        let (ramp, dramp) = if error <= 0.0 {
            (0.0, 0.0)
        } else if error < 1.0 {
            (0.5 * error * error, error)
        } else {
            (error - 0.5, 1.0)
        };
        sum.f[HOSE] += parameters.regulator * parameters.regulator_round * ramp;
        if SLOPES {
            sum.jac[HOSE][HOSE] -= parameters.regulator * dramp * sum.hose_p_by_mass;
            // The hose follows the room.
            sum.dfdt[HOSE] -= parameters.regulator * dramp * self.y[HOSE] * gas::R * inverse.hose * controls.room.1;
        }
    }

    #[inline(always)]
    fn supply_valve(&mut self) {
        let (parameters, controls) = (self.parameters, self.controls);
        let (hose, line) = (self.hose, self.end(Node::Line));
        if controls.supply_open {
            let (passage, conductance) = parameters.supply;
            let flow = passage.flow::<SLOPES>(hose, line).scaled::<SLOPES>(conductance);
            self.sum.flow(Place::Hose, Place::Node(Node::Line), &flow);
        } else if !controls.passing.is_none() {
            let mut flow = Flow::default();
            controls.passing.add_to::<SLOPES>(&mut flow, &parameters.orifice, hose, line);
            self.sum.flow(Place::Hose, Place::Node(Node::Line), &flow);
        }
    }

    /// Vent valve and the joint on this side.
    #[inline(always)]
    fn line_to_room(&mut self) {
        let (parameters, controls) = (self.parameters, self.controls);
        if controls.vent_open || !controls.line_joint.is_none() {
            let (line, room) = (self.end(Node::Line), self.room);
            let mut flow = Flow::default();
            if controls.vent_open {
                let (passage, conductance) = parameters.vent;
                flow.add::<SLOPES>(&passage.flow::<SLOPES>(line, room), conductance);
            }
            joint::<SLOPES>(controls.line_joint, parameters, line, room, &mut flow);
            self.sum.flow(Place::Node(Node::Line), Place::Room, &flow);
        }
    }

    /// The joint on that side and the rig's own leak.
    #[inline(always)]
    fn far_to_room(&mut self) {
        let (parameters, controls) = (self.parameters, self.controls);
        if !(controls.far_joint.is_none() && controls.rig_leak.is_none()) {
            let (far, room) = (self.end(Node::Far), self.room);
            let mut flow = Flow::default();
            joint::<SLOPES>(controls.far_joint, parameters, far, room, &mut flow);
            controls.rig_leak.add_to::<SLOPES>(&mut flow, &parameters.orifice, far, room);
            self.sum.flow(Place::Node(Node::Far), Place::Room, &flow);
        }
    }

    /// Stem and body joint.
    #[inline(always)]
    fn cavity_to_room(&mut self) {
        let leak = self.controls.cavity_leak;
        if !leak.is_none() {
            let mut flow = Flow::default();
            leak.add_to::<SLOPES>(&mut flow, &self.parameters.orifice, self.end(Node::Cavity), self.room);
            self.sum.flow(Place::Node(Node::Cavity), Place::Room, &flow);
        }
    }

    /// Bore and seats, with the ball at `x`.
    #[inline(always)]
    fn ball(&mut self, x: f64) {
        let (parameters, controls, inverse) = (self.parameters, self.controls, self.inverse);
        let (bore, dbore) = seat::bore(x, parameters.overlap, inverse.bore);
        if bore > 0.0 {
            let (passage, conductance) = parameters.bore;
            let (line, far) = (self.end(Node::Line), self.end(Node::Far));
            let full = passage.flow::<SLOPES>(line, far).scaled::<SLOPES>(conductance);
            self.sum.flow(Place::Node(Node::Line), Place::Node(Node::Far), &full.scaled::<SLOPES>(bore));
            self.sum.opening(Node::Line, Node::Far, &full, dbore * controls.ball.1);
        }
        let crossover = seat::past(x, parameters.overlap, inverse.crossover);
        let push = self.push();
        // Both seats' pushes are the same difference, with opposite signs.
        self.seat(Node::Line, Node::Cavity, controls.line_seat, crossover, -push, -1.0);
        self.seat(Node::Cavity, Node::Far, controls.far_seat, crossover, push, 1.0);
    }

    /// Past one seat: over the edge of the ball in mid-stroke, its leak, and where the ball has lifted off. `dpush` is
    /// the slope of its push against the far pressure less the line's.
    #[inline(always)]
    fn seat(&mut self, from: Node, to: Node, leak: Leak, (crossover, dcrossover): (f64, f64), push: f64, dpush: f64) {
        let (parameters, one, two) = (self.parameters, self.end(from), self.end(to));
        let mut flow = Flow::default();
        if crossover > 0.0 {
            let full = parameters.bore.0.flow::<SLOPES>(one, two).scaled::<SLOPES>(parameters.crossover);
            flow.add::<SLOPES>(&full, crossover);
            self.sum.opening(from, to, &full, dcrossover * self.controls.ball.1);
        }
        let (lift, dlift) = seat::seat_lift(push, self.inverse.lift_full);
        leak.add_to::<SLOPES>(&mut flow, &parameters.orifice, one, two);
        if lift > 0.0 {
            let off = viscous::<SLOPES>(one, two).scaled::<SLOPES>(parameters.lift);
            flow.add::<SLOPES>(&off, lift);
            if dlift > 0.0 {
                self.sum.push(from, to, &off.scaled::<SLOPES>(dlift * dpush));
            }
        }
        self.sum.flow(Place::Node(from), Place::Node(to), &flow);
    }

    /// Gas to wall to room.
    #[inline(always)]
    fn walls(&mut self) {
        let Self { parameters, controls, inverse, y, room, sum, .. } = self;
        let local = sum.local;
        for node in NODES {
            let (i, mass, energy, of_wall) = (node.index(), node.mass(), node.energy(), node.wall());
            let wall = &parameters.wall[i];
            let into = wall.film * (local.end[i].t - y[of_wall]);
            let inv = inverse.capacity[i];
            sum.f[energy] -= into;
            sum.f[of_wall] += (into + wall.room * (room.t - y[of_wall])) * inv;
            if SLOPES {
                sum.jac[energy][mass] -= wall.film * local.t_by_mass[i];
                sum.jac[energy][energy] -= wall.film * local.inv_heat[i];
                sum.jac[energy][of_wall] += wall.film;
                sum.jac[of_wall][mass] += wall.film * local.t_by_mass[i] * inv;
                sum.jac[of_wall][energy] += wall.film * local.inv_heat[i] * inv;
                sum.jac[of_wall][of_wall] -= (wall.film + wall.room) * inv;
                sum.dfdt[of_wall] += wall.room * controls.room.1 * inv;
            }
        }
    }

    /// The seats follow the load slowly; the far side grows and its gas does work on them.
    #[inline(always)]
    fn creep(&mut self) {
        const LINE_ENERGY: usize = Node::Line.energy();
        const FAR_ENERGY: usize = Node::Far.energy();
        let (load, far) = (self.push() * PER_STATED, self.end(Node::Far));
        let Self { parameters, inverse, y, sum, .. } = self;
        let local = sum.local;
        let rate = (load - y[CREEP]) * inverse.creep_s;
        sum.f[CREEP] += rate;
        let per_pa = PER_STATED * inverse.creep_s;
        sum.f[FAR_ENERGY] -= far.p * parameters.creep * rate;
        if SLOPES {
            let far_slope = local.p_by_energy[Node::Far.index()];
            let by_far = far_slope * per_pa;
            let by_line = -local.p_by_energy[Node::Line.index()] * per_pa;
            let by_creep = local.p_by_creep * per_pa - inverse.creep_s;
            sum.jac[CREEP][FAR_ENERGY] += by_far;
            sum.jac[CREEP][LINE_ENERGY] += by_line;
            sum.jac[CREEP][CREEP] += by_creep;
            let work = parameters.creep * far.p;
            sum.jac[FAR_ENERGY][FAR_ENERGY] -= work * by_far + parameters.creep * rate * far_slope;
            sum.jac[FAR_ENERGY][LINE_ENERGY] -= work * by_line;
            sum.jac[FAR_ENERGY][CREEP] -= work * by_creep + parameters.creep * rate * local.p_by_creep;
        }
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
        y[HOSE] > 0.0 && NODES.iter().all(|node| y[node.mass()] > 0.0 && y[node.energy()] > 0.0)
    }

    fn abs_tol(&self) -> &[f64; N] {
        &self.parameters.abs_tol
    }
}
