//! `seathold doctor`: a check of a rig without air.

use std::path::PathBuf;

use clap::Args;
use seathold_sequencer::link::message::Welcome;
use seathold_sequencer::rig::Rig;
use seathold_text::layout::line;
use seathold_text::messages;
use serde_json::json;

use super::run_common::find_recipe;
use super::run_controller::{GREET_US, left_over, read_rig, read_status};
use crate::console::Console;
use crate::doctor::readings::Readings;
use crate::doctor::{Checks, Dialog, Halt, Procedure, RigUnderCheck};
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::memory;
use crate::rig::sim::parse_fault;
use crate::rig::{Address, Client};
use crate::schema::{self, JsonKind};

/// `seathold doctor`.
#[derive(Debug, Args)]
pub struct DoctorArgs {
    /// "sim" (in this program), or a controller: "tcp:HOST:PORT", "serial:DEVICE" or "serial:DEVICE@BAUD"
    #[arg(long, value_name = "RIG", default_value = "sim")]
    pub rig: Address,
    /// Who may give commands on the line to it.
    #[command(flatten)]
    pub access: crate::rig::AccessArgs,
    /// Recipe whose limits on zero and noise the readings must meet [default: "dn25-air"]
    #[arg(long, value_name = "FILE")]
    pub recipe: Option<PathBuf>,
    /// A fault of the simulated rig in this program, as for `run`; times count from switching on
    #[arg(long, value_name = "NAME[@TIME]")]
    pub fault: Vec<String>,
    /// Folder where an unfinished run of this rig may lie
    #[arg(long, value_name = "FOLDER", default_value = "recordings/")]
    pub recordings: PathBuf,
    /// One JSON object in place of the table
    #[arg(long)]
    pub json: bool,
}

pub(super) fn run(args: &DoctorArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let address = &args.rig;
    if *address != Address::Sim && !args.fault.is_empty() {
        return Err(Error::usage("--fault is for the rig simulated in this program, not for a controller"));
    }
    left_over(&args.recordings.join("any"), address)?;
    let mut client =
        Client::look(address, args.access.to(address)?.0, console.clock).map_err(|why| Error::rig(address, why))?;
    for text in &args.fault {
        let fault = parse_fault(text).map_err(|why| Error::usage(format!("--fault: {why}")))?;
        if client.bench().is_some_and(|stand| !stand.schedule.add(fault)) {
            return Err(Error::usage(format!("--fault: at most {} faults a run", seathold_sim::fault::FAULTS)));
        }
    }
    super::run_controller::greet_to_command(&mut client, address, console)?;
    let rig = read_rig(&mut client, address, console)?;
    let recipe = find_recipe(args.recipe.as_deref(), &rig, None)?;
    let status = read_status(&mut client, address, console)?;
    if status.phase.is_live() || status.side.is_some() {
        let phase = messages::phase_name(status.phase);
        return Err(Error::rig(address, format!("a run is in progress on it ({phase}): it must end first")));
    }
    client.take_records();
    let welcome = client.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    let snapshot = read_status(&mut client, address, console)?;
    let dialog = if client.bench().is_some() { Dialog::Simulated } else { Dialog::Keyboard };
    write!(console.err, "{}", opening(address, &welcome, &rig))?;

    let mut procedure = Procedure {
        bench: RigUnderCheck::new(client, rig, Readings::new(rig.raw(), &snapshot)),
        dialog,
        checks: Checks::of(rig.raw()),
        recipe: *recipe.recipe.raw(),
        works: welcome.capabilities.single_outputs,
        loaded: false,
    };
    let ended = caught_up(&mut procedure.bench, &welcome, console).and_then(|()| procedure.run(console));
    let ended = match ended {
        Err(Halt::Aborted) => {
            writeln!(console.err, "aborted; waiting until everything is at rest (Ctrl-C again quits at once)")?;
            procedure.leave(console);
            Ok(())
        }
        Err(Halt::Lost(why)) => {
            // Its own time-outs release whatever was energised.
            writeln!(
                console.err,
                "the controller cannot be reached any more ({why}). It releases an output by itself, within a \
                 second or two; look at it"
            )?;
            Ok(())
        }
        Err(Halt::Dark(why)) => {
            procedure.leave(console);
            Err(why)
        }
        Ok(()) => Ok(()),
    };
    ended?;
    let passed = procedure.checks.exit() == Exit::Good && welcome.capabilities.rig_memory;
    let noted = if passed { note_check(&mut procedure.bench, address, console) } else { Ok(None) };
    tell(args, &procedure.checks, &welcome, console)?;
    if let Some(noted) = noted? {
        writeln!(console.err, "{noted}")?;
    }
    Ok(procedure.checks.exit())
}

