//! The checks, in order: air shut off, then inputs, then outputs one by one, then that nothing is left energised.

use seathold_sequencer::event::{Fault, Phase};
use seathold_sequencer::input::Command;
use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::output::{Coil, GasValve, Outputs, Pilot};
use seathold_sequencer::recipe::RawRecipe;
use seathold_text::layout::wrapped;
use seathold_text::messages;

use super::check::{CheckItem, CheckOutcome, Checks};
use super::dialog::{Dialog, Reply};
use super::readings::Readings;
use super::rig_under_check::{Halt, RigUnderCheck};
use crate::console::Console;

/// How long readings are observed, in microseconds.
const WATCH_US: u64 = 2_000_000;

/// Fewest readings for an outcome; as in the precheck.
const SAMPLES_MIN: u32 = 8;

/// Longest wait for a safe vent with all its strokes, in microseconds.
const READY_US: u64 = 120_000_000;

/// Time for a far-side transducer to come back, or a stop to be released, in microseconds: without that the
/// controller will not become ready.
const HOPELESS_US: u64 = 5_000_000;

/// Longest time until the controller releases an output, in microseconds: twice its own limit.
const WORK_US: u64 = 5_000_000;

/// How long the simulated operator holds a contact, in microseconds.
const SEEN_US: u64 = 2_000_000;

/// A workshop's temperatures, in kelvin: our judgement of what is no wiring mistake.
const ROOM_K: std::ops::RangeInclusive<f64> = 258.15..=333.15;

/// What to do where the far side could not be shown empty.
const TRAPPED: &str = "PRESSURE MAY BE TRAPPED on the far side: it could not be shown empty. Touch no fitting. See that the shop air is shut, open \
                       the hand bleed slowly and look at its gauge. Once that reads zero, and with hands clear of the ball: then Enter acknowledges";

/// One check of a rig.
#[derive(Debug)]
pub struct Procedure {
    /// The rig.
    pub bench: RigUnderCheck,
    /// The operator.
    pub dialog: Dialog,
    /// The outcomes so far.
    pub checks: Checks,
    /// How far an empty rig may be off zero, and its greatest noise: as its precheck will demand.
    pub recipe: RawRecipe,
    /// The controller can test single outputs.
    pub works: bool,
    /// The controller has the recipe.
    pub loaded: bool,
}

impl Procedure {
    /// All of it.
    ///
    /// # Errors
    /// When it ends early; the outcomes until then are in [`Procedure::checks`].
    pub fn run(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        self.air_off(console)?;
        for subject in self.checks.subjects() {
            match subject {
                CheckItem::FarReadings => self.readings(console, subject, 0)?,
                CheckItem::SupplyReadings => self.readings(console, subject, 1)?,
                CheckItem::Thermometer => self.thermometer(console)?,
                CheckItem::Stop => self.stop(console)?,
                CheckItem::Guard => self.guard(console)?,
                CheckItem::ShutSwitch => self.shut_switch(console)?,
                CheckItem::FarWire => self.wire(console, subject, 0)?,
                CheckItem::SupplyWire => self.wire(console, subject, 1)?,
                CheckItem::Output(coil) => self.output(console, coil)?,
                CheckItem::Rest => self.rest(console)?,
            }
        }
        Ok(())
    }

    /// After it ended early: nothing may be left energised. False when that could not be confirmed.
    pub fn leave(&mut self, console: &mut Console<'_>) -> bool {
        let is_quiet = |readings: &Readings| {
            readings.is_at_rest()
                && matches!(readings.phase, Phase::Ready | Phase::Fault | Phase::EmergencyStopped | Phase::Swap)
        };
        let aborted = self.bench.readings.phase == Phase::OutputTest
            && self.bench.request(console, &Request::Operate(Command::Abort)).is_err();
        let quiet = !aborted && matches!(self.bench.until(console, READY_US, is_quiet), Ok(true));
        if quiet {
            self.checks.note(CheckItem::Rest, CheckOutcome::Good, "everything at rest");
        } else {
            self.checks.note(
                CheckItem::Rest,
                CheckOutcome::Failed,
                "not confirmed at rest: switch the solenoids' supply off",
            );
        }
        quiet
    }

