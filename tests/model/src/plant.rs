//! An abstract rig: what gas, ball and cavity do in one poll.

use seathold_sequencer::output::{Gate, Outputs, Pilot};

/// Pressure, as far as the sequence can tell levels apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// Atmosphere.
    Empty,
    /// On the way up or down.
    Half,
    /// In the target band.
    Band,
    /// Above the recipe's maximum.
    Over,
}

impl Level {
    /// Pascals, gauge.
    pub const fn pascals(self) -> i32 {
        match self {
            Self::Empty => 0,
            Self::Half => 300_000,
            Self::Band => 600_000,
            Self::Over => 720_000,
        }
    }

    /// One level nearer to `target`.
    fn toward(self, target: Self) -> Self {
        match (self.cmp(&target), self) {
            (core::cmp::Ordering::Equal, _) => self,
            (core::cmp::Ordering::Less, Self::Empty) => Self::Half,
            (core::cmp::Ordering::Less, Self::Half) => Self::Band,
            (core::cmp::Ordering::Less, _) => Self::Over,
            (core::cmp::Ordering::Greater, Self::Over) => Self::Band,
            (core::cmp::Ordering::Greater, Self::Band) => Self::Half,
            (core::cmp::Ordering::Greater, _) => Self::Empty,
        }
    }
}

/// How the valve under test leaks while shut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Leak {
    /// Not at all.
    None,
    /// Three times the recipe's limit.
    Over,
    /// So much that it shows at once.
    Gross,
}

impl Leak {
    /// Pascals a poll.
    const fn step(self) -> i32 {
        match self {
            Self::None => 0,
            Self::Over => 300,
            Self::Gross => 30_000,
        }
    }

    /// Polls after which the abstract leak stops: it must not count for ever, or the space would not be finite. Later
    /// than any look at it.
    const fn polls_max(self) -> u8 {
        match self {
            Self::None => 0,
            Self::Over => 60,
            Self::Gross => 6,
        }
    }
}

/// The rig's true state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Plant {
    /// The valve under test.
    pub leak: Leak,
    /// Between ball and transducer.
    pub far: Level,
    /// Between the supply valve, the vent valve and the ball.
    pub supply: Level,
    /// The ball's cavity holds pressure.
    pub cavity: bool,
    /// The ball is open.
    pub open: bool,
    /// A hand valve's lever: where the operator has put it.
    pub lever: bool,
    /// The ball does not move.
    pub jammed: bool,
    /// Polls the far side has been leaking for.
    fallen: u8,
}

impl Plant {
    /// Empty and shut.
    pub const fn new(leak: Leak) -> Self {
        Self {
            leak,
            far: Level::Empty,
            supply: Level::Empty,
            cavity: false,
            open: false,
            lever: false,
            jammed: false,
            fallen: 0,
        }
    }

    /// True far-side pressure in pascals, gauge.
    pub fn far_pascals(&self) -> i32 {
        self.far.pascals() - i32::from(self.fallen) * self.leak.step()
    }

    /// One poll under these outputs, the shop supplying at `shop`.
    pub fn advance(&mut self, outputs: Outputs, shop: Level, by_air: bool) {
        let told = if by_air { outputs.pilot == Pilot::Fed } else { self.lever };
        let moves = told != self.open && !self.jammed;
        if moves {
            // The cautious reading of a stroke: the cavity takes the higher of the pressures it passes, as they were
            // when the stroke began. So one stroke out of pressure never empties it, the next one does.
            self.cavity = self.far > Level::Empty || self.supply > Level::Empty;
        }
        let joined = self.open || moves;
        self.open = if moves { told } else { self.open };

        if outputs.supply == Gate::Open {
            self.supply = self.supply.toward(shop);
        } else if outputs.vent == Gate::Open {
            self.supply = Level::Empty;
        }
        let before = self.far;
        if joined {
            if outputs.supply == Gate::Shut && outputs.vent == Gate::Shut {
                // Nothing flows in or out: what is there evens out. The higher of the two is the cautious end.
                self.far = self.far.max(self.supply);
                self.supply = self.far;
            } else {
                self.far = self.far.toward(self.supply);
            }
        }
        if joined || self.far != before || self.far == Level::Empty {
            self.fallen = 0;
        } else if self.fallen < self.leak.polls_max() {
            self.fallen += 1;
        }
    }

    /// Pressure gets in by some way of its own.
    pub fn intrude(&mut self) {
        self.far = Level::Band;
        self.fallen = 0;
    }
}
