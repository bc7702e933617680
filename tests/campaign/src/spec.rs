//! A run in one line, and back: `air/tight/45cm3/swg/1 far-frozen@measure.1st+20~1000`.
//!
//! `hand or air / valve / far volume / what is fitted / seed of the noise`, then each fault with its begin, and its
//! duration in milliseconds: `@phase.side+ms` after that phase was first entered (`#2` for the second time), `@then+ms`
//! after the previous fault began.

use crate::edge;
use crate::setup::{Far, Fitted, POLL_US, Setup, Valve};
use crate::trouble::{self, Named};
use seathold_sequencer::event::Phase;
use seathold_sequencer::input::Side;
use std::fmt;
use std::str::FromStr;

/// A phase on a side, for the `n`-th time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stay {
    /// The phase.
    pub phase: Phase,
    /// The side, if a run is under way.
    pub side: Option<Side>,
    /// From 1.
    pub time: u8,
}

/// When a fault begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// Milliseconds after a phase was entered.
    In(Stay, u32),
    /// So many milliseconds after the previous fault began.
    Then(u32),
}

/// A fault in time.
#[derive(Clone, Copy, Debug)]
pub struct Planned {
    /// The fault.
    pub named: &'static Named,
    /// Its begin.
    pub when: When,
    /// Its duration in milliseconds; `None` for permanent.
    pub lasts: Option<u32>,
}

/// Most faults of a run.
pub const TROUBLES: usize = 3;

/// A run.
#[derive(Clone, Copy, Debug)]
pub struct Spec {
    /// The setup.
    pub setup: Setup,
    /// The faults.
    pub troubles: [Option<Planned>; TROUBLES],
}

impl Spec {
    /// Without faults.
    pub const fn sound(setup: Setup) -> Self {
        Self { setup, troubles: [None; TROUBLES] }
    }

    /// With one fault.
    pub const fn single(setup: Setup, planned: Planned) -> Self {
        Self { setup, troubles: [Some(planned), None, None] }
    }

    /// The names of its faults, sorted and joined.
    pub fn names(&self) -> String {
        let mut names: Vec<&str> = self.troubles.iter().flatten().map(|p| p.named.name).collect();
        names.sort_unstable();
        names.dedup();
        if names.is_empty() { "nothing".into() } else { names.join("+") }
    }

    /// Shorter is easier to understand.
    pub fn length(&self) -> (usize, u32) {
        let troubles = self.troubles.iter().flatten();
        let ms = |p: &Planned| match p.when {
            When::In(_, ms) | When::Then(ms) => ms,
        };
        (troubles.clone().count(), troubles.map(ms).sum())
    }
}

impl fmt::Display for Stay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(edge::phase_name(self.phase))?;
        match self.side {
            Some(Side::First) => f.write_str(".1st")?,
            Some(Side::Second) => f.write_str(".2nd")?,
            None => {}
        }
        if self.time > 1 { write!(f, "#{}", self.time) } else { Ok(()) }
    }
}

impl fmt::Display for Planned {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.when {
            When::In(stay, ms) => write!(f, "{}@{stay}+{ms}", self.named.name)?,
            When::Then(ms) => write!(f, "{}@then+{ms}", self.named.name)?,
        }
        match self.lasts {
            Some(ms) => write!(f, "~{ms}"),
            None => Ok(()),
        }
    }
}

impl fmt::Display for Spec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.setup)?;
        for planned in self.troubles.iter().flatten() {
            write!(f, " {planned}")?;
        }
        Ok(())
    }
}

fn pick<T: Copy>(all: &[(&'static str, T)], name: &str, what: &str) -> Result<T, String> {
    all.iter().find(|(n, _)| *n == name).map(|(_, v)| *v).ok_or_else(|| {
        let names: Vec<&str> = all.iter().map(|(n, _)| *n).collect();
        format!("{what} '{name}': must be one of {}", names.join(", "))
    })
}

fn milliseconds(text: &str) -> Result<u32, String> {
    let ms: u32 = text.parse().map_err(|_| format!("'{text}': must be whole milliseconds"))?;
    if u64::from(ms) * 1_000 % POLL_US == 0 { Ok(ms) } else { Err(format!("{ms} ms: must be whole polls of 10 ms")) }
}

impl FromStr for Setup {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut parts = text.split('/');
        let mut part = |what: &str| parts.next().ok_or_else(|| format!("'{text}': {what} is missing"));
        let by_hand = pick(&[("air", false), ("hand", true)], part("air or hand")?, "worked by")?;
        let valve = pick(&Valve::ALL, part("the valve")?, "valve")?;
        let far = pick(&Far::ALL, part("the far volume")?, "far volume")?;
        let rig = part("the rig")?;
        let fitted = Fitted::ALL
            .into_iter()
            .find(|f| f.to_string() == rig)
            .ok_or_else(|| format!("rig '{rig}': must be bare, or of the letters s, w, g in this order, or swgt"))?;
        let seed = part("the seed")?;
        let seed = seed.parse().map_err(|_| format!("seed '{seed}': must be a whole number"))?;
        let one_stroke = match parts.next() {
            None => false,
            Some("one-stroke") => true,
            Some(other) => return Err(format!("'{other}': must be one-stroke, or nothing")),
        };
        Ok(Self { fitted, by_hand, valve, far, one_stroke, seed })
    }
}

impl FromStr for Stay {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (text, time) = match text.split_once('#') {
            Some((rest, time)) => (rest, time.parse().map_err(|_| format!("'#{time}': must be a number"))?),
            None => (text, 1),
        };
        let (name, side) = match text.split_once('.') {
            Some((name, "1st")) => (name, Some(Side::First)),
            Some((name, "2nd")) => (name, Some(Side::Second)),
            Some((_, other)) => return Err(format!("side '{other}': must be 1st or 2nd")),
            None => (text, None),
        };
        let phase = Phase::ALL.into_iter().find(|p| edge::phase_name(*p) == name);
        Ok(Self { phase: phase.ok_or_else(|| format!("phase '{name}': no such phase"))?, side, time })
    }
}

impl FromStr for Planned {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, rest) = text.split_once('@').ok_or_else(|| format!("'{text}': must say @when"))?;
        let named = trouble::find(name).ok_or_else(|| format!("trouble '{name}': no such trouble"))?;
        let (rest, lasts) = match rest.split_once('~') {
            Some((rest, ms)) => (rest, Some(milliseconds(ms)?)),
            None => (rest, None),
        };
        let (stay, ms) = rest.split_once('+').ok_or_else(|| format!("'{rest}': must say +milliseconds"))?;
        let ms = milliseconds(ms)?;
        let when = if stay == "then" { When::Then(ms) } else { When::In(stay.parse()?, ms) };
        Ok(Self { named, when, lasts })
    }
}

impl FromStr for Spec {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut words = text.split_whitespace();
        let mut spec = Self::sound(words.next().ok_or("nothing to run")?.parse()?);
        for (i, word) in words.enumerate() {
            let place = spec.troubles.get_mut(i).ok_or_else(|| format!("more than {TROUBLES} troubles"))?;
            *place = Some(word.parse()?);
        }
        Ok(spec)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_survives_being_written_down() {
        for text in [
            "air/tight/45cm3/bare/1",
            "hand/leaker-b/1l/swgt/77/one-stroke far-frozen@measure.1st+20~1000 stop@then+300",
            "air/gross/1l/sg/3 reset@ready#2+10~10 power-cut@swap.2nd+40~10 stop@then+0~50",
        ] {
            assert_eq!(text.parse::<Spec>().map(|s| s.to_string()), Ok(text.to_string()));
        }
    }
}
