//! The gas and the moving parts: three nodes of ideal gas at one temperature, joined by nozzles, and a ball.
//!
//! On purpose another plant than the simulator's: gas at room temperature, no dense output, no stiff solver. Each path
//! moves gas towards equal pressure in small steps and never past it, which is stable however wide the path is.

use seathold_sequencer::input::Side;
use seathold_sequencer::output::{GasValve, Outputs, Pilot};

/// Atmosphere, Pa.
pub const ATMOSPHERE: f64 = 101_325.0;
/// Set pressure of the regulator, gauge, Pa.
pub const REGULATOR: f64 = 600_000.0;
/// Air pressure of the actuator, gauge, Pa.
pub const PILOT_AIR: f64 = 600_000.0;
/// The room at the beginning, K.
pub const ROOM: f64 = 293.15;

/// Volumes of the supply side and of the cavity around the ball, m³.
const LINE: f64 = 30e-6;
const CAVITY: f64 = 5e-6;

/// Sonic flow of pV a pascal upstream, m³/s: `q = k · p₁` while choked.
const K_SUPPLY: f64 = 1.0e-3;
const K_VENT: f64 = 1.5e-3;
const K_BORE: f64 = 3.0e-2;
/// So narrow that one stroke leaves a few hundredths of the cavity's gas: the further stroke is needed.
const K_CAVITY: f64 = 2.0e-4;
const K_BLEED: f64 = 2.0e-4;
/// A vent that is nearly blocked.
const SLOW: f64 = 0.02;
/// A supply valve that passes: it fills the supply side in a second or so when the vent is shut, and keeps it a few
/// kilopascal above the atmosphere with an open one.
const K_PASSING: f64 = 3.0e-5;

/// From where the bore is open, and between what the cavity is joined to both sides.
const BORE_FROM: f64 = 0.15;
const CAVITY_FROM: f64 = 0.08;
const CAVITY_TO: f64 = 0.92;
/// Before the ball moves, and from stop to stop, µs.
const DEAD_US: u64 = 20_000;
const STROKE_US: f64 = 120_000.0;
/// By hand.
const LEVER_US: f64 = 80_000.0;
/// Actuator pressure at which the ball begins to open, and at which it is open, gauge, Pa.
const PISTON: (f64, f64) = (200_000.0, 350_000.0);
/// How fast the gas takes the room's temperature, s.
const WARMING_S: f64 = 1.0;

/// Steps while anything moves, and while nothing does, µs.
const FINE_US: u64 = 1_000;
const COARSE_US: u64 = 10_000;

/// Pressures at which a leak is stated, absolute, Pa.
const STATED: (f64, f64) = (REGULATOR + ATMOSPHERE, ATMOSPHERE);

/// Leaks, in Pa·m³/s at the regulator's pressure against the atmosphere.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Leaks {
    /// Past the seats at end A and end B, towards the supply side when that end is there.
    pub seats: [f64; 2],
    /// Out of the joints at end A and end B.
    pub joints: [f64; 2],
    /// Out of the stem and the body, of the trapped side.
    pub stem: f64,
    /// Out of the rig's own fittings on the far side.
    pub rig: f64,
}

/// Faults of the moving parts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Broken {
    /// The ball does not move at all.
    pub jammed: bool,
    /// The ball moves no further than half way.
    pub half: bool,
    /// The supply valve stays like this.
    pub supply: Option<GasValve>,
    /// The supply valve passes.
    pub passing: bool,
    /// The vent valve stays like this.
    pub vent: Option<GasValve>,
    /// The vent is nearly blocked.
    pub vent_slow: bool,
    /// The pilot valve stays like this.
    pub pilot: Option<Pilot>,
}

/// True state at a moment: gauge pressures in Pa, ball 0 shut to 1 open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// Far side.
    pub far: f64,
    /// Cavity.
    pub cavity: f64,
    /// Supply side.
    pub line: f64,
    /// The ball.
    pub ball: f64,
    /// Gas on the far side as pressure × volume at the first temperature, Pa·m³ absolute: reduced by a true leak.
    pub content: f64,
    /// Present leak out of the trapped side, as stated, Pa·m³/s.
    pub stated_leak: f64,
    /// Intended leak of the ball on this side, had the ends been swapped as confirmed.
    pub meant_leak: f64,
    /// Something keeps the ball from shutting.
    pub hindered: bool,
}