    /// Prints the check and what to do.
    fn title(&self, console: &mut Console<'_>, subject: CheckItem, text: &str) -> Result<(), Halt> {
        let mut line = String::new();
        wrapped(&mut line, subject.name(), 22, text);
        write!(console.err, "{line}")?;
        Ok(())
    }

    fn note(
        &mut self,
        console: &mut Console<'_>,
        subject: CheckItem,
        outcome: CheckOutcome,
        seen: &str,
    ) -> Result<(), Halt> {
        say(console, &format!("{}: {seen}", outcome.word()))?;
        self.checks.note(subject, outcome, seen);
        Ok(())
    }

    /// Asks a question; earlier input is no answer to it.
    fn prompt(&self, console: &mut Console<'_>, text: &str) -> Result<(), Halt> {
        self.dialog.hush(console)?;
        say(console, text)
    }

    fn air_off(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let fits = |said| matches!(said, Reply::Yes | Reply::No);
        self.prompt(
            console,
            "Shut the shop air off at the wall, let it out of the line, and open the hand bleed at the transducer. \
             Nobody's hand near the ball: the controller moves it. Done? y, or n to stop here (q at any time).",
        )?;
        if self.dialog.answer(&mut self.bench, console, fits)? == Reply::No {
            return Err(Halt::Aborted);
        }
        self.dialog.shut_air(&mut self.bench);
        Ok(())
    }

    /// Waits until the controller is ready and empty, answering its prompts. False where it does not get there.
    fn settle(&mut self, console: &mut Console<'_>) -> Result<bool, Halt> {
        let began = self.bench.client.now(console.clock);
        let mut last_prompt = None;
        loop {
            let readings = &self.bench.readings;
            if readings.is_ready() {
                return Ok(true);
            }
            let (phase, prompt) = (readings.phase, readings.prompt);
            // What began it does not matter any more where pressure may be trapped.
            let fault = readings.fault.filter(|_| phase != Phase::Trapped);
            let fresh = last_prompt != Some((phase, prompt, fault));
            if fresh {
                last_prompt = Some((phase, prompt, fault));
                match (phase, prompt) {
                    (Phase::SafeVent, Some(prompt)) => {
                        let hand = messages::prompt_words(prompt);
                        self.prompt(
                            console,
                            &format!("(the valve is opened into the vent; if it has a lever, {hand}, then Enter)"),
                        )?;
                    }
                    (Phase::SafeVent, None) => {
                        say(console, "(the valve is opened into the vent)")?;
                    }
                    (Phase::Trapped, _) => self.prompt(console, TRAPPED)?,
                    (Phase::Fault | Phase::EmergencyStopped, _) => {
                        let why = fault.map_or_else(String::new, latched);
                        self.prompt(
                            console,
                            &format!("waiting for you to acknowledge: {why}. Hands clear of the ball, then Enter acknowledges"),
                        )?;
                    }
                    _ => {}
                }
            }
            let command = match (phase, prompt) {
                (Phase::SafeVent, Some(prompt)) => Some(Command::Confirm(prompt)),
                (Phase::Fault | Phase::EmergencyStopped | Phase::Trapped, _) => Some(Command::Acknowledge),
                _ => None,
            };
            if let Some(command) = command
                && self.agreed(console, fresh)?
            {
                let _ = self.bench.request(console, &Request::Operate(command))?;
                self.bench.until(console, SEEN_US, |readings| (readings.phase, readings.prompt) != (phase, prompt))?;
            }
            let waited = self.bench.client.now(console.clock).saturating_sub(began);
            let readings = &self.bench.readings;
            let hopeless = !readings.is_healthy(0) || readings.contacts().is_some_and(|c| c.stop);
            if waited >= READY_US || (waited >= HOPELESS_US && hopeless) {
                return Ok(false);
            }
            self.bench.look(console)?;
        }
    }

