//! `seathold watch`: what a controller reads, live. It looks, and asks for nothing to be moved.

use std::time::Duration;

use clap::Args;
use seathold_recording::header::DisplayUnits;
use seathold_sequencer::field::Unit;
use seathold_sequencer::link::message::{Request, Response};
use seathold_sequencer::recipe::RawRecipe;
use seathold_text::messages::UnitFormat;

use super::run_controller::{GREET_US, read_rig, read_status};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::{AccessArgs, Address, Client};
use crate::screen::MovingText;
use crate::watch::Watched;

/// `seathold watch`.
#[derive(Debug, Args)]
pub struct WatchArgs {
    /// The controller: "tcp:HOST:PORT", "serial:DEVICE" or "serial:DEVICE@BAUD"
    #[arg(long, value_name = "RIG")]
    pub rig: Address,
    /// Who may give commands on the line to it; watching needs no key.
    #[command(flatten)]
    pub access: AccessArgs,
    /// How long [default: until Ctrl-C]
    #[arg(long = "for", value_name = "TIME", value_parser = seconds)]
    pub for_s: Option<u32>,
    /// Unit of pressures
    #[arg(long, value_name = "UNIT", default_value = "bar", value_parser = crate::args::PRESSURE_UNITS)]
    pub unit: String,
}

fn seconds(text: &str) -> Result<u32, String> {
    crate::quantity_args::one(Unit::Second, text, 1.0..=86_400.0).map(|seconds| seconds.round() as u32)
}

/// Between two looks.
const LOOK: Duration = Duration::from_millis(50);

/// `seathold watch`.
pub(super) fn run(args: &WatchArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let address = &args.rig;
    if *address == Address::Sim {
        return Err(Error::usage(
            "--rig sim: there is nothing to watch before a run; serve it, and watch it over the line",
        ));
    }
    let key = args.access.to(address)?.0;
    let mut client = Client::look(address, key, console.clock).map_err(|why| Error::rig(address, why))?;
    let welcome = client.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    if !welcome.capabilities.rig_memory {
        return Err(Error::rig(address, "this controller's firmware does not report single readings"));
    }
    let rig = *read_rig(&mut client, address, console)?.raw();
    let units = DisplayUnits { pressure: args.unit.clone(), ..DisplayUnits::default() };
    let mut watched = Watched::new(rig, UnitFormat::new(&RawRecipe::DEMO, &units));
    let began = console.clock.elapsed();
    let moving = console.live.then(MovingText::new);
    let mut seconds = 0;
    while console.interrupted() == 0 {
        match client.ask(console.clock, &Request::ReadPoll).map_err(|why| Error::rig(address, why))? {
            Response::Poll { at, inputs, outputs } => watched.poll(at.as_ticks(), &inputs, &outputs),
            other => return Err(Error::rig(address, format!("asked what it reads it answered {other:?}"))),
        }
        let elapsed = (console.clock.elapsed() - began).as_secs();
        let next = elapsed >= seconds;
        if next {
            watched.status(read_status(&mut client, address, console)?);
            watched.second();
            seconds = elapsed + 1;
        }
        // On a terminal it stays in its place; else it is told once a second.
        if console.live || next {
            match &moving {
                Some(moving) => moving.show(watched.text()),
                None => writeln!(console.out, "{elapsed} s\n{}", watched.text())?,
            }
        }
        if args.for_s.is_some_and(|most| elapsed >= u64::from(most)) {
            break;
        }
        console.clock.pause(LOOK);
    }
    if let Some(moving) = moving {
        moving.clear();
        write!(console.out, "{}", watched.text())?;
    }
    Ok(Exit::Good)
}