/// The plant.
#[derive(Clone, Debug)]
pub struct Plant {
    /// Moles, as pV at [`ROOM`]: supply side, cavity, far side.
    n: [f64; 3],
    v: [f64; 3],
    /// Temperature of all gas over [`ROOM`].
    warmth: f64,
    ball: f64,
    /// Where the lever is being turned to; `None` where an actuator moves the ball.
    lever: Option<f64>,
    /// Remaining dead time of the actuator, µs.
    dead_us: u64,
    wanted: bool,
    outputs: Outputs,
    /// End A is on the supply side.
    first: bool,
    /// Something moved in the last step.
    busy: bool,
    /// The leaks.
    pub leaks: Leaks,
    /// The faults.
    pub broken: Broken,
    /// The regulator, gauge, Pa.
    pub regulator: f64,
    /// The actuator's air, gauge, Pa.
    pub pilot_air: f64,
    /// The room, K.
    pub room: f64,
    /// The hand bleed at the far side.
    pub bleed: bool,
}

/// Flow of pV from `a` to `b` over a nozzle of `k`, m³/s: sonic below a pressure ratio of 0.528, an ellipse above it.
fn nozzle(k: f64, a: f64, b: f64) -> f64 {
    let (high, low, sign) = if a >= b { (a, b, 1.0) } else { (b, a, -1.0) };
    let ratio = low / high;
    let share = if ratio <= 0.528 {
        1.0
    } else {
        let x = (ratio - 0.528) / 0.472;
        (1.0 - x * x).max(0.0).sqrt()
    };
    sign * k * high * share
}

/// Flow of pV over a fine leak: ∝ p₁² − p₂².
fn seep(stated: f64, a: f64, b: f64) -> f64 {
    stated * (a * a - b * b) / (STATED.0 * STATED.0 - STATED.1 * STATED.1)
}

impl Plant {
    /// Empty and at rest, end A on the supply side. A lever is open, as valves come to a bench.
    pub fn new(far_volume: f64, by_hand: bool, leaks: Leaks) -> Self {
        let v = [LINE, CAVITY, far_volume];
        let ball = if by_hand { 1.0 } else { 0.0 };
        Self {
            n: v.map(|v| v * ATMOSPHERE),
            v,
            warmth: 1.0,
            ball,
            lever: by_hand.then_some(ball),
            dead_us: 0,
            wanted: false,
            outputs: Outputs::REST,
            first: true,
            busy: false,
            leaks,
            broken: Broken::default(),
            regulator: REGULATOR,
            pilot_air: PILOT_AIR,
            room: ROOM,
            bleed: false,
        }
    }

    /// Sets the outputs.
    pub fn set(&mut self, outputs: Outputs) {
        self.busy |= self.outputs != outputs;
        self.outputs = outputs;
    }

    /// Turns the lever, if there is one.
    pub fn turn(&mut self, to: f64) {
        if self.lever.is_some() {
            self.lever = Some(to);
            self.busy = true;
        }
    }

    /// Which end is on the supply side: that of the first side, or of the second.
    pub const fn mounted(&self) -> Side {
        if self.first { Side::First } else { Side::Second }
    }

    /// The valve is taken off: both sides are open to the room, the cavity is not. It is put on the other way round.
    pub fn swap(&mut self) {
        self.loosen();
        self.first = !self.first;
    }

    /// The fittings are loosened.
    pub fn loosen(&mut self) {
        let even = |v: f64| v * ATMOSPHERE / self.warmth;
        let [line, _, far] = self.v;
        self.n = [even(line), self.n[1], even(far)];
        self.busy = true;
    }

    /// An external change: the next steps are fine ones.
    pub const fn stir(&mut self) {
        self.busy = true;
    }

    fn pressure(&self, node: usize) -> f64 {
        self.n[node] * self.warmth / self.v[node]
    }