    /// Whether the operator has said yes; the simulated one says so once, when first asked.
    fn agreed(&mut self, console: &mut Console<'_>, fresh: bool) -> Result<bool, Halt> {
        if self.dialog == Dialog::Simulated {
            return Ok(fresh);
        }
        Ok(matches!(self.dialog.said(console)?, Some(Reply::Enter | Reply::Yes)))
    }

    fn readings(&mut self, console: &mut Console<'_>, subject: CheckItem, channel: usize) -> Result<(), Halt> {
        self.title(console, subject, "two seconds of the empty rig")?;
        self.bench.readings.begin();
        self.bench.until(console, WATCH_US, |_| false)?;
        let Some(spread) = self.bench.readings.spreads.get(channel).copied() else { return Ok(()) };
        let RawRecipe { zero_band_pa, zero_peak_to_peak_max_pa, .. } = self.recipe;
        let seen = if spread.samples > 0 {
            format!("{} readings, mean {} Pa, peak to peak {} Pa", spread.samples, spread.mean(), spread.width())
        } else {
            "no healthy reading".into()
        };
        // No test needs the zero of the supply side; it must only read empty.
        let band = if channel == 0 { zero_band_pa } else { self.bench.rig.raw().safe_pressure_pa };
        let wrong = if spread.sensor_faults > 0 {
            Some(format!("{} readings faulty or impossible", spread.sensor_faults))
        } else if spread.samples < SAMPLES_MIN {
            Some("too few: is it wired?".into())
        } else if spread.holes > 0 {
            Some(format!("{} conversions missing or repeated", spread.holes))
        } else if spread.mean().unsigned_abs() > band {
            Some(format!("more than {band} Pa off zero: not empty, or the zero is wrong"))
        } else if channel == 0 && spread.width() > zero_peak_to_peak_max_pa {
            Some(format!("more than {zero_peak_to_peak_max_pa} Pa of noise: vibration, or a loose cable"))
        } else {
            None
        };
        match wrong {
            Some(why) => self.note(console, subject, CheckOutcome::Failed, &format!("{seen}; {why}")),
            None => self.note(console, subject, CheckOutcome::Good, &seen),
        }
    }

    fn thermometer(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = CheckItem::Thermometer;
        self.title(console, subject, "does it read the room's temperature?")?;
        self.bench.readings.thermometer = None;
        self.bench.until(console, WATCH_US, |readings| readings.thermometer.is_some())?;
        let counts = self.bench.readings.thermometer;
        let Some((counts, of)) = counts.zip(self.bench.rig.raw().thermometer) else {
            return self.note(console, subject, CheckOutcome::Failed, "no reading came");
        };
        let kelvin = of.temperature(counts).kelvin();
        let outcome = if ROOM_K.contains(&kelvin) { CheckOutcome::Good } else { CheckOutcome::Failed };
        self.note(console, subject, outcome, &format!("{:.1} °C", kelvin - 273.15))
    }

    /// Waits until a requested action is seen. `None` when seen; else the operator's reply.
    fn watch(
        &mut self,
        console: &mut Console<'_>,
        subject: CheckItem,
        works: bool,
        seen: impl Fn(&Readings) -> bool,
    ) -> Result<Option<Reply>, Halt> {
        self.dialog.work(&mut self.bench, subject, works);
        if self.dialog == Dialog::Simulated {
            return Ok((!self.bench.until(console, SEEN_US, seen)?).then_some(Reply::No));
        }
        loop {
            self.bench.look(console)?;
            if seen(&self.bench.readings) {
                return Ok(None);
            }
            match self.dialog.said(console)? {
                Some(Reply::No | Reply::Yes | Reply::Enter) => return Ok(Some(Reply::No)),
                Some(Reply::Skip) => return Ok(Some(Reply::Skip)),
                Some(Reply::Again) | None => {}
            }
        }
    }