/// Has a controller that keeps a rig note that it was checked.
fn note_check(
    bench: &mut RigUnderCheck,
    address: &Address,
    console: &mut Console<'_>,
) -> Result<Option<String>, Error> {
    let kept = memory::read(&mut bench.client, address, console)?;
    if kept.memory.generation == 0 {
        return Ok(None);
    }
    let memory = memory::set_check(&mut bench.client, address, console, (kept.memory.generation, false))?;
    Ok(Some(format!("noted in the controller: rig {} checked, {}", memory.name, memory::check_words(memory.check))))
}

/// Processes earlier records: what comes from here on is current.
fn caught_up(bench: &mut RigUnderCheck, welcome: &Welcome, console: &mut Console<'_>) -> Result<(), Halt> {
    while bench.client.have().is_none_or(|have| have.next < welcome.next) {
        bench.look(console)?;
    }
    Ok(())
}

fn opening(address: &Address, welcome: &Welcome, rig: &Rig) -> String {
    let raw = rig.raw();
    let mut text = format!("checking the rig at {address}\n");
    let kind = if welcome.capabilities.simulated { "simulated rig, no air" } else { "rig with air" };
    line(&mut text, "controller", &format!("{kind}; link version {}; boot {:08x}", welcome.version, welcome.boot));
    let fitted = [
        ("supply-side transducer", raw.supply.is_some()),
        ("thermometer", raw.thermometer.is_some()),
        ("guard", raw.guard_fitted),
        ("shut switch", raw.shut_switch_fitted),
    ];
    let list = |is: bool| {
        let names: Vec<&str> = fitted.iter().filter(|(_, fitted)| *fitted == is).map(|(name, _)| *name).collect();
        if names.is_empty() { "nothing".to_owned() } else { names.join(", ") }
    };
    line(&mut text, "rig", &format!("far volume {:.1} cm³; fitted: {}", raw.far_volume_m3 * 1e6, list(true)));
    line(&mut text, "not fitted", &format!("{}, by the controller's own rig", list(false)));
    line(
        &mut text,
        "caution",
        "no air before every check is good. Eye protection; hands clear of the ball, which the controller moves. The \
         emergency stop must cut the solenoids' supply by itself, and the relief valve must hold by itself: neither \
         can be seen from here, try both by hand. This program is not a safety device.",
    );
    text.push('\n');
    text
}

fn tell(args: &DoctorArgs, checks: &Checks, welcome: &Welcome, console: &mut Console<'_>) -> Result<(), Error> {
    if args.json {
        let mut doctor = checks.json();
        doctor["rig"] = json!(args.rig.to_string());
        doctor["simulated"] = json!(welcome.capabilities.simulated);
        doctor["boot"] = json!(welcome.boot);
        schema::write(console, JsonKind::Doctor, json!({ "doctor": doctor }))?;
        return Ok(());
    }
    writeln!(console.err)?;
    let next = if checks.exit() == Exit::Good {
        format!(
            "the first air: the lowest pressure that the regulator holds, hand bleed shut, shield in place; then \
             seathold run --rig {} --sides first --recipe FILE, with that pressure as its target",
            args.rig
        )
    } else {
        "no air. Put right what failed, and check again".to_owned()
    };
    let mut text = format!("{}  {}\n{}", args.rig, checks.headline(), checks.text());
    line(&mut text, "next", &next);
    write!(console.out, "{text}")?;
    Ok(())
}