    /// The gas of the far side in kelvin, for a thermometer.
    pub fn kelvin(&self) -> f64 {
        self.warmth * ROOM
    }

    /// Advances time.
    pub fn advance(&mut self, us: u64) {
        let mut left = us;
        while left > 0 {
            let step = left.min(if self.busy { FINE_US } else { COARSE_US });
            self.busy = false;
            self.step(step);
            left -= step;
        }
    }

    fn step(&mut self, us: u64) {
        let s = us as f64 / 1e6;
        self.move_ball(us);
        let target = self.room / ROOM;
        if (self.warmth - target).abs() > 1e-9 {
            self.warmth += (target - self.warmth) * (s / (s + WARMING_S));
        }
        let [line, cavity, far] = [0, 1, 2];
        let open = |stuck: Option<GasValve>, set: GasValve| stuck.unwrap_or(set) == GasValve::Open;
        let fed = if open(self.broken.supply, self.outputs.supply) {
            K_SUPPLY
        } else if self.broken.passing {
            K_PASSING
        } else {
            0.0
        };
        self.outside(line, fed, self.regulator + ATMOSPHERE, s);
        if open(self.broken.vent, self.outputs.vent) {
            self.outside(line, if self.broken.vent_slow { K_VENT * SLOW } else { K_VENT }, ATMOSPHERE, s);
        }
        if self.ball > BORE_FROM {
            let wide = (self.ball - BORE_FROM) / (1.0 - BORE_FROM);
            self.between(line, far, K_BORE * wide * wide, s);
        }
        if self.ball > CAVITY_FROM && self.ball < CAVITY_TO {
            self.between(line, cavity, K_CAVITY, s);
            self.between(cavity, far, K_CAVITY, s);
        }
        if self.bleed {
            self.outside(far, K_BLEED, ATMOSPHERE, s);
        }
        self.leak(s);
    }

    /// Gas between a node and a place of fixed pressure.
    fn outside(&mut self, node: usize, k: f64, pressure: f64, s: f64) {
        if k == 0.0 {
            return;
        }
        let here = self.pressure(node);
        let even = (here - pressure) * self.v[node] / self.warmth;
        let moved = least(nozzle(k, here, pressure) * s, even);
        self.n[node] -= moved;
        self.busy |= moved.abs() > 1e-5 * self.n[node];
    }

    fn between(&mut self, a: usize, b: usize, k: f64, s: f64) {
        let (pa, pb) = (self.pressure(a), self.pressure(b));
        let even = (pa - pb) * self.v[a] * self.v[b] / (self.v[a] + self.v[b]) / self.warmth;
        let moved = least(nozzle(k, pa, pb) * s, even);
        self.n[a] -= moved;
        self.n[b] += moved;
        self.busy |= moved.abs() > 1e-5 * self.n[b];
    }

    fn leak(&mut self, s: f64) {
        let (line, far) = (self.pressure(0), self.pressure(2));
        if self.ball <= BORE_FROM {
            let even = (far - line) * self.v[0] * self.v[2] / (self.v[0] + self.v[2]) / self.warmth;
            let moved = least(seep(self.seat(), far, line) * s, even);
            self.n[2] -= moved;
            self.n[0] += moved;
        }
        let out = self.outward();
        if out > 0.0 {
            let even = (far - ATMOSPHERE) * self.v[2] / self.warmth;
            self.n[2] -= least(seep(out, far, ATMOSPHERE) * s, even);
        }
    }

    /// The seat that holds the far side: the one next to the supply side.
    const fn seat(&self) -> f64 {
        let [a, b] = self.leaks.seats;
        if self.first { a } else { b }
    }

    const fn outward(&self) -> f64 {
        let [a, b] = self.leaks.joints;
        self.leaks.stem + self.leaks.rig + if self.first { b } else { a }
    }

