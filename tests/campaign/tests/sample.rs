//! A fixed sample of the campaign, small enough for every run of the tests.

use seathold_campaign::setup::Valve;
use seathold_campaign::spec::Spec;
use seathold_campaign::world::World;
use seathold_campaign::{argued, plan};
use seathold_sequencer::event::Phase;
use seathold_sequencer::verdict::Verdict;

/// Runs of the sample.
const RUNS: usize = 5_000;
const SEED: u64 = 20;

#[test]
fn with_nothing_wrong_every_valve_gets_its_verdict() {
    for setup in plan::setups() {
        let outcome = World::run(&Spec::sound(setup)).expect("valid");
        assert!(outcome.broken.is_empty(), "{setup}: {:?}", outcome.broken);
        let leaking = &[Verdict::Leaking][..];
        let expected = match setup.valve {
            Valve::Tight => [&[Verdict::Tight][..]; 2],
            Valve::LeakerB => [&[Verdict::Tight][..], leaking],
            Valve::Leaker => [leaking; 2],
            // So fast that it may appear disturbed, or pull the supply side with it: only never tight.
            Valve::Gross => [&[Verdict::Leaking, Verdict::Void][..]; 2],
        };
        for (verdict, expected) in outcome.verdicts.iter().zip(expected) {
            let may_be_missing = setup.valve == Valve::Gross;
            assert!(verdict.map_or(may_be_missing, |v| expected.contains(&v)), "{setup}: {:?}", outcome.verdicts);
        }
    }
}

#[test]
fn a_run_begun_in_the_middle_is_the_run_from_the_beginning() {
    let spec: Spec = "air/leaker/45cm3/swg/1 far-frozen@measure.2nd+100~1000".parse().expect("valid");
    let Some(planned) = spec.troubles[0] else { panic!("one trouble") };
    let mut world = World::new(&Spec::sound(spec.setup)).expect("valid");
    // Well before the fault begins.
    while world.stay().0.phase != Phase::Settle {
        assert!(!world.over(), "never shut in");
        world.poll();
    }
    world.plan(planned);
    let (middle, whole) = (world.finish(|_| {}), World::run(&spec).expect("valid"));
    assert_eq!((middle.broken, middle.verdicts, middle.lasted), (whole.broken, whole.verdicts, whole.lasted));
}

#[test]
fn every_line_of_the_argued_list_is_still_so() {
    let argued = argued::parse(argued::TEXT).expect("argued.txt");
    let stale: Vec<String> = argued.iter().filter_map(|a| a.check().err()).collect();
    assert!(stale.is_empty(), "\n{}", stale.join("\n"));
}

#[test]
fn nothing_is_broken_that_is_not_argued() {
    let argued = argued::parse(argued::TEXT).expect("argued.txt");
    let urn = plan::Urn::new().expect("valid");
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let tally = plan::share_out(threads, RUNS, |i, tally| {
        let mut spec = urn.draw(SEED, i);
        if i % 2 == 0 {
            // Every other one with its first fault alone, which is more informative.
            spec.troubles[1..].fill(None);
        }
        tally.take(&spec, &World::run(&spec)?, &argued);
        Ok(())
    })
    .expect("valid");
    assert_eq!(tally.runs, RUNS as u64);
    assert_eq!(tally.violations(), 0, "{}", tally.tables(&argued, 20));
}
