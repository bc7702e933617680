//! Recordings of simulated benches whose truth is known, and what is found from them.

use std::path::Path;

use seathold_analysis::identify::parameter::{Before, Guess, PARAMETERS};
use seathold_analysis::identify::scale::KnownLeak;
use seathold_analysis::identify::trace::RunReadings;
use seathold_analysis::identify::{Identified, Task, identify};
use seathold_quantity::Dimension;
use seathold_sim::noise::{Noise, Stream};
use seathold_sim::scenario::Scenario;
use seathold_sim::sensor::RawSensor;

use crate::cli_kit::seathold;

/// A simulated bench.
#[derive(Clone, Debug)]
pub struct KnownBench {
    /// Its plant, with the leaks of a tight valve.
    pub truth: Guess,
    /// Its far transducer's noise.
    pub far: RawSensor,
    /// Fields that differ from the tight valve, as options of a run.
    pub options: Vec<String>,
    /// The rig's far volume as its file has it, m³.
    pub far_volume_m3: f64,
    /// What every side loses, Pa·m³/s.
    pub loss: f64,
}

/// The rig's far volume is known so well.
pub const VOLUME_U: f64 = 0.02;

/// The known leak, Pa·m³/s, and what it is known by.
pub const KNOWN_LEAK: KnownLeak = KnownLeak { rate: 2e-3, u_rel: 0.01 };

/// A bench whose parameters are drawn all at once, each with half the standard deviation that is assumed of it before a fit, and
/// within one and a half of those: farther off hardly any can be worked by one recipe.
pub fn drawn(number: u64) -> KnownBench {
    let mut noise = Noise::new(number, Stream::Fleet);
    let mut normal = || 0.5 * noise.normal().clamp(-1.5, 1.5);
    let before = Guess::of(&Scenario::TIGHT.plant);
    let mut truth = before;
    for parameter in PARAMETERS {
        let z = normal();
        match (parameter.name, parameter.before) {
            // Set at the regulator's gauge, a few per cent off: the recipe would not accept more.
            ("regulator_set", _) => parameter.set(&mut truth, &before, 0.2 * z),
            // 20 ms before: no less than none.
            ("dead_time", Before::Plain(_)) => parameter.set(&mut truth, &before, (z + 1.0).clamp(-0.9, 2.0)),
            _ => parameter.set(&mut truth, &before, z),
        }
    }
    truth.dead_s = (truth.dead_s * 1e3).round() * 1e-3;
    let trapped = truth.plant.far_volume_m3 + truth.plant.cavity_volume_m3;
    let far_volume_m3 = trapped * (1.0 + 2.0 * VOLUME_U * normal());
    let loss = 2e-6 * (1.0 + 0.3 * normal());
    let far = RawSensor { noise_pa: 20.0 * (1.0 + 0.3 * normal()), pink_pa: 3.0 * (normal() + 1.5), ..RawSensor::DEMO };
    let mut options = vec![format!("far.noise={} Pa", far.noise_pa), format!("far.pink={} Pa", far.pink_pa)];
    for parameter in PARAMETERS {
        let kind = Dimension(parameter.unit());
        options.push(format!("plant.{}={}", parameter.name, kind.base().write(kind, parameter.get(&truth), 1e5)));
    }
    for leak in ["seat_a", "seat_b", "stem", "body_joint", "joint_a", "joint_b"] {
        options.push(format!("plant.{leak}=0 mm3/s"));
    }
    KnownBench { truth, far, options, far_volume_m3, loss }
}

/// What no parameter of the fit can take up, each as fields of a valve file: how a bench may be other than the plant that is fitted.
pub const OUTSIDE: &[(&str, &[&str])] = &[
    ("nothing", &[]),
    ("transducer lags by 50 ms", &["far.lag=50 ms"]),
    ("transducer lags by 0.5 s", &["far.lag=0.5 s"]),
    ("hysteresis of 300 Pa", &["far.hysteresis=300 Pa"]),
    ("gain 1 % high", &["far.gain_error=1 %"]),
    ("room warms by 4 K an hour, walls follow in 2 min", &["plant.room_drift=4 K/h", "plant.wall_tau=120 s"]),
    ("supply valve passes 40 mm3/s", &["plant.supply_passing=4e-3 Pa*m3/s", "plant.supply_passing_orifice=1"]),
    ("a seat leaks 20 mm3/s now and then", &["plant.debris_b=2e-3 Pa*m3/s"]),
    ("spring of another stiffness and friction", &["plant.piston_start=150000 Pa", "plant.piston_friction=60000 Pa"]),
    ("bore of another shape", &["plant.bore_b=0.7"]),
];

