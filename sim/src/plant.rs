//! The plant in time: integration steps, events, and the true state behind the sensors.

use crate::actuator::{Actuator, Air, Motion};
use crate::config::{LeakSpec, PlantSpec};
use crate::flow::{End, Leak, Passage};
use crate::gas;
use crate::heat::Wall;
use crate::leak_path::LeakPath;
use crate::network::{CREEP, Controls, HOSE, N, NODES, Network, Node, Parameters};
use crate::noise::{Noise, Stream};
use crate::rodas::{DenseStep, Rodas, SolverStats};
use seathold_sequencer::field::Errors;
use seathold_sequencer::input::Side;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::Actuation;

/// Longest integration step, s: long enough that a plant at rest costs nothing, short enough that the dense cubic
/// follows it.
const STEP_MAX: f64 = 20.0;
/// Least number of steps in a whole stroke. While the ball moves the openings change by orders of magnitude, and an
/// error estimate at a step's end cannot detect what was missed in between; `tests/tests/plant/lsoda.rs` shows the
/// error of a coarser choice.
const STROKE_STEPS: f64 = 32.0;
/// The same where the gas on all sides of the ball is equalised, so that hardly anything will flow whatever opens.
const EQUALISED_STROKE_STEPS: f64 = 4.0;
/// Pressures and temperatures that differ by less than these shares count as equalised: 10 Pa at atmosphere, and 0.3 K.
const EQUALISED: (f64, f64) = (1e-4, 1e-3);
/// First step after a switching event, s.
const STEP_FIRST: f64 = 2e-3;

/// The true state of the plant at a moment: for checks and displays, never for the sequencer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// Absolute pressure and temperature of the supply line.
    pub line: End,
    /// Of the cavity.
    pub cavity: End,
    /// Of the far side.
    pub far: End,
    /// Absolute pressure in the hose, Pa.
    pub hose: f64,
    /// Atmosphere, Pa.
    pub atmosphere: f64,
    /// Ball position: 0 shut, 1 open.
    pub ball: f64,
    /// Which end is on the supply side.
    pub side: Side,
}

impl Truth {
    /// Far-side gauge pressure, Pa.
    pub fn far_gauge(&self) -> f64 {
        self.far.p - self.atmosphere
    }

    /// Supply-line gauge pressure, Pa.
    pub fn line_gauge(&self) -> f64 {
        self.line.p - self.atmosphere
    }

    /// Cavity gauge pressure, Pa.
    pub fn cavity_gauge(&self) -> f64 {
        self.cavity.p - self.atmosphere
    }
}

/// Solenoid valves that no longer follow their outputs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stuck {
    /// The supply valve stays like this.
    pub supply: Option<GasValve>,
    /// The vent valve stays like this.
    pub vent: Option<GasValve>,
}

/// Debris on the seats: leaks, and seals, for exponentially distributed times.
#[derive(Clone, Debug)]
struct Debris {
    letting_by: bool,
    /// Time of the next change, µs.
    until: Option<u64>,
    noise: Noise,
}

/// A simulated rig's gas, heat and moving parts.
#[derive(Clone, Debug)]
pub struct Plant {
    spec: PlantSpec,
    parameters: Parameters,
    controls: Controls,
    motion: Motion,
    actuator: Actuator,
    air: Air,
    /// Pressure the pilot valve feeds, gauge, Pa.
    pilot_air: f64,
    /// The ball is stuck.
    jammed: bool,
    stuck: Stuck,
    /// The present leaks, in the order of [`LeakPath::ALL`].
    leaks: [LeakSpec; LeakPath::ALL.len()],
    debris: Debris,
    mounting: Noise,
    /// How the end joints on the supply side and on the far side were made up: ratio of their leak to the stated one.
    made_up: [f64; 2],
    /// Of the far volume, what a vessel there adds.
    vessel_m3: f64,
    outputs: Outputs,
    side: Side,
    solver: Rodas,
    /// The step that covers the present, and maybe some of the future.
    step: DenseStep<N>,
    /// Time origin of `step`, µs.
    base: u64,
}

