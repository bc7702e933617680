//! A fleet as a file.

use std::path::Path;

use seathold_sequencer::field::{Field, Unit};
use seathold_sim::scenario::Scenario;
use seathold_sim::spot::Spot;

use super::spread::{self, Spread};
use crate::error::{Error, Problem};
use crate::files::sheet::Sheet;
use crate::files::valve::{self, Valve};

/// The built-in fleet, and the template for others.
pub const HATCHERY: &str = include_str!("hatchery.toml");

/// How often a place leaks, and how much then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leaks {
    /// Share of valves.
    pub share: f64,
    /// Size of the leak, Pa·m³/s.
    pub size: Spread,
}

static SHARE: Field<Leaks> = Field {
    name: "share",
    about: "share of valves that leak here",
    unit: Unit::Ratio,
    min: 0.0,
    max: 1.0,
    get: |l| l.share,
    set: |l, v| l.share = v,
};

/// What a fleet is drawn from. Checked: whatever it draws, the plant takes.
#[derive(Clone, Debug)]
pub struct Fleet {
    /// File, or "hatchery".
    pub name: String,
    /// What it is.
    pub about: String,
    /// Everything that is not drawn.
    pub base: Valve,
    /// Each place of [`Spot::ALL`].
    pub leaks: [Leaks; Spot::ALL.len()],
    /// White noise of the far transducer, Pa.
    pub noise: Spread,
    /// Far volume without the cavity, m³.
    pub far_volume: Spread,
    /// Time constant of the far side's gas, s.
    pub far_tau: Spread,
    /// Temperature of the room, K.
    pub room: Spread,
}

impl Fleet {
    /// The built-in fleet.
    ///
    /// # Errors
    /// None, in practice: it is a file of this program's own.
    pub fn hatchery(reference_pa: f64) -> Result<Self, Error> {
        let unstated = Leaks { share: 0.0, size: Spread::UNSTATED };
        let fleet = Self {
            name: "hatchery".into(),
            about: String::new(),
            base: valve::find("tight", reference_pa)?,
            leaks: [unstated; Spot::ALL.len()],
            noise: Spread::UNSTATED,
            far_volume: Spread::UNSTATED,
            far_tau: Spread::UNSTATED,
            room: Spread::UNSTATED,
        };
        fleet.over(Sheet::parse("hatchery", HATCHERY)?, reference_pa)
    }

    /// A fleet from a file, or the built-in one; with options of the command line laid over it, like
    /// `("stem.share", "20 %")`.
    ///
    /// # Errors
    /// Everything wrong with the file, or with the options, at once.
    pub fn load<'a>(
        file: Option<&Path>,
        options: impl Iterator<Item = (&'a str, &'a str)>,
        reference_pa: f64,
    ) -> Result<Self, Error> {
        let mut fleet = Self::hatchery(reference_pa)?;
        if let Some(file) = file {
            fleet = Self { name: file.display().to_string(), ..fleet }.over(Sheet::read(file)?, reference_pa)?;
        }
        fleet.over(Sheet::from_options(options), reference_pa)
    }

    /// This with a sheet laid over it.
    fn over(mut self, mut sheet: Sheet, reference_pa: f64) -> Result<Self, Error> {
        let origin = sheet.origin().to_owned();
        let names: Vec<(&str, &str)> = valve::names().map(|name| (name, name)).collect();
        if let Some(name) = sheet.choice("based_on", &names) {
            self.base = valve::find(name, reference_pa)?;
        }
        if let Some(about) = sheet.text("about") {
            self.about = about;
        }
        for (spot, leaks) in Spot::ALL.iter().zip(&mut self.leaks) {
            sheet.within(spot.name());
            sheet.field(leaks, &SHARE, reference_pa);
            leaks.size.read(&mut sheet, spread::LEAK, reference_pa);
        }
        for (name, spread, fields) in [
            ("noise", &mut self.noise, spread::NOISE),
            ("far_volume", &mut self.far_volume, spread::VOLUME),
            ("far_tau", &mut self.far_tau, spread::TAU),
            ("room", &mut self.room, spread::ROOM),
        ] {
            sheet.within(name);
            spread.read(&mut sheet, fields, reference_pa);
        }
        sheet.finish()?;
        self.fits(origin)?;
        Ok(self)
    }

    /// Whether the plant takes both ends of what is drawn; its rules between fields are of the kind that hold in between
    /// when they hold there.
    fn fits(&self, origin: String) -> Result<(), Error> {
        for end in [|s: &Spread| s.from, |s: &Spread| s.to] {
            let mut scenario = self.base.scenario;
            self.set(&mut scenario, end);
            if let Err(errors) = scenario.validate() {
                let problems = errors.to_string().lines().map(|l| Problem { line: None, message: l.into() }).collect();
                return Err(Error::Input { origin, problems });
            }
        }
        Ok(())
    }

    /// Sets everything but the leaks.
    pub(super) fn set(&self, scenario: &mut Scenario, mut value: impl FnMut(&Spread) -> f64) {
        scenario.far.noise_pa = value(&self.noise);
        scenario.plant.far_volume_m3 = value(&self.far_volume);
        scenario.plant.far_tau_s = value(&self.far_tau);
        scenario.plant.room_k = value(&self.room);
    }
}
