//! How the ball moves: a spring-return actuator driven by air, or a hand on a lever.
//!
//! Air fills and empties the actuator exponentially. The ball starts once the air overcomes spring and friction (or the
//! spring overcomes air and friction) and follows the spring's load, no faster than the least stroke; too little air
//! never opens it, or only partly, and a ball that sticks more than the spring can push stays part open.
//!
//! Position is piecewise linear in time. Its corners, and the moments at which the ball's edge passes a seat, fall on
//! whole microseconds and are reported to the plant in advance, so that no integration step runs across one: a step
//! that began before an opening would not include it.

/// The ball's position in time: 0 shut, 1 open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Position at `since`.
    from: f64,
    /// Start of the present segment, µs.
    since: u64,
    /// Speed, 1/s; 0 at rest.
    speed: f64,
    /// Where it will stop, and when, µs.
    to: f64,
    until: u64,
    /// A start still to come: when, where to, how long it takes in µs.
    pending: Option<(u64, f64, u64)>,
    /// Positions at which the ball's edge passes a seat.
    edges: [f64; 2],
}

impl Motion {
    /// At rest.
    pub const fn at(position: f64, edges: [f64; 2]) -> Self {
        Self { from: position, since: 0, speed: 0.0, to: position, until: 0, pending: None, edges }
    }

    /// Position at a time within the present segment.
    pub fn position(&self, now: u64) -> f64 {
        if self.speed == 0.0 {
            return self.from;
        }
        if now >= self.until {
            return self.to;
        }
        self.from + self.speed * (now.saturating_sub(self.since) as f64 * 1e-6)
    }

    /// Speed in the present segment, 1/s.
    pub const fn speed(&self) -> f64 {
        self.speed
    }

    /// Will move to `to` from `at` on, taking `takes` µs. Replaces an earlier start not yet due.
    pub const fn start(&mut self, at: u64, to: f64, takes: u64) {
        self.pending = Some((at, to, takes));
    }

    /// Stops where it is, until the next start.
    pub(crate) fn halt(&mut self, now: u64) {
        *self = Self::at(self.position(now), self.edges);
    }

    /// Time of the next corner after `now`, µs; one already due, but not yet passed, counts too.
    pub fn corner(&self, now: u64) -> Option<u64> {
        let start = self.pending.map(|(at, ..)| at);
        let stop = (self.speed != 0.0).then_some(self.until);
        let [one, two] = self.edges.map(|edge| self.passes(edge).filter(|at| *at > now));
        [start, stop, one, two].into_iter().flatten().min()
    }

    /// When the ball will pass a position, or has passed it, in this segment.
    fn passes(&self, position: f64) -> Option<u64> {
        if self.speed == 0.0 {
            return None;
        }
        let after_s = (position - self.from) / self.speed;
        let at = self.since.saturating_add(libm::round((after_s * 1e6).max(0.0)) as u64);
        (after_s > 0.0 && at < self.until).then_some(at)
    }

    /// Passes every corner due by `now`.
    pub fn turn(&mut self, now: u64) {
        if self.speed != 0.0 && now >= self.until {
            (self.from, self.since, self.speed) = (self.to, self.until, 0.0);
        }
        if let Some((at, to, takes)) = self.pending
            && now >= at
        {
            self.pending = None;
            let from = self.position(at);
            let way = to - from;
            let takes = if way == 0.0 { 0 } else { takes };
            let speed = if takes == 0 { 0.0 } else { way / (takes as f64 * 1e-6) };
            let from = if takes == 0 { to } else { from };
            let until = at.saturating_add(takes);
            *self = Self { from, since: at, speed, to, until, pending: None, edges: self.edges };
        }
    }
}

/// Constants of an actuator. Pressures are gauge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Actuator {
    /// Dead time of the pilot valve, µs.
    pub dead_time_us: u64,
    /// Least time for a whole stroke, s.
    pub stroke_s: f64,
    /// Pressure at which the spring begins to give, and at which it is fully pressed, Pa.
    pub spring: (f64, f64),
    /// Friction, Pa.
    pub friction: f64,
    /// Time constant of filling, s.
    pub fill_s: f64,
    /// Time constant of exhausting, s.
    pub exhaust_s: f64,
    /// Where a stop in the valve keeps the ball from going further shut.
    pub shut_stop: f64,
}

/// Air in the actuator: on its way from one pressure to another since some time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    from: f64,
    to: f64,
    since: u64,
    tau_s: f64,
}

impl Air {
    /// Empty.
    pub const EMPTY: Self = Self { from: 0.0, to: 0.0, since: 0, tau_s: 0.0 };

    /// Gauge pressure now, Pa.
    pub fn pressure(&self, now: u64) -> f64 {
        if now < self.since {
            return self.from;
        }
        if self.tau_s <= 0.0 {
            return self.to;
        }
        let elapsed = (now - self.since) as f64 * 1e-6;
        self.to + (self.from - self.to) * libm::exp(-elapsed / self.tau_s)
    }

    /// When it will pass a pressure, s after `since`: 0 if it is beyond it already, `None` if it never will.
    fn passes(&self, pressure: f64) -> Option<f64> {
        let (total, rest) = (self.to - self.from, self.to - pressure);
        if total * rest <= 0.0 {
            return None;
        }
        if rest.abs() >= total.abs() {
            return Some(0.0);
        }
        Some(self.tau_s * libm::log(total / rest))
    }
}

/// A move of the ball: when it starts (µs), where it ends, how long it takes (µs).
pub type Move = (u64, f64, u64);

impl Actuator {
    /// The actuator is fed at `fed` Pa gauge, or exhausted for `None`, from `now` on, with the ball at `ball`: the
    /// course of the air, and the move of the ball, if the air can overcome the friction.
    pub fn plan(&self, air: &Air, fed: Option<f64>, now: u64, ball: f64) -> (Air, Option<Move>) {
        let since = now.saturating_add(self.dead_time_us);
        let to = fed.unwrap_or(0.0);
        let from = air.pressure(now);
        let opening = to > from;
        let tau_s = if opening { self.fill_s } else { self.exhaust_s };
        let air = Air { from, to, since, tau_s };
        let span = self.spring.1 - self.spring.0;
        // Friction acts against the motion; the ball ends where air and spring balance with it.
        let friction = if opening { self.friction } else { -self.friction };
        let end = ((to - self.spring.0 - friction) / span).clamp(0.0, 1.0);
        let end = if opening { end } else { end.max(self.shut_stop) };
        if (opening && end <= ball) || (!opening && end >= ball) {
            return (air, None);
        }
        let load = |x: f64| self.spring.0 + x * span + friction;
        let Some(start_s) = air.passes(load(ball)) else {
            return (air, None);
        };
        // An asymptotic pressure counts as reached after four time constants: 98 %.
        let end_s = air.passes(load(end)).unwrap_or(start_s + 4.0 * tau_s);
        let least = (end - ball).abs() * self.stroke_s;
        let start = micros(start_s);
        let takes = micros((end_s - start_s).max(least)).max(1);
        (air, Some((since.saturating_add(start), end, takes)))
    }
}

/// Whole microseconds, so that a corner is an exact time on every machine.
fn micros(seconds: f64) -> u64 {
    libm::round(seconds * 1e6) as u64
}