impl Plant {
    /// Empty, at rest, in equilibrium with the room; end A on the supply side. Random events (debris on a seat, the
    /// make-up of a joint) follow from `seed`.
    pub fn new(spec: &PlantSpec, seed: u64) -> Self {
        let raw = spec.raw();
        let parameters = parameters(spec);
        let begin = match raw.actuation {
            Actuation::Air => raw.shut_stop,
            // A hand valve comes to the rig open, as it left the bench.
            Actuation::Hand => 1.0,
        };
        let motion = Motion::at(begin, [raw.overlap, 1.0 - raw.overlap]);
        let mut y = [0.0; N];
        let set = raw.regulator_set_pa + raw.atmosphere_pa;
        y[HOSE] = gas::mass(set, raw.hose_volume_m3, raw.room_k);
        for node in NODES {
            fill(&mut y, &parameters, node, raw.atmosphere_pa, raw.room_k);
            y[node.wall()] = raw.room_k;
        }
        let controls = Controls {
            regulator_set: set,
            supply_open: false,
            vent_open: true,
            passing: leak(raw.supply_passing),
            ball: (motion.position(0), 0.0),
            line_seat: Leak::default(),
            far_seat: Leak::default(),
            cavity_leak: Leak::default(),
            line_joint: Leak::default(),
            far_joint: Leak::default(),
            rig_leak: Leak::default(),
            room: (raw.room_k, raw.room_drift_k_s),
        };
        let mut plant = Self {
            spec: *spec,
            parameters,
            controls,
            motion,
            actuator: Actuator {
                dead_time_us: u64::from(raw.dead_time_ms) * 1_000,
                stroke_s: f64::from(raw.stroke_time_ms) * 1e-3,
                spring: (raw.piston_start_pa, raw.piston_end_pa),
                friction: raw.piston_friction_pa,
                fill_s: raw.piston_fill_s,
                exhaust_s: raw.piston_exhaust_s,
                shut_stop: raw.shut_stop,
            },
            air: Air::EMPTY,
            pilot_air: raw.pilot_air_pa,
            jammed: false,
            stuck: Stuck::default(),
            leaks: LeakPath::ALL.map(|path| path.of(raw)),
            debris: Debris { letting_by: false, until: None, noise: Noise::new(seed, Stream::Grit) },
            mounting: Noise::new(seed, Stream::Mounting),
            made_up: [1.0; 2],
            vessel_m3: 0.0,
            outputs: Outputs::REST,
            side: Side::First,
            solver: Rodas::new(raw.tolerance, STEP_MAX, STEP_FIRST),
            step: DenseStep::still(0.0, y),
            base: 0,
        };
        plant.mount(Side::First);
        if raw.debris_a.rate + raw.debris_b.rate > 0.0 {
            plant.toggle_debris(0);
        }
        plant
    }

    /// Statistics of the integrator so far.
    pub const fn solver_stats(&self) -> SolverStats {
        self.solver.stats
    }

