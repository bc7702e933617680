//! A fleet as a file.

use std::path::Path;

use seathold_config::Error;
use seathold_config::config_file::ConfigFile;
use seathold_config::valve::{self, SimValve};
use seathold_quantity::{InputError, InputProblem};
use seathold_sequencer::field::{Field, Unit};
use seathold_sim::leak_path::LeakPath;
use seathold_sim::scenario::Scenario;

use super::distribution::{self, Distribution, Shape};

/// The built-in fleet, and the template for others.
pub const HATCHERY: &str = include_str!("hatchery.toml");

/// How often a path leaks, and how much then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LeakDistribution {
    /// Share of valves.
    pub share: f64,
    /// Size of the leak, Pa·m³/s.
    pub size: Distribution,
}

static SHARE: Field<LeakDistribution> = Field {
    name: "share",
    about: "share of valves that leak here",
    unit: Unit::Ratio,
    min: 0.0,
    max: 1.0,
    get: |l| l.share,
    set: |l, v| l.share = v,
};

/// What a fleet is sampled from. Checked: the plant accepts every sample.
#[derive(Clone, Debug)]
pub struct FleetSpec {
    /// File, or "hatchery".
    pub name: String,
    /// What it is.
    pub about: String,
    /// Everything that is not sampled.
    pub base: SimValve,
    /// Each of [`LeakPath::ALL`].
    pub leaks: [LeakDistribution; LeakPath::ALL.len()],
    /// White noise of the far transducer, Pa.
    pub noise: Distribution,
    /// Far volume without the cavity, m³.
    pub far_volume: Distribution,
    /// Settling time constant of the far side's gas, s.
    pub far_tau: Distribution,
    /// Temperature of the room, K.
    pub room: Distribution,
}

impl FleetSpec {
    /// The built-in fleet.
    ///
    /// # Errors
    /// None, in practice: it is a file of this program's own.
    pub fn hatchery(reference_pa: f64) -> Result<Self, Error> {
        let unstated = LeakDistribution { share: 0.0, size: Distribution::UNSTATED };
        let fleet = Self {
            name: "hatchery".into(),
            about: String::new(),
            base: valve::find("tight", reference_pa)?,
            leaks: [unstated; LeakPath::ALL.len()],
            noise: Distribution::UNSTATED,
            far_volume: Distribution::UNSTATED,
            far_tau: Distribution::UNSTATED,
            room: Distribution::UNSTATED,
        };
        fleet.over(ConfigFile::parse("hatchery", HATCHERY)?, reference_pa)
    }

    /// This on one bench: whatever is not a valve's leak is as in `bench`, and nothing of it is sampled.
    #[must_use]
    fn on(mut self, bench: &SimValve) -> Self {
        let only =
            |value: f64| Distribution { shape: Shape::Uniform, from: value, to: value, ..Distribution::UNSTATED };
        let Scenario { plant, far, .. } = &bench.scenario;
        self.noise = only(far.noise_pa);
        self.far_volume = only(plant.far_volume_m3);
        self.far_tau = only(plant.far_tau_s);
        self.room = only(plant.room_k);
        self.base = bench.clone();
        self
    }

    /// A fleet from a file, or the built-in one, on the bench of a valve file where one is given; with options of the command line
    /// applied, like `("stem.share", "20 %")`. What the file says of a bench goes before the valve file.
    ///
    /// # Errors
    /// Everything wrong with the file, or with the options, at once.
    pub fn load<'a>(
        file: Option<&Path>,
        bench: Option<&str>,
        options: impl Iterator<Item = (&'a str, &'a str)>,
        reference_pa: f64,
    ) -> Result<Self, Error> {
        let mut fleet = Self::hatchery(reference_pa)?;
        if let Some(bench) = bench {
            fleet = fleet.on(&valve::find(bench, reference_pa)?);
        }
        if let Some(file) = file {
            fleet = Self { name: file.display().to_string(), ..fleet }.over(ConfigFile::read(file)?, reference_pa)?;
        }
        fleet.over(ConfigFile::from_options(options), reference_pa)
    }

    /// This with a file applied to it.
    fn over(mut self, mut config: ConfigFile, reference_pa: f64) -> Result<Self, Error> {
        let origin = config.origin().to_owned();
        let names: Vec<(&str, &str)> = valve::names().map(|name| (name, name)).collect();
        if let Some(name) = config.choice("based_on", &names) {
            self.base = valve::find(name, reference_pa)?;
        }
        if let Some(about) = config.text("about") {
            self.about = about;
        }
        for (spot, leaks) in LeakPath::ALL.iter().zip(&mut self.leaks) {
            config.within(spot.name());
            config.field(leaks, &SHARE, reference_pa);
            leaks.size.read(&mut config, distribution::LEAK, reference_pa);
        }
        for (name, spread, fields) in [
            ("noise", &mut self.noise, distribution::NOISE),
            ("far_volume", &mut self.far_volume, distribution::VOLUME),
            ("far_tau", &mut self.far_tau, distribution::TAU),
            ("room", &mut self.room, distribution::ROOM),
        ] {
            config.within(name);
            spread.read(&mut config, fields, reference_pa);
        }
        config.finish()?;
        self.fits(origin)?;
        Ok(self)
    }

    /// Whether the plant accepts both ends of every range; its rules between fields are of the kind that hold in
    /// between when they hold there.
    fn fits(&self, origin: String) -> Result<(), Error> {
        for end in [|s: &Distribution| s.from, |s: &Distribution| s.to] {
            let mut scenario = self.base.scenario;
            self.set(&mut scenario, end);
            if let Err(errors) = scenario.validate() {
                let problems =
                    errors.to_string().lines().map(|l| InputProblem { line: None, message: l.into() }).collect();
                return Err(Error::Input(InputError { origin, problems }));
            }
        }
        Ok(())
    }

    /// Sets everything but the leaks.
    pub(super) fn set(&self, scenario: &mut Scenario, mut value: impl FnMut(&Distribution) -> f64) {
        scenario.far.noise_pa = value(&self.noise);
        scenario.plant.far_volume_m3 = value(&self.far_volume);
        scenario.plant.far_tau_s = value(&self.far_tau);
        scenario.plant.room_k = value(&self.room);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On a bench of one's own only the leaks are sampled; a field that is asked for is sampled all the same.
    #[test]
    fn on_a_bench_only_leaks_are_sampled() {
        let load = |options: &[(&str, &str)]| {
            FleetSpec::load(None, Some("creeping-seats"), options.iter().copied(), 100_000.0).unwrap()
        };
        let bench = valve::find("creeping-seats", 100_000.0).unwrap().scenario;
        for number in 1..50 {
            let mut drawn = load(&[]).draw(1, number).scenario;
            for path in LeakPath::ALL {
                *path.of_mut(&mut drawn.plant) = path.of(&bench.plant);
            }
            assert_eq!(drawn, bench);
        }
        let noisy = load(&[("noise.from", "40 Pa"), ("noise.to", "50 Pa")]);
        assert!((40.0..=50.0).contains(&noisy.draw(1, 1).scenario.far.noise_pa));
    }
}
