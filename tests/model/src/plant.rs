//! An abstract rig: gas, ball and cavity over one poll, and the readings of its transducers and switch.

use seathold_sequencer::output::{GasValve, Outputs, Pilot};

/// Pressure, in levels that the sequence can distinguish. From one to the next is never a jump in the sequencer's sense
/// (more than three quarters of itself lost between two samples), nor half of the whole (a rig that quick could show no
/// jump): gas goes through them one by one, and only a wrong transducer skips one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// Atmosphere.
    Empty,
    /// Pressure, but too low for a jump from here to be detected.
    Low,
    /// On the way up or down.
    Mid,
    /// Likewise.
    High,
    /// In the target band.
    Band,
    /// Above the recipe's maximum.
    Over,
}

impl Level {
    const ALL: [Self; 6] = [Self::Empty, Self::Low, Self::Mid, Self::High, Self::Band, Self::Over];

    /// Pascals, gauge.
    pub const fn pascals(self) -> i32 {
        match self {
            Self::Empty => 0,
            Self::Low => 50_000,
            Self::Mid => 180_000,
            Self::High => 400_000,
            Self::Band => 600_000,
            Self::Over => 720_000,
        }
    }

    /// One level nearer to `target`.
    fn toward(self, target: Self) -> Self {
        let at = self as usize;
        match self.cmp(&target) {
            core::cmp::Ordering::Equal => self,
            core::cmp::Ordering::Less => Self::ALL[at + 1],
            core::cmp::Ordering::Greater => Self::ALL[at - 1],
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
            Self::Gross => 60_000,
        }
    }

    /// Polls after which the abstract leak stops: it must not count for ever, or the space would not be finite. Later
    /// than any look.
    const fn polls_max(self) -> u8 {
        match self {
            Self::None => 0,
            Self::Over => 60,
            Self::Gross => 6,
        }
    }
}

/// How well the vent valve and its silencer let air out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Way {
    /// At once.
    Free,
    /// A level a poll.
    Slow,
    /// Not at all.
    Blocked,
}

/// Fault of the far transducer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Lie {
    /// It reads the pressure.
    None,
    /// It reads zero.
    Zero,
    /// It is stuck at its reading when the fault began, in pascals.
    Stuck(i32),
    /// It reads so low that a medium pressure reads as none.
    Shifted,
    /// The two transducers are exchanged.
    Swapped,
}

/// State of the shut switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Switch {
    /// By the ball.
    Honest,
    /// Always shut.
    Made,
    /// Never shut.
    Open,
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
    /// Polls from shut to open.
    stroke: u8,
    /// Ball position: 0 shut, `stroke` open.
    ball: u8,
    /// The end where the present stroke began; its position while the ball rests.
    left: u8,
    /// Both sides empty since the present stroke began.
    clean: bool,
    /// A hand valve's lever: where the operator has put it.
    pub lever: bool,
    /// The ball does not move.
    pub jammed: bool,
    /// The vent.
    pub vent: Way,
    /// The far transducer.
    pub lie: Lie,
    /// The shut switch.
    pub switch: Switch,
    /// Polls the far side has been leaking for.
    fallen: u8,
}

impl Plant {
    /// Empty and shut.
    pub const fn new(leak: Leak, stroke: u8) -> Self {
        Self {
            leak,
            far: Level::Empty,
            supply: Level::Empty,
            cavity: false,
            stroke,
            ball: 0,
            left: 0,
            clean: false,
            lever: false,
            jammed: false,
            vent: Way::Free,
            lie: Lie::None,
            switch: Switch::Honest,
            fallen: 0,
        }
    }

    /// True far-side pressure in pascals, gauge.
    pub fn far_pascals(&self) -> i32 {
        self.far.pascals() - i32::from(self.fallen) * self.leak.step()
    }

    /// Readings of the far and the supply transducer, in pascals.
    pub fn shown(&self) -> (i32, i32) {
        let (far, supply) = (self.far_pascals(), self.supply.pascals());
        match self.lie {
            Lie::None => (far, supply),
            Lie::Zero => (0, supply),
            Lie::Stuck(pa) => (pa, supply),
            Lie::Shifted => (far - Level::Mid.pascals(), supply),
            Lie::Swapped => (supply, far),
        }
    }

    /// Both sides truly empty.
    fn empty(&self) -> bool {
        self.far == Level::Empty && self.supply == Level::Empty
    }

    /// The ball is shut, whatever the switch reads.
    pub const fn is_shut(&self) -> bool {
        self.ball == 0
    }

    /// The ball is neither shut nor open.
    pub const fn is_between(&self) -> bool {
        0 < self.ball && self.ball < self.stroke
    }

    /// State of the shut switch.
    pub const fn says_shut(&self) -> bool {
        match self.switch {
            Switch::Honest => self.is_shut(),
            Switch::Made => true,
            Switch::Open => false,
        }
    }

    fn told_open(&self, outputs: Outputs, by_air: bool) -> bool {
        if by_air { outputs.pilot == Pilot::Fed } else { self.lever }
    }

    /// Whether the ball moves, or is about to.
    pub fn moves(&self, outputs: Outputs, by_air: bool) -> bool {
        let goal = if self.told_open(outputs, by_air) { self.stroke } else { 0 };
        self.ball != goal && !self.jammed
    }

    /// A part of a stroke. The conservative assumption: the cavity takes the higher of the pressures it passes, as they
    /// were when this part began, and only a whole stroke with nothing on either side empties it. So one stroke out of
    /// pressure never does, the next one does, and half a stroke and back does not.
    fn turn(&mut self, open: bool) {
        if self.ball == 0 || self.ball == self.stroke {
            self.left = self.ball;
            self.clean = true;
        }
        self.clean &= self.empty();
        self.cavity |= !self.empty();
        self.ball = if open { self.ball + 1 } else { self.ball - 1 };
        if self.ball == 0 || self.ball == self.stroke {
            self.cavity &= !self.clean || self.ball == self.left;
            (self.left, self.clean) = (0, false);
        }
    }

    /// One poll under these outputs, the shop supplying at `shop`.
    pub fn advance(&mut self, outputs: Outputs, shop: Level, by_air: bool) {
        let was_shut = self.is_shut();
        if self.moves(outputs, by_air) {
            self.turn(self.told_open(outputs, by_air));
        }
        // A ball neither shut nor open lets air through.
        let joined = !self.is_shut() || !was_shut;
        if outputs.supply == GasValve::Open {
            self.supply = self.supply.toward(shop);
        } else if outputs.vent == GasValve::Open {
            self.supply = match self.vent {
                Way::Free => Level::Empty,
                Way::Slow => self.supply.toward(Level::Empty),
                Way::Blocked => self.supply,
            };
        }
        let before = self.far;
        if joined {
            let blocked = outputs.vent == GasValve::Shut || self.vent == Way::Blocked;
            if outputs.supply == GasValve::Shut && blocked {
                // No flow in or out: the pressures equalise. The higher of the two is the conservative result.
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

    /// The lever is shut and opened again within one poll: both strokes at once.
    pub fn work_lever(&mut self) {
        if !self.jammed {
            self.cavity = !self.empty();
            self.ball = self.stroke;
        }
        self.lever = true;
    }

    /// Pressure enters by some other path.
    pub fn intrude(&mut self) {
        self.far = Level::Band;
        self.fallen = 0;
    }

    /// The supply valve passes, or is opened by hand.
    pub fn pass(&mut self) {
        self.supply = Level::Band;
    }
}
