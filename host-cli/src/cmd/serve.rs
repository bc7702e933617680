//! `seathold serve`: the simulated rig behind a controller, for a host to talk to.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use seathold_config::{fault, valve};
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::input::Sides;
use seathold_sequencer::recipe::RawRecipe;
use seathold_sequencer::time::{Instant, millis};
use seathold_sequencer::units::Reference;
use seathold_sim::bench::SimBench;
use seathold_text::messages::{self, UnitFormat};

use super::files::whole_rig;
use crate::console::{Console, KeyboardInput};
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::sim::parse_fault;
use crate::screen::{Plain, Screen};
use crate::serve::{
    HELP, HandWork, Hands, Listener, ListenerEvent, PollPacer, ServedRig, SimFlash, open_pty, open_tcp,
};
use crate::speed::Speed;
use seathold_sequencer::link::rig_keeper::WithoutRig;
use seathold_signing::secret_file::random;

/// Longest sleep while nothing is due.
const NAP: Duration = Duration::from_millis(1);

/// `seathold serve`.
#[derive(Debug, Args)]
#[command(after_help = HELP)]
pub struct ServeArgs {
    /// Address and port to listen on; port 0 takes any that is free. Whoever reaches it may work the simulated rig
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:4444", help_heading = "The line")]
    pub listen: String,
    /// A new pseudo-terminal instead: to the host, a serial port
    #[arg(long, conflicts_with = "listen", help_heading = "The line")]
    pub pty: bool,
    /// Who may give commands.
    #[command(flatten)]
    pub access: crate::rig::AccessArgs,

    /// Rig file [default: the built-in rig]
    #[arg(long, value_name = "FILE", help_heading = "The simulated rig")]
    pub rig_file: Option<PathBuf>,
    /// File that stands for the controller's flash: what is loaded outlasts the program, and without a rig loaded no run
    /// begins, as on a controller out of the box
    #[arg(long, value_name = "FILE", help_heading = "The simulated rig")]
    pub rig_memory: Option<PathBuf>,
    /// Simulated valve: a name from `seathold valve list`, or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "tight", help_heading = "The simulated rig")]
    pub valve: String,
    /// Any field of a valve file, as FIELD=VALUE like "seat_a=3 mm3/s"; may be given again
    #[arg(long, value_name = "FIELD=VALUE", help_heading = "The simulated rig")]
    pub set: Vec<String>,
    /// Seed of all random numbers
    #[arg(long, value_name = "N", default_value_t = 1, help_heading = "The simulated rig")]
    pub seed: u64,
    /// A fault, as for `run`; times count from switching on
    #[arg(long, value_name = "NAME[@TIME]", help_heading = "The simulated rig")]
    pub fault: Vec<String>,
    /// How fast simulated time passes: times real time, or "max" for as fast as the host takes it
    #[arg(long, value_parser = crate::speed::speed, value_name = "max|N", default_value = "1",
          help_heading = "The simulated rig")]
    pub speed: Speed,

    /// Only the address
    #[arg(long, short, help_heading = "Output")]
    pub quiet: bool,
}

/// `seathold serve`.
pub(super) fn run(args: &ServeArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let key = args.access.at(if args.pty { "127.0.0.1:0" } else { &args.listen })?;
    let mut served = switch_on(args)?;
    if let Some(key) = key {
        served = served.with_key(key, random()?);
    }
    let mut line = if args.pty { open_pty()? } else { open_tcp(&args.listen)? };
    writeln!(console.out, "{}", line.address())?;
    console.out.flush()?;
    let mut log =
        ServeLog { quiet: args.quiet, screen: Plain(UnitFormat::new(&RawRecipe::DEMO, &DisplayUnits::default())) };
    log.say(console, "simulated rig, switched on; the host connects to the address above; Ctrl-C ends it");
    log.say(console, HELP);
    serve(args.speed, &mut served, line.as_mut(), &mut log, console)?;
    log.say(console, &format!("switched off, in phase \"{}\"", messages::phase_name(served.sequencer().phase())));
    Ok(Exit::Good)
}

