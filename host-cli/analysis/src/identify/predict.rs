//! What a plant shows when it is switched as it was in a recording.

use seathold_sequencer::output::Outputs;
use seathold_sim::config::{LeakSpec, PlantSpec, RawPlant};
use seathold_sim::network::Node;
use seathold_sim::plant::Plant;

use super::parameter::Guess;
use super::trace::{Act, RunReadings};

/// Means of each stretch, gauge, in Pa: far side, supply side.
pub type Shown = [Vec<f64>; 2];

/// The plant's pressures in the stretches of `trace`, losing so much from the far side with each side, Pa·m³/s as a plant
/// states a leak. `None` where the plant is not valid.
///
/// A leak below zero is what is left when something else (a warming wall) raises the pressure; it is shown as the same leak
/// turned round.
pub fn shown(guess: &Guess, leaks: [f64; 2], trace: &RunReadings) -> Option<Shown> {
    let mut all = run(guess, leaks.map(|leak| leak.max(0.0)), trace)?;
    if leaks.iter().any(|leak| *leak < 0.0) {
        let turned = run(guess, leaks.map(f64::abs), trace)?;
        for (all, turned) in all.iter_mut().zip(&turned) {
            all.iter_mut().zip(turned).for_each(|(value, other)| *value = 2.0 * *value - other);
        }
    }
    Some(all)
}

/// The plant of a guess that loses so much; `None` where a rule between its fields is broken.
fn spec(guess: &Guess, leaks: [f64; 2]) -> Option<(PlantSpec, u64)> {
    let mut plant = guess.plant;
    // The far side's joint is that of end B on the first side.
    (plant.joint_b, plant.joint_a) = (LeakSpec::viscous(leaks[0]), LeakSpec::viscous(leaks[1]));
    keep_rules(&mut plant);
    let whole = (guess.dead_s * 1e3).floor();
    plant.dead_time_ms = whole as u32;
    let rest_us = ((guess.dead_s * 1e3 - whole) * 1e3).round() as u64;
    Some((plant.validate().ok()?, rest_us))
}

/// Keeps what is varied within the plant's rules between fields.
pub(super) fn keep_rules(plant: &mut RawPlant) {
    plant.creep_m3 = plant.creep_m3.min(0.05 * plant.far_volume_m3);
    plant.crossover_c = plant.crossover_c.min(plant.bore_c);
    plant.piston_end_pa = plant.piston_end_pa.max(1.01 * plant.piston_start_pa).min(1.2e6);
}

fn run(guess: &Guess, leaks: [f64; 2], trace: &RunReadings) -> Option<Shown> {
    let (spec, pilot_late) = spec(guess, leaks)?;
    let mut plant = Plant::new(&spec, 0);
    if trace.second_only {
        let _ = plant.swap_ends(0);
    }
    let atmosphere = plant.atmosphere();
    let mut shown = [vec![0.0; trace.far.len()], vec![0.0; trace.supply.len()]];
    let mut outputs = Outputs::REST;
    // A pilot that follows a fraction of a millisecond later makes the dead time smooth.
    let mut pilot: Option<(u64, Outputs)> = None;
    let mut acts = trace.acts.iter().peekable();
    let mut switch_until = |plant: &mut Plant, until: u64| {
        loop {
            let next = acts.peek().map_or(u64::MAX, |(at, _)| *at);
            match pilot {
                Some((at, to)) if at <= next && at < until => {
                    plant.set(at, to);
                    pilot = None;
                    continue;
                }
                _ => {}
            }
            if next >= until {
                break;
            }
            match acts.next() {
                Some((at, Act::Set(to))) => {
                    let now = Outputs { pilot: outputs.pilot, ..*to };
                    if let Some((_, waiting)) = pilot.take() {
                        plant.set(*at, waiting);
                    }
                    plant.set(*at, now);
                    if to.pilot != outputs.pilot {
                        pilot = Some((at + pilot_late, *to));
                    }
                    outputs = *to;
                }
                Some((at, Act::SwapEnds)) => {
                    let _ = plant.swap_ends(*at);
                }
                None => break,
            }
        }
    };
    for ask in &trace.asks {
        switch_until(&mut plant, ask.at);
        plant.advance(ask.at);
        let node = if ask.channel == 0 { Node::Far } else { Node::Line };
        let gauge = plant.pressure(node, ask.at) - atmosphere;
        if let Some(value) = shown.get_mut(ask.channel).and_then(|all| all.get_mut(ask.stretch)) {
            *value += ask.weight * gauge;
        }
    }
    shown.iter().flatten().all(|value| value.is_finite()).then_some(shown)
}
