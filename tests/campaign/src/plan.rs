//! Which runs: every single fault in every phase, or several drawn at random.

use crate::argued::Argued;
use crate::setup::{Far, Fitted, POLL_US, Setup, Valve};
use crate::spec::{Planned, Spec, Stay, When};
use crate::tally::Tally;
use crate::trouble::{self, Named};
use crate::wire::Dice;
use crate::world::World;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Every bench there is.
pub fn setups() -> Vec<Setup> {
    let mut all = Vec::new();
    for fitted in Fitted::ALL {
        for (_, far) in Far::ALL {
            for (_, valve) in Valve::ALL {
                for by_hand in [false, true] {
                    all.push(Setup { fitted, by_hand, valve, far, one_stroke: false, seed: 1 });
                }
            }
        }
    }
    // A recipe without the further stroke is a case of its own, on the fullest and on the barest rig.
    for fitted in [Fitted::ALL[0], Fitted::ALL[7]] {
        for by_hand in [false, true] {
            all.push(Setup { fitted, by_hand, valve: Valve::Tight, far: Far::Small, one_stroke: true, seed: 1 });
        }
    }
    all
}

/// The phases of a run without faults, each with its length in milliseconds.
///
/// # Errors
/// As [`World::new`].
pub fn timeline(setup: Setup) -> Result<Vec<(Stay, u32)>, String> {
    let mut world = World::new(&Spec::sound(setup))?;
    let mut stays: Vec<(Stay, u32)> = Vec::new();
    while !world.over() {
        world.poll();
        let (stay, age) = world.stay();
        let ms = (age / 1_000) as u32;
        match stays.last_mut() {
            Some((last, longest)) if *last == stay => *longest = ms,
            _ => stays.push((stay, ms)),
        }
    }
    Ok(stays)
}

/// Times in a phase at which a fault begins: at once, at the very end, and between, the more the longer it is.
fn moments(length_ms: u32) -> Vec<u32> {
    let poll = (POLL_US / 1_000) as u32;
    let last = length_ms.saturating_sub(poll).max(poll);
    let between = match length_ms {
        0..200 => 0,
        200..600 => 1,
        _ => 3,
    };
    let mut all: Vec<u32> =
        (0..=between + 1).map(|i| (poll + (last - poll) * i / (between + 1)) / poll * poll).collect();
    all.dedup();
    all
}

/// A valve that leaks on one side only matters from the swap on: until then it is a tight valve.
fn worth(setup: &Setup, stay: &Stay) -> bool {
    let second = stay.side == Some(seathold_sequencer::input::Side::Second);
    setup.valve != Valve::LeakerB || second
}

/// Every single fault on this bench, or only one, started from one run without faults until then.
///
/// # Errors
/// As [`World::new`].
pub fn singles(setup: Setup, only: Option<&Named>, argued: &[Argued], tally: &mut Tally) -> Result<(), String> {
    let sound = World::run(&Spec::sound(setup))?;
    tally.take(&Spec::sound(setup), &sound, argued);
    let troubles: Vec<&'static Named> =
        trouble::ALL.iter().filter(|n| n.applies(&setup) && only.is_none_or(|o| o.name == n.name)).collect();
    let mut world = World::new(&Spec::sound(setup))?;
    let mut to_come: Vec<(Stay, u32)> = Vec::new();
    for (stay, length) in timeline(setup)? {
        if worth(&setup, &stay) {
            to_come.extend(moments(length).into_iter().map(|ms| (stay, ms)));
        }
    }
    while !world.over() {
        let (stay, age) = world.stay();
        // The run is copied in the poll before the fault begins.
        let due = |at: &(Stay, u32)| at.0 == stay && age + POLL_US >= u64::from(at.1) * 1_000;
        while let Some(i) = to_come.iter().position(due) {
            let (stay, ms) = to_come.remove(i);
            for &named in &troubles {
                for &lasts in named.spans() {
                    let planned = Planned { named, when: When::In(stay, ms), lasts };
                    let mut copy = world.clone();
                    copy.plan(planned);
                    let outcome = copy.finish(|_| {});
                    tally.take(&Spec::single(setup, planned), &outcome, argued);
                }
            }
        }
        world.poll();
    }
    Ok(())
}

/// Benches with their timelines, for drawing at random.
#[derive(Debug)]
pub struct Urn(Vec<(Setup, Vec<(Stay, u32)>)>);

impl Urn {
    /// With every bench.
    ///
    /// # Errors
    /// As [`World::new`].
    pub fn new() -> Result<Self, String> {
        setups().into_iter().map(|s| Ok((s, timeline(s)?))).collect::<Result<_, String>>().map(Self)
    }

    /// The `index`-th draw of a seed: two faults, or one time in three three.
    pub fn draw(&self, seed: u64, index: usize) -> Spec {
        let mut dice = Dice::new(seed.wrapping_mul(0xD129_0D3D_5DEA_3B1F) ^ (index as u64) << 20);
        let (setup, stays) = &self.0[dice.below(self.0.len())];
        let mut spec = Spec::sound(Setup { seed: 1 + dice.bits() % 1_000, ..*setup });
        let troubles: Vec<&'static Named> = trouble::ALL.iter().filter(|n| n.applies(setup)).collect();
        let many = if dice.below(3) == 0 { 3 } else { 2 };
        for i in 0..many {
            let named = troubles[dice.below(troubles.len())];
            let lasts = named.spans()[dice.below(named.spans().len())];
            let polls = |dice: &mut Dice, ms: u32| 10 * dice.below(ms as usize / 10 + 1) as u32;
            let when = if i > 0 && dice.below(2) == 0 {
                When::Then(polls(&mut dice, 3_000))
            } else {
                let (stay, length) = stays[dice.below(stays.len())];
                When::In(stay, 10 + polls(&mut dice, length.saturating_sub(20)))
            };
            spec.troubles[i] = Some(Planned { named, when, lasts });
        }
        spec
    }
}

/// Runs `jobs` on so many threads.
///
/// # Errors
/// The first of any job.
pub fn share_out(
    threads: usize,
    jobs: usize,
    job: impl Fn(usize, &mut Tally) -> Result<(), String> + Sync,
) -> Result<Tally, String> {
    let next = AtomicUsize::new(0);
    let work = || {
        let mut tally = Tally::default();
        loop {
            let i = next.fetch_add(1, Ordering::Relaxed);
            if i >= jobs {
                return Ok::<Tally, String>(tally);
            }
            job(i, &mut tally)?;
        }
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(work)).collect();
        let mut all = Tally::default();
        for worker in workers {
            all.add(worker.join().map_err(|_| "a thread gave up".to_string())??);
        }
        Ok(all)
    })
}

/// Every single fault, or only one, on every bench.
///
/// # Errors
/// As [`World::new`].
pub fn all_singles(threads: usize, only: Option<&Named>, argued: &[Argued]) -> Result<Tally, String> {
    let setups = setups();
    share_out(threads, setups.len(), |i, tally| singles(setups[i], only, argued, tally))
}

/// So many random draws of a seed.
///
/// # Errors
/// As [`World::new`].
pub fn random(threads: usize, many: usize, seed: u64, argued: &[Argued]) -> Result<Tally, String> {
    let urn = Urn::new()?;
    share_out(threads, many, |i, tally| {
        let spec = urn.draw(seed, i);
        tally.take(&spec, &World::run(&spec)?, argued);
        Ok(())
    })
}