    /// The equations: for checks against other solvers.
    pub fn equations(&self) -> Network<'_> {
        Network::new(&self.parameters, &self.controls)
    }

    /// The state at `now`, which [`Plant::advance`] must have reached.
    pub fn state(&self, now: u64) -> [f64; N] {
        self.step.state(self.share(now))
    }

    /// Sets every output.
    pub fn set(&mut self, now: u64, outputs: Outputs) {
        if outputs == self.outputs {
            return;
        }
        self.truncate_step(now);
        let pilot_changed = outputs.pilot != self.outputs.pilot;
        self.outputs = outputs;
        self.set_solenoids();
        if pilot_changed {
            self.work_pilot(now);
        }
    }

    /// Solenoid valves follow their outputs, unless they are stuck.
    fn set_solenoids(&mut self) {
        self.controls.supply_open = self.stuck.supply.unwrap_or(self.outputs.supply) == GasValve::Open;
        self.controls.vent_open = self.stuck.vent.unwrap_or(self.outputs.vent) == GasValve::Open;
    }

    /// The actuator begins to fill or exhaust, by the present state of the pilot valve and its supply.
    fn work_pilot(&mut self, now: u64) {
        if self.spec.raw().actuation != Actuation::Air {
            return;
        }
        let fed = (self.outputs.pilot == Pilot::Fed).then_some(self.pilot_air);
        let (air, motion) = self.actuator.plan(&self.air, fed, now, self.motion.position(now));
        self.air = air;
        if let (Some((at, to, takes)), false) = (motion, self.jammed) {
            self.motion.start(at, to, takes);
        }
        self.turn(now);
    }

    /// The actuator's air supply changes to this gauge pressure, Pa.
    pub(crate) fn set_pilot_air(&mut self, now: u64, gauge: f64) {
        self.truncate_step(now);
        self.pilot_air = gauge;
        self.work_pilot(now);
    }

    /// The regulator is set to, or shop air falls to, this gauge pressure, Pa.
    pub(crate) fn set_supply_air(&mut self, now: u64, gauge: f64) {
        self.truncate_step(now);
        self.controls.regulator_set = self.parameters.atmosphere + gauge;
    }

    /// The regulator is turned to this gauge pressure, Pa, and relieves what is above it in its hose.
    pub fn turn_regulator(&mut self, now: u64, gauge: f64) {
        self.set_supply_air(now, gauge);
        let mut y = self.state(now);
        y[HOSE] = y[HOSE].min(gas::mass(self.controls.regulator_set, self.parameters.hose, self.controls.room.0));
        self.step = DenseStep::still(0.0, y);
    }

    /// The shop air is shut off at the wall, and the hose and the pilot's line are vented.
    pub fn shut_off_air(&mut self, now: u64) {
        self.set_pilot_air(now, 0.0);
        self.turn_regulator(now, 0.0);
    }

    /// A vessel on the far side, full of the room's air, is opened to it; or, with none, the one that is there is shut off with its share of
    /// the gas.
    ///
    /// # Errors
    /// Where the far side would be larger than it may be. Nothing has changed then.
    pub fn open_vessel(&mut self, now: u64, volume_m3: f64) -> Result<(), Errors> {
        self.truncate_step(now);
        let mut raw = *self.spec.raw();
        raw.far_volume_m3 += volume_m3 - self.vessel_m3;
        let spec = raw.validate()?;
        let (before, after) = (self.spec.raw().far_volume_m3 - self.vessel_m3, raw.far_volume_m3);
        let mut y = self.state(now);
        let (shut_off, node) = (before / self.spec.raw().far_volume_m3, Node::Far);
        let vessel = after - before;
        y[node.mass()] = y[node.mass()] * shut_off + gas::mass(raw.atmosphere_pa, vessel, self.controls.room.0);
        y[node.energy()] = y[node.energy()] * shut_off + gas::energy(raw.atmosphere_pa, vessel);
        self.parameters = parameters(&spec);
        (self.spec, self.vessel_m3) = (spec, volume_m3);
        self.step = DenseStep::still(0.0, y);
        Ok(())
    }

    /// Solenoid valves stick, or are freed.
    pub(crate) fn set_stuck(&mut self, now: u64, stuck: Stuck) {
        self.truncate_step(now);
        self.stuck = stuck;
        self.set_solenoids();
    }

    /// The ball jams where it is, or is freed: then it follows its actuator.
    pub fn jam(&mut self, now: u64, jammed: bool) {
        self.truncate_step(now);
        self.jammed = jammed;
        if jammed {
            self.motion.halt(now);
            self.turn(now);
        } else {
            self.work_pilot(now);
        }
    }

    /// A place begins to leak this much, or is repaired. For an end joint this is the stated leak: its make-up ratio
    /// stays.
    pub(crate) fn set_leak(&mut self, now: u64, path: LeakPath, leak: LeakSpec) {
        self.truncate_step(now);
        self.leaks[path as usize] = leak;
        self.route_leaks();
    }

    /// The room's air is suddenly at this temperature, K: a door was opened. It drifts on from there. The hose follows,
    /// at its present pressure.
    pub(crate) fn set_room(&mut self, now: u64, kelvin: f64) {
        self.truncate_step(now);
        let mut y = self.state(now);
        y[HOSE] *= self.controls.room.0 / kelvin;
        self.controls.room.0 = kelvin;
        self.step = DenseStep::still(0.0, y);
    }

    /// A hand turns the lever towards `to`: 0 shut, 1 open. A stop in the valve keeps it from going further shut.
    pub(crate) fn turn_lever(&mut self, now: u64, to: f64) {
        self.truncate_step(now);
        let raw = self.spec.raw();
        if self.jammed {
            return;
        }
        let to = to.clamp(raw.shut_stop, 1.0);
        let way = (to - self.motion.position(now)).abs();
        let takes = libm::round(way * f64::from(raw.lever_ms) * 1e3) as u64;
        self.motion.start(now, to, takes);
        self.turn(now);
    }

    /// The valve is taken off and put on the other way round: line and far side are vented at once, and both fill with
    /// room air; the cavity keeps its gas. Returns the far side's gauge pressure as the fitting came loose, Pa.
    pub fn swap_ends(&mut self, now: u64) -> f64 {
        self.truncate_step(now);
        let let_out = self.truth(now).far_gauge();
        let mut y = self.state(now);
        y[CREEP] = 0.0;
        for node in [Node::Line, Node::Far] {
            fill(&mut y, &self.parameters, node, self.parameters.atmosphere, self.controls.room.0);
        }
        self.step = DenseStep::still(0.0, y);
        self.mount(match self.side {
            Side::First => Side::Second,
            Side::Second => Side::First,
        });
        let_out
    }

    /// The hand bleed at the far transducer is opened until empty, and shut again.
    pub fn bleed(&mut self, now: u64) {
        self.truncate_step(now);
        let mut y = self.state(now);
        fill(&mut y, &self.parameters, Node::Far, self.parameters.atmosphere, self.controls.room.0);
        self.step = DenseStep::still(0.0, y);
    }

    /// Which end is on the supply side.
    pub const fn side(&self) -> Side {
        self.side
    }

    fn mount(&mut self, side: Side) {
        self.side = side;
        // A joint made up again never seals quite as before: log-normal about its stated leak.
        let reseat = self.spec.raw().joint_reseat;
        self.made_up = [0; 2].map(|_| libm::exp(reseat * self.mounting.normal()));
        self.route_leaks();
    }

    /// Assigns every leak to its present node.
    fn route_leaks(&mut self) {
        let raw = self.spec.raw();
        let [seat_a, seat_b, stem, body_joint, joint_a, joint_b, rig] = self.leaks.map(leak);
        let with_debris =
            |seat: Leak, debris: LeakSpec| if self.debris.letting_by { seat.and(leak(debris)) } else { seat };
        let (seat_a, seat_b) = (with_debris(seat_a, raw.debris_a), with_debris(seat_b, raw.debris_b));
        let ((near, far), (near_joint, far_joint)) = match self.side {
            Side::First => ((seat_a, seat_b), (joint_a, joint_b)),
            Side::Second => ((seat_b, seat_a), (joint_b, joint_a)),
        };
        let controls = &mut self.controls;
        (controls.line_seat, controls.far_seat) = (near, far);
        controls.cavity_leak = stem.and(body_joint);
        controls.line_joint = near_joint.times(self.made_up[0]);
        controls.far_joint = far_joint.times(self.made_up[1]);
        controls.rig_leak = rig;
    }

    /// Draws the time of the debris' next change.
    fn toggle_debris(&mut self, now: u64) {
        let raw = self.spec.raw();
        let mean = if self.debris.letting_by { raw.debris_on_s } else { raw.debris_off_s };
        let lasts = (mean * self.debris.noise.exponential() * 1e6) as u64;
        self.debris.until = Some(now.saturating_add(lasts.max(1)));
    }

    /// Advances the plant so that every moment up to `now` is known.
    pub fn advance(&mut self, now: u64) {
        while self.seconds(now) > self.step.end() {
            self.next_step();
        }
    }

    /// Takes the next step, and passes the event it ends at if there is one.
    fn next_step(&mut self) {
        // The present step's end, as the whole microsecond at or before it: corners are whole.
        let reached = self.base + (self.step.end() * 1e6 + 1e-3) as u64;
        let corner = [self.motion.corner(reached), self.debris.until].into_iter().flatten().min();
        let limit = corner.map_or(f64::INFINITY, |at| self.seconds(at));
        if limit <= self.step.end() {
            // The corner is here.
            let at = corner.unwrap_or(self.base);
            let y = self.step.y1;
            self.restart(at, y);
            self.turn(at);
            if self.debris.until.is_some_and(|until| until <= at) {
                self.debris.letting_by = !self.debris.letting_by;
                self.route_leaks();
                self.toggle_debris(at);
            }
            return;
        }
        let equations = Network::new(&self.parameters, &self.controls);
        let speed = self.motion.speed().abs();
        self.solver.h_max = match (speed == 0.0, self.is_equalised()) {
            (true, _) => STEP_MAX,
            (false, true) => 1.0 / (EQUALISED_STROKE_STEPS * speed),
            (false, false) => 1.0 / (STROKE_STEPS * speed),
        };
        self.solver.step(&equations, &mut self.step, limit);
    }

    /// Whether the gas around the ball is equalised at the end of the present step.
    fn is_equalised(&self) -> bool {
        let [a, b, c] = NODES.map(|node| self.parameters.end(&self.step.y1, node));
        let close = |a: f64, b: f64, c: f64, share: f64| a.max(b).max(c) - a.min(b).min(c) < share * a;
        close(a.p, b.p, c.p, EQUALISED.0) && close(a.t, b.t, c.t, EQUALISED.1)
    }

    /// Ends the present step at `now`, before a switching event. The elapsed part of it is integrated again as a step
    /// of its own: shorter, so at least as exact.
    fn truncate_step(&mut self, now: u64) {
        self.advance(now);
        let limit = self.seconds(now);
        if limit < self.step.end() {
            let equations = Network::new(&self.parameters, &self.controls);
            self.step = DenseStep::still(self.step.t0, self.step.y0);
            while self.step.end() < limit {
                self.solver.step(&equations, &mut self.step, limit);
            }
        }
        let y = self.step.y1;
        self.restart(now, y);
    }

    /// Sets the time origin to `now`, at this state.
    fn restart(&mut self, now: u64, y: [f64; N]) {
        let elapsed = self.seconds(now);
        self.controls.room.0 += self.controls.room.1 * elapsed;
        self.controls.ball = (self.motion.position(now), self.motion.speed());
        self.base = now;
        self.step = DenseStep::still(0.0, y);
        self.solver.h_next = STEP_FIRST;
    }

    /// Passes the ball's corners due by `now`, which must be the base.
    fn turn(&mut self, now: u64) {
        self.motion.turn(now);
        self.controls.ball = (self.motion.position(now), self.motion.speed());
    }

    /// Seconds from the base.
    #[inline]
    fn seconds(&self, now: u64) -> f64 {
        now.saturating_sub(self.base) as f64 * 1e-6
    }

    #[inline]
    fn share(&self, now: u64) -> f64 {
        self.step.share(self.seconds(now))
    }

    /// Absolute pressure of a node at `now`, Pa: the input of a sensor there.
    #[inline]
    pub fn pressure(&self, node: Node, now: u64) -> f64 {
        let s = self.share(now);
        let energy = self.step.component(node.energy(), s);
        let creep = if node == Node::Far { self.step.component(CREEP, s) } else { 0.0 };
        gas::pressure(energy, self.parameters.volume_of(node, creep))
    }

    /// Temperature of the far side's gas, or of its wall, at `now`, K.
    pub fn temperature(&self, of_wall: bool, now: u64) -> f64 {
        let s = self.share(now);
        if of_wall {
            return self.step.component(Node::Far.wall(), s);
        }
        gas::temperature(self.step.component(Node::Far.energy(), s), self.step.component(Node::Far.mass(), s))
    }

    /// Its specification.
    pub const fn spec(&self) -> &PlantSpec {
        &self.spec
    }

    /// Atmosphere, Pa.
    pub const fn atmosphere(&self) -> f64 {
        self.parameters.atmosphere
    }

    /// Ball position at `now`: 0 shut, 1 open.
    pub fn ball(&self, now: u64) -> f64 {
        self.motion.position(now)
    }

    /// The true state at `now`.
    pub fn truth(&self, now: u64) -> Truth {
        let y = self.state(now);
        let room = self.controls.room.0 + self.controls.room.1 * self.seconds(now);
        Truth {
            line: self.parameters.end(&y, Node::Line),
            cavity: self.parameters.end(&y, Node::Cavity),
            far: self.parameters.end(&y, Node::Far),
            hose: y[HOSE] * gas::R * room / self.parameters.hose,
            atmosphere: self.parameters.atmosphere,
            ball: self.ball(now),
            side: self.side,
        }
    }
}