    /// Both ways: `there` must be seen when the contact is worked, `back` when it is released.
    fn both_ways(
        &mut self,
        console: &mut Console<'_>,
        subject: CheckItem,
        asks: [&str; 2],
        there: impl Fn(&Readings) -> bool,
        back: impl Fn(&Readings) -> bool,
    ) -> Result<bool, Halt> {
        // Whatever its state before, the first change asked for must be new.
        if there(&self.bench.readings) {
            let seen = format!("seen already, before it was done: \"{}\"", asks[0]);
            self.note(console, subject, CheckOutcome::Failed, &seen)?;
            return Ok(false);
        }
        self.prompt(console, &format!("{}. It is seen by itself (n: done and not seen, s: leave out)", asks[0]))?;
        let outcome = match self.watch(console, subject, true, &there)? {
            Some(said) => Some((said, asks[0])),
            None => {
                self.prompt(console, &format!("seen. {}", asks[1]))?;
                self.watch(console, subject, false, &back)?.map(|said| (said, asks[1]))
            }
        };
        match outcome {
            None => Ok(true),
            Some((Reply::Skip, _)) => {
                self.note(console, subject, CheckOutcome::NotChecked, "left out")?;
                Ok(false)
            }
            Some((_, what)) => {
                self.note(console, subject, CheckOutcome::Failed, &format!("\"{what}\": done, and not seen"))?;
                Ok(false)
            }
        }
    }

    fn stop(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = CheckItem::Stop;
        self.title(console, subject, "seen when pressed, everything at rest, and seen when released")?;
        let asks = ["Press it and hold it pressed", "Release it"];
        let pressed = |readings: &Readings| {
            readings.contacts().is_some_and(|c| c.stop) && readings.phase == Phase::EmergencyStopped
        };
        let released = |readings: &Readings| readings.contacts().is_some_and(|c| !c.stop);
        let done = self.both_ways(console, subject, asks, pressed, released)?;
        let rest = self.bench.readings.is_at_rest() && self.bench.readings.phase == Phase::EmergencyStopped;
        if done && rest {
            self.note(console, subject, CheckOutcome::Good, "seen both ways; stayed at rest")?;
        } else if done {
            self.note(console, subject, CheckOutcome::Failed, "seen, but the controller did not stay at rest")?;
        }
        self.settle(console)?;
        Ok(())
    }

    fn guard(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = CheckItem::Guard;
        self.title(console, subject, "seen when opened, and when closed")?;
        let open = |readings: &Readings| readings.contacts().is_some_and(|c| !c.guard_closed);
        let closed = |readings: &Readings| readings.contacts().is_some_and(|c| c.guard_closed);
        if self.both_ways(console, subject, ["Open it", "Close it"], open, closed)? {
            self.note(console, subject, CheckOutcome::Good, "seen both ways")?;
        }
        Ok(())
    }

    fn shut_switch(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        let subject = CheckItem::ShutSwitch;
        self.title(console, subject, "made while the valve is shut, as it should be now")?;
        let open = |readings: &Readings| readings.contacts().is_some_and(|c| !c.valve_shut);
        let shut = |readings: &Readings| readings.contacts().is_some_and(|c| c.valve_shut);
        // No air: the ball does not move, and there are no hands in this program that would.
        if self.dialog == Dialog::Simulated && shut(&self.bench.readings) {
            return self.note(console, subject, CheckOutcome::Good, "made while the valve is shut");
        }
        let asks = ["Work the switch by hand, as if the valve opened", "Release it again"];
        if self.both_ways(console, subject, asks, open, shut)? {
            self.note(console, subject, CheckOutcome::Good, "seen both ways")?;
        }
        Ok(())
    }