/// The bench of the tight valve with something that the fit does not know.
pub fn outside(fields: &[&str]) -> KnownBench {
    let truth = Guess::of(&Scenario::TIGHT.plant);
    let mut options: Vec<String> = fields.iter().map(|field| (*field).to_owned()).collect();
    for leak in ["seat_a", "seat_b", "stem", "body_joint", "joint_a", "joint_b"] {
        options.push(format!("plant.{leak}=0 mm3/s"));
    }
    KnownBench { truth, far: RawSensor::DEMO, options, far_volume_m3: 45e-6, loss: 2e-6 }
}

/// The recipe of these recordings: the side is held for half a minute, whatever is decided.
const RECIPE: &str = "measure_min = \"30 s\"\nmeasure_max = \"40 s\"\nsettle = \"1 s\"\npressure_max = \"8 bar\"\n\
                      target_tolerance = \"0.6 bar\"\njump_max = \"0.1 bar\"\nrise_max = \"0.5 bar\"\nstroke_time = \"4 s\"\n\
                      zero_peak_to_peak_max = \"0.1 bar\"\nlimit = \"100 mm3/s\"\n";

impl KnownBench {
    /// Writes rig and recipe into a folder.
    pub fn files(&self, dir: &Path) {
        let rig = format!(
            "far_volume = \"{} cm3\"\nfar_volume_u = \"{} %\"\nhard_max = \"9 bar\"\n",
            self.far_volume_m3 * 1e6,
            VOLUME_U * 100.0
        );
        std::fs::write(dir.join("bench.toml"), rig).unwrap();
        std::fs::write(dir.join("recipe.toml"), RECIPE).unwrap();
    }

    /// Records a run of it, with so much more leak on the far side; whether anything was measured.
    pub fn record(&self, dir: &Path, name: &str, seed: u64, more_leak: f64, more: &[&str]) -> bool {
        self.files(dir);
        let leak = format!("plant.rig_leak={} Pa*m3/s", self.loss + more_leak);
        let (seed, out) = (seed.to_string(), format!("[DIR]/{name}"));
        let mut typed =
            vec!["run", "-q", "--sides", "first", "--rig-file", "[DIR]/bench.toml", "--recipe", "[DIR]/recipe.toml"];
        typed.extend(["--seed", &seed, "--out", &out, "--set", &leak]);
        self.options.iter().for_each(|option| typed.extend(["--set", option]));
        typed.extend(more);
        let said = seathold(dir, &typed);
        assert!(said.err.is_empty() || said.code == 4 || said.code == 3, "{}", said.err);
        said.code < 2 || (said.code == 3 && said.err.is_empty())
    }

    /// A recording of it as the fit reads it.
    pub fn trace(&self, dir: &Path, name: &str, seed: u64, more_leak: f64) -> Option<RunReadings> {
        if !self.record(dir, name, seed, more_leak, &[]) {
            return None;
        }
        let recording = seathold_recording::read(&dir.join(name)).unwrap();
        RunReadings::new(name, &recording).ok()
    }
}

/// Fits so many recordings of a bench, one with the known leak if it is asked for, and predicts one more; `None` where the sequencer
/// could not work the bench.
pub fn found(bench: &KnownBench, seed: u64, tight: u64, with_leak: bool) -> Option<Result<Identified, String>> {
    let dir = tempfile::tempdir().unwrap();
    let trace = |n: u64, leak| bench.trace(dir.path(), &format!("{n}.hold"), seed + n, leak);
    let tight: Vec<RunReadings> = (0..tight).map(|n| trace(n, 0.0)).collect::<Option<_>>()?;
    let with_leak: Vec<RunReadings> = if with_leak { vec![trace(100, KNOWN_LEAK.rate)?] } else { Vec::new() };
    let held_out = [trace(200, 0.0)?];
    let known_leak = (!with_leak.is_empty()).then_some(KNOWN_LEAK);
    let before = Scenario::TIGHT;
    Some(identify(&Task { tight: &tight, with_leak: &with_leak, known_leak, held_out: &held_out, before }))
}