fn leak(spec: LeakSpec) -> Leak {
    Leak::stated(spec.rate, spec.orifice)
}

/// Fills a node with gas at a pressure and temperature.
fn fill(y: &mut [f64; N], parameters: &Parameters, node: Node, pressure: f64, temperature: f64) {
    let volume = parameters.volume_of(node, y[CREEP]);
    y[node.mass()] = gas::mass(pressure, volume, temperature);
    y[node.energy()] = gas::energy(pressure, volume);
}

fn parameters(spec: &PlantSpec) -> Parameters {
    let raw = spec.raw();
    let volume = [raw.line_volume_m3, raw.cavity_volume_m3, raw.far_volume_m3];
    let tau = [raw.line_tau_s, raw.cavity_tau_s, raw.far_tau_s];
    let regulator = 1e-3 / raw.droop_pa;
    let mut abs_tol = [0.0; N];
    // Masses and energies: the tolerance of a node holding a hundredth of an atmosphere; temperatures: that of 3 K;
    // creep: the equivalent of a hundredth of a pascal at the usual tolerance.
    abs_tol[HOSE] = raw.tolerance * gas::mass(1e3, raw.hose_volume_m3, gas::T_REF);
    abs_tol[CREEP] = raw.tolerance * 100.0;
    for (node, volume) in NODES.into_iter().zip(volume) {
        abs_tol[node.wall()] = raw.tolerance * 3.0;
        abs_tol[node.mass()] = raw.tolerance * gas::mass(1e3, volume, gas::T_REF);
        abs_tol[node.energy()] = raw.tolerance * gas::energy(1e3, volume);
    }
    Parameters {
        volume,
        wall: core::array::from_fn(|i| Wall::new(volume[i], tau[i], raw.wall_ratio, raw.wall_tau_s)),
        hose: raw.hose_volume_m3,
        regulator,
        regulator_round: raw.droop_pa / 20.0,
        supply: (Passage::new(raw.supply_b), raw.supply_c),
        vent: (Passage::new(raw.vent_b), raw.vent_c),
        bore: (Passage::new(raw.bore_b), raw.bore_c),
        crossover: raw.crossover_c,
        overlap: raw.overlap,
        orifice: Passage::new(Passage::ORIFICE_B),
        lift: Leak::stated(raw.lift_pa_m3_s, 0.0).viscous,
        lift_full: raw.lift_full_pa,
        creep: raw.creep_m3,
        creep_s: raw.creep_tau_s,
        atmosphere: raw.atmosphere_pa,
        joint_load: raw.joint_load,
        abs_tol,
    }
}