    fn move_ball(&mut self, us: u64) {
        let (target, whole_us) = match self.lever {
            Some(lever) => (lever, LEVER_US),
            None => {
                let fed = self.broken.pilot.unwrap_or(self.outputs.pilot) == Pilot::Fed;
                if fed != self.wanted {
                    self.wanted = fed;
                    self.dead_us = DEAD_US;
                }
                if self.dead_us > 0 {
                    self.dead_us = self.dead_us.saturating_sub(us);
                    self.busy = true;
                    return;
                }
                let (begins, ends) = PISTON;
                let to = if fed { ((self.pilot_air - begins) / (ends - begins)).clamp(0.0, 1.0) } else { 0.0 };
                (to, STROKE_US)
            }
        };
        if self.broken.jammed || self.ball == target {
            return;
        }
        let far = us as f64 / whole_us;
        let mut to = if target > self.ball { (self.ball + far).min(target) } else { (self.ball - far).max(target) };
        if self.broken.half {
            // It stays on its side of the middle.
            to = if self.ball <= 0.5 { to.min(0.5) } else { to.max(0.5) };
        }
        self.busy |= to != self.ball;
        self.ball = to;
    }

    /// True state now; `side` is the one under test according to the sequencer.
    pub fn truth(&self, side: Option<Side>) -> Truth {
        let [a, b] = self.leaks.seats;
        let meant = match side {
            Some(Side::Second) => b,
            _ => a,
        };
        Truth {
            far: self.pressure(2) - ATMOSPHERE,
            cavity: self.pressure(1) - ATMOSPHERE,
            line: self.pressure(0) - ATMOSPHERE,
            ball: self.ball,
            content: self.n[2],
            stated_leak: self.seat() + self.outward(),
            meant_leak: meant + self.outward(),
            hindered: self.broken.jammed
                || self.broken.half
                || self.broken.pilot.is_some()
                || (self.lever.is_none() && self.pilot_air < PISTON.1),
        }
    }
}

/// The smaller of two flows in the same direction.
fn least(moved: f64, even: f64) -> f64 {
    if moved.abs() < even.abs() { moved } else { even }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FEED: Outputs = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Fed };
    const TRAP: Outputs = Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Exhausted };

    fn filled() -> Plant {
        let mut plant = Plant::new(45e-6, false, Leaks::default());
        for outputs in [FEED, TRAP, Outputs::REST] {
            plant.set(outputs);
            plant.advance(1_000_000);
        }
        plant
    }

    #[test]
    fn a_shut_ball_holds_the_far_side_and_the_cavity() {
        let truth = filled().truth(None);
        assert!((truth.far - REGULATOR).abs() < 1.0, "{truth:?}");
        assert!(truth.cavity > 0.9 * REGULATOR, "{truth:?}");
        assert!(truth.line.abs() < 1.0 && truth.ball == 0.0, "{truth:?}");
    }

    #[test]
    fn one_stroke_leaves_the_cavity_above_what_is_safe_and_three_do_not() {
        let mut plant = filled();
        plant.set(Outputs::OPEN_TO_VENT);
        plant.advance(2_000_000);
        assert!(plant.truth(None).far < 10.0);
        assert!(plant.truth(None).cavity > 3_000.0, "{:?}", plant.truth(None));
        for outputs in [Outputs::REST, Outputs::OPEN_TO_VENT] {
            plant.set(outputs);
            plant.advance(500_000);
        }
        assert!(plant.truth(None).cavity < 100.0, "{:?}", plant.truth(None));
    }

    /// While choked, a volume empties as exp(−k t / V): the textbook's isothermal blow-down, whatever the steps.
    #[test]
    fn a_choked_volume_empties_exponentially() {
        let mut plant = Plant::new(1e-3, false, Leaks::default());
        plant.n[2] = 8e5 * 1e-3;
        plant.bleed = true;
        plant.stir();
        plant.advance(1_000_000);
        let expected = 8e5 * (-K_BLEED / 1e-3f64).exp();
        assert!((plant.pressure(2) / expected - 1.0).abs() < 2e-3, "{} {expected}", plant.pressure(2));
    }

    #[test]
    fn a_leak_takes_what_it_states() {
        let mut plant = filled();
        plant.leaks.stem = 1e-3;
        let before = plant.truth(None).content;
        plant.advance(100_000);
        let taken = (before - plant.truth(None).content) / 0.1;
        assert!((taken / 1e-3 - 1.0).abs() < 1e-2, "{taken}");
    }
}