    fn wire(&mut self, console: &mut Console<'_>, subject: CheckItem, channel: usize) -> Result<(), Halt> {
        self.title(console, subject, "a transducer unplugged must be seen, and must not be taken for an empty rig")?;
        let sensor_faults = move |readings: &Readings| !readings.is_healthy(channel);
        let well = move |readings: &Readings| readings.is_healthy(channel);
        if self.both_ways(console, subject, ["Pull its plug", "Put it back"], sensor_faults, well)? {
            self.note(console, subject, CheckOutcome::Good, "seen both ways")?;
        }
        self.settle(console)?;
        Ok(())
    }

    fn output(&mut self, console: &mut Console<'_>, coil: Coil) -> Result<(), Halt> {
        let subject = CheckItem::Output(coil);
        let what = match coil {
            Coil::Vent => "shuts for two seconds",
            Coil::Pilot => "feeds the actuator for two seconds; without air only a click",
            Coil::Supply => "opens for two seconds, a moment after the vent has shut: two clicks",
        };
        self.title(console, subject, what)?;
        if !self.works {
            let why = "this controller's program cannot test single outputs";
            return self.note(console, subject, CheckOutcome::NotChecked, why);
        }
        loop {
            if !self.settle(console)? {
                let phase = messages::phase_name(self.bench.readings.phase);
                let why = format!("the controller does not become ready; it stays in \"{phase}\"");
                return self.note(console, subject, CheckOutcome::NotChecked, &why);
            }
            if !self.loaded {
                if let Some(why) = self.load(console)? {
                    return self.note(console, subject, CheckOutcome::NotChecked, &why);
                }
                continue;
            }
            // Both sides must have read empty for the dwell, which an earlier check may have interrupted, and the ball
            // must be at rest.
            let dwell_us = u64::from(self.bench.rig.raw().safe_dwell_ms) * 1_000;
            let rest_us = u64::from(self.recipe.stroke_time_ms) * 1_500;
            let wait_us = dwell_us.max(rest_us);
            self.bench.pass(console, wait_us + wait_us / 10, READY_US)?;
            self.prompt(console, "Listen at it: Enter works it (s: leave out)")?;
            let fits = |said| matches!(said, Reply::Enter | Reply::Yes | Reply::Skip);
            if self.dialog.answer(&mut self.bench, console, fits)? == Reply::Skip {
                return self.note(console, subject, CheckOutcome::NotChecked, "left out");
            }
            if let Some((outcome, wrong)) = self.work(console, coil)? {
                self.note(console, subject, outcome, &wrong)?;
                self.settle(console)?;
                return Ok(());
            }
            self.prompt(console, "Did it move? y, n, or a for again")?;
            let fits = |said| matches!(said, Reply::Yes | Reply::No | Reply::Again);
            let said = self.dialog.answer(&mut self.bench, console, fits)?;
            match self.dialog.listen(&mut self.bench, coil).unwrap_or(said) {
                Reply::Again => {}
                Reply::No => {
                    let seen = "nothing moved: coil, wire, driver, the solenoids' supply, or the valve itself";
                    return self.note(console, subject, CheckOutcome::Failed, seen);
                }
                _ => return self.note(console, subject, CheckOutcome::Good, "worked and heard; no read-back differs"),
            }
        }
    }

    /// Loads the recipe: without one the controller knows too little of its rig to work an output. Why not, if not.
    fn load(&mut self, console: &mut Console<'_>) -> Result<Option<String>, Halt> {
        match self.bench.request(console, &Request::LoadRecipe(self.recipe))? {
            Response::Done => {
                self.loaded = true;
                // A new recipe begins with a look at the far side.
                self.bench.until(console, SEEN_US, |readings| readings.phase != Phase::Ready)?;
                Ok(None)
            }
            Response::NotValid { errors } => {
                Ok(Some(format!("the recipe does not fit the controller's rig: {errors} mistakes")))
            }
            other => Ok(Some(format!("the controller does not take the recipe: {other:?}"))),
        }
    }

