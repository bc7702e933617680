//! How the ball moves: an actuator with dead time and stroke, or a hand on a lever.
//!
//! Position is piecewise linear in time. Its corners, and the moments at which the ball's edge passes a seat, fall on
//! whole microseconds and are told to the plant in advance, so that no integration step runs across one: a step that
//! began before an opening was there would know nothing of it.

/// The ball's position in time: 0 shut, 1 open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Position at `since`.
    from: f64,
    /// When this stretch began, µs.
    since: u64,
    /// Speed, 1/s; 0 at rest.
    speed: f64,
    /// Where it will stop, and when, µs.
    to: f64,
    until: u64,
    /// A start still to come: when, where to, full stroke in µs.
    pending: Option<(u64, f64, u64)>,
    /// Positions at which the ball's edge passes a seat.
    edges: [f64; 2],
}

impl Motion {
    /// At rest.
    pub const fn at(position: f64, edges: [f64; 2]) -> Self {
        Self { from: position, since: 0, speed: 0.0, to: position, until: 0, pending: None, edges }
    }

    /// Position at a time within the present stretch.
    pub fn position(&self, now: u64) -> f64 {
        if self.speed == 0.0 {
            return self.from;
        }
        if now >= self.until {
            return self.to;
        }
        self.from + self.speed * (now.saturating_sub(self.since) as f64 * 1e-6)
    }

    /// Speed in the present stretch, 1/s.
    pub const fn speed(&self) -> f64 {
        self.speed
    }

    /// Will move to `to` after `dead` µs, taking `stroke` µs for a whole stroke. Replaces an earlier start not yet due.
    pub fn start(&mut self, now: u64, dead: u64, to: f64, stroke: u64) {
        self.pending = Some((now.saturating_add(dead), to, stroke));
    }

    /// When the next corner after `now` comes, µs; one already due, but not yet passed, counts too.
    pub fn corner(&self, now: u64) -> Option<u64> {
        let start = self.pending.map(|(at, ..)| at);
        let stop = (self.speed != 0.0).then_some(self.until);
        let [one, two] = self.edges.map(|edge| self.passes(edge).filter(|at| *at > now));
        [start, stop, one, two].into_iter().flatten().min()
    }

    /// When the ball will pass a position, or has passed it, in this stretch.
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
        if let Some((at, to, stroke)) = self.pending
            && now >= at
        {
            self.pending = None;
            let from = self.position(at);
            let way = to - from;
            // Whole microseconds, so that the corner is an exact time on every machine.
            let takes = libm::round(way.abs() * stroke as f64) as u64;
            let speed = if takes == 0 { 0.0 } else { way / (takes as f64 * 1e-6) };
            let from = if takes == 0 { to } else { from };
            let until = at.saturating_add(takes);
            *self = Self { from, since: at, speed, to, until, pending: None, edges: self.edges };
        }
    }
}