/// Until Ctrl-C.
fn serve(
    speed: Speed,
    served: &mut ServedRig,
    line: &mut dyn Listener,
    log: &mut ServeLog,
    console: &mut Console<'_>,
) -> Result<(), Error> {
    let mut hands = Hands::default();
    let mut pace = PollPacer::new(speed, served.period(), console.clock.elapsed());
    while console.interrupted() == 0 {
        let elapsed = console.clock.elapsed();
        let now = Instant::from_ticks(u64::try_from(elapsed.as_micros()).unwrap_or(u64::MAX));
        served.tick(now);
        if let KeyboardInput::Line(typed) = console.keys.line() {
            let said = worked(served, &mut hands, &typed)?;
            log.say(console, &said);
        }
        if let Some(event) = line.event(served.has_host()) {
            if matches!(event, ListenerEvent::Came(_)) {
                served.greet(now);
            }
            log.connection(console, &event);
        }
        let mut busy = served.talk(now, line);
        let mut wait = pace.wait(served, elapsed);
        if wait.is_zero() {
            let record = served.turn(now);
            pace.made(elapsed);
            busy = true;
            if let Some(recipe) = served.sequencer().recipe() {
                log.screen = Plain(UnitFormat::new(recipe.raw(), &DisplayUnits::default()));
            }
            for event in &record.events {
                log.event(console, record.at, event);
            }
            wait = pace.wait(served, elapsed);
        }
        if !busy {
            console.clock.pause(wait.min(NAP));
        }
    }
    Ok(())
}

/// Does what was typed, and tells it.
fn worked(served: &mut ServedRig, hands: &mut Hands, typed: &str) -> Result<String, Error> {
    let what = match HandWork::parse(typed) {
        Ok(what) => what,
        Err(why) => return Ok(why),
    };
    if what == HandWork::RESET {
        served.reset(random()?);
    }
    if what == HandWork::BUTTON {
        served.press_start();
    }
    Ok(hands.work(served.bench(), what))
}

/// The log. Its reader may go away: that is no reason to stop serving.
struct ServeLog {
    quiet: bool,
    screen: Plain,
}

impl ServeLog {
    fn say(&self, console: &mut Console<'_>, text: &str) {
        if !self.quiet {
            let _ = writeln!(console.err, "{text}");
        }
    }

    fn connection(&self, console: &mut Console<'_>, event: &ListenerEvent) {
        let text = match event {
            ListenerEvent::Came(from) => format!("a host has connected ({from})"),
            ListenerEvent::TurnedAway(from) => format!("another host was refused ({from}): one at a time"),
            ListenerEvent::Gone => "the host has disconnected; records are kept for it".into(),
        };
        self.say(console, &text);
    }

    fn event(&mut self, console: &mut Console<'_>, at: Instant, event: &seathold_sequencer::event::Event) {
        if !self.quiet {
            let _ = self.screen.event(console, at, event);
        }
    }
}

fn switch_on(args: &ServeArgs) -> Result<ServedRig, Error> {
    let rig = whole_rig(args.rig_file.as_deref())?.rig;
    let reference = Reference::ISO_8778.pressure.pascals();
    let mut valve = valve::find(&args.valve, reference)?;
    let settings = super::run_common::settings(&args.set)?;
    valve.set(settings.iter().map(|(name, value)| (name.as_str(), value.as_str())), reference)?;
    // As on the controller images: a poll for every conversion.
    let period = millis(valve.scenario.far.period_ms);
    let mut bench = SimBench::with(&valve.scenario, rig.raw(), args.seed, Sides::Both, period)
        .map_err(|errors| Error::usage(errors.to_string()))?;
    let faults: Result<Vec<_>, _> = args.fault.iter().map(|text| parse_fault(text)).collect();
    let mut faults = faults.map_err(|why| Error::usage(format!("--fault: {why}")))?;
    faults.extend(valve.faults.iter().map(|written| written.fault));
    fault::fit(&faults, valve.scenario.plant.actuation, rig.raw())?;
    for fault in faults {
        if !bench.schedule.add(fault) {
            return Err(Error::usage(format!("--fault: at most {} faults a run", seathold_sim::fault::FAULTS)));
        }
    }
    let (flash, without) = match &args.rig_memory {
        Some(file) => {
            let flash =
                SimFlash::in_file(file).map_err(|why| Error::file("use as the controller's flash", file, why))?;
            (flash, WithoutRig::NoRun)
        }
        None => (SimFlash::in_memory(), WithoutRig::CompiledIn),
    };
    Ok(ServedRig::with_rig_memory(rig, bench, flash, without))
}