    /// Tests it once; returns what was wrong, if anything. One that the controller refuses to test has not failed.
    fn work(&mut self, console: &mut Console<'_>, coil: Coil) -> Result<Option<(CheckOutcome, String)>, Halt> {
        self.bench.readings.begin();
        let answer = self.bench.request(console, &Request::Operate(Command::TestOutput(coil)))?;
        if answer != Response::Done {
            return Ok(Some((CheckOutcome::NotChecked, format!("the controller said {answer:?}"))));
        }
        let over = |readings: &Readings| {
            let ended = readings.refused.is_some() || readings.faulted.is_some();
            ended || (readings.worked.is_some() && !matches!(readings.phase, Phase::OutputTest | Phase::Ready))
        };
        let ended = self.bench.until(console, WORK_US, over)?;
        let readings = &self.bench.readings;
        if let Some(refusal) = readings.refused {
            return Ok(Some((CheckOutcome::NotChecked, format!("refused: {}", messages::refused(refusal)))));
        }
        if let Some(fault) = readings.faulted {
            let why = match fault {
                Fault::OverPressure | Fault::SupplyOverPressure => {
                    "pressure came: the air is not shut off at the wall, or not let out".into()
                }
                Fault::Output => {
                    "an output's read-back differs from its setting: a coil, its wire or its driver".into()
                }
                other => messages::fault(other).0,
            };
            return Ok(Some((CheckOutcome::Failed, why)));
        }
        if !ended {
            return Ok(Some((CheckOutcome::Failed, "the controller did not release it in time".into())));
        }
        let set = readings.worked.as_ref().is_some_and(|worked| worked.contains(&energised(coil)));
        Ok((!set).then(|| (CheckOutcome::Failed, "it was never set".into())))
    }

    fn rest(&mut self, console: &mut Console<'_>) -> Result<(), Halt> {
        self.title(console, CheckItem::Rest, "nothing may be left energised")?;
        let ready = self.settle(console)?;
        self.bench.readings.begin();
        self.bench.until(console, WATCH_US / 4, |_| false)?;
        let (outcome, seen) = if !self.bench.readings.is_at_rest() && self.bench.readings.phase == Phase::SafeVent {
            (CheckOutcome::Failed, "the valve is still held open into the vent: switch the solenoids' supply off")
        } else if !self.bench.readings.is_at_rest() {
            (CheckOutcome::Failed, "something is energised: switch the solenoids' supply off")
        } else if !ready || !self.bench.readings.is_ready() {
            (CheckOutcome::Failed, "at rest, but the controller is not ready: treat the far side as pressurised")
        } else if self.bench.readings.readback_differed {
            (CheckOutcome::Failed, "an output's read-back is not at rest: a driver or a coil's wire")
        } else {
            (CheckOutcome::Good, "everything at rest; without a test nothing is proved of the far side")
        };
        self.note(console, CheckItem::Rest, outcome, seen)
    }
}

/// Prints a text, wrapped.
fn say(console: &mut Console<'_>, text: &str) -> Result<(), Halt> {
    let mut line = String::new();
    wrapped(&mut line, "", 6, text);
    write!(console.err, "{line}")?;
    Ok(())
}

/// A latched fault in words for a rig without air, where over-pressure is any pressure at all.
fn latched(fault: Fault) -> String {
    match fault {
        Fault::OverPressure => "there was pressure on the far side".into(),
        Fault::SupplyOverPressure => "there was pressure on the supply side".into(),
        other => messages::fault(other).0,
    }
}

/// The outputs while this one is tested.
const fn energised(coil: Coil) -> Outputs {
    match coil {
        Coil::Supply => Outputs { supply: GasValve::Open, vent: GasValve::Shut, pilot: Pilot::Exhausted },
        Coil::Vent => Outputs { vent: GasValve::Shut, ..Outputs::REST },
        Coil::Pilot => Outputs { pilot: Pilot::Fed, ..Outputs::REST },
    }
}
