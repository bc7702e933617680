//! `seathold rigs`: what is connected.

use std::path::PathBuf;

use clap::Args;
use seathold_recording::plain::shown;
use seathold_sequencer::link::key::Key;
use seathold_sequencer::link::message::{Snapshot, VERSION, Welcome};
use seathold_text::layout::line;
use seathold_text::messages;
use serde_json::json;

use super::run_controller::{GREET_US, read_rig, read_status};
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;
use crate::rig::access::read as read_key;
use crate::rig::address::BAUD;
use crate::rig::{Address, Client, memory};
use crate::schema::{self, JsonKind};

/// Longest a serial port may take to answer, in microseconds: three hellos.
const PATIENCE_US: u64 = 1_000_000;

/// `seathold rigs`.
#[derive(Debug, Args)]
pub struct RigsArgs {
    /// Controllers to look for besides the serial ports of this machine: "tcp:HOST:PORT", "serial:DEVICE" or
    /// "serial:DEVICE@BAUD"
    #[arg(value_name = "RIG")]
    pub at: Vec<Address>,
    /// Key file of a controller, from `seathold key`: what it says of its state is shown only under its key
    #[arg(long, value_name = "FILE")]
    pub key: Option<PathBuf>,
    /// One JSON object a rig
    #[arg(long)]
    pub json: bool,
}

/// Tries every serial port and every address given; code 3 when one that was given does not answer.
pub(super) fn run(args: &RigsArgs, console: &mut Console<'_>) -> Result<Exit, Error> {
    let key = args.key.as_deref().map(read_key).transpose()?;
    let ports = serialport::available_ports().unwrap_or_default();
    let found = ports.into_iter().map(|port| Address::Serial { device: port.port_name, baud: BAUD });
    let found: Vec<Address> = found.filter(|address| !args.at.contains(address)).collect();
    let mut exit = Exit::Good;
    let mut answered = 0;
    for (address, given) in found.iter().map(|a| (a, false)).chain(args.at.iter().map(|a| (a, true))) {
        match look(address, key.as_ref(), console) {
            Ok((welcome, state)) => {
                answered += 1;
                tell(args.json, address, &welcome, state, console)?;
            }
            Err(why) if given => {
                writeln!(console.err, "error: {why}")?;
                exit = Exit::NoVerdict;
            }
            // Something else is on that port, or nothing.
            Err(_) => {}
        }
    }
    if answered == 0 && args.at.is_empty() && !args.json {
        writeln!(
            console.err,
            "no controller answers on {} serial ports; a socket must be named, like tcp:127.0.0.1:4444",
            found.len()
        )?;
    }
    Ok(exit)
}

/// What a controller says of itself, besides its welcome.
struct RigState {
    status: Snapshot,
    far_volume_m3: f64,
    /// Which rig is loaded, where one can be, with the adapter that is chosen.
    loaded: Option<String>,
}

/// Its welcome; and its state, unless only a key could tell whether that is its own.
fn look(address: &Address, key: Option<&Key>, console: &mut Console<'_>) -> Result<(Welcome, Option<RigState>), Error> {
    let mut client = Client::look(address, None, console.clock).map_err(|why| Error::rig(address, why))?;
    let mut welcome = client.greet(console.clock, PATIENCE_US).map_err(|why| Error::rig(address, why))?;
    if welcome.capabilities.key {
        let Some(key) = key else { return Ok((welcome, None)) };
        client = Client::look(address, Some(key.clone()), console.clock).map_err(|why| Error::rig(address, why))?;
        welcome = client.greet(console.clock, GREET_US).map_err(|why| Error::rig(address, why))?;
    }
    let status = read_status(&mut client, address, console)?;
    let rig = read_rig(&mut client, address, console)?;
    let loaded = if welcome.capabilities.rig_memory {
        let kept = memory::read(&mut client, address, console)?;
        Some(kept.words(kept.memory.fitted))
    } else {
        None
    };
    Ok((welcome, Some(RigState { status, far_volume_m3: rig.raw().far_volume_m3, loaded })))
}

fn tell(
    as_json: bool,
    address: &Address,
    welcome: &Welcome,
    state: Option<RigState>,
    console: &mut Console<'_>,
) -> Result<(), Error> {
    if as_json {
        let rig = json!({
            "rig": address.to_string(),
            "simulated": welcome.capabilities.simulated,
            "link": welcome.version,
            "boot": welcome.boot,
            "key": welcome.capabilities.key,
            "rig_memory": welcome.capabilities.rig_memory,
            "loaded": state.as_ref().and_then(|state| state.loaded.clone()),
            "phase": state.as_ref().map(|state| state.status.phase),
            "far_side": state.as_ref().map(|state| state.status.disconnect),
            "fault": state.as_ref().and_then(|state| state.status.fault),
            "recipe_loaded": state.as_ref().map(|state| state.status.has_recipe),
            "far_volume_m3": state.as_ref().map(|state| state.far_volume_m3),
        });
        schema::write(console, JsonKind::Rigs, rig)?;
        return Ok(());
    }
    let mut text = format!("{address}\n");
    let kind = if welcome.capabilities.simulated { "simulated rig, no air" } else { "rig with air" };
    line(&mut text, "controller", &format!("{kind}; link version {VERSION}; boot {:08x}", welcome.boot));
    let key = if welcome.capabilities.key { "only under its key" } else { "from whoever reaches it" };
    line(&mut text, "commands", key);
    let Some(RigState { status, far_volume_m3, loaded }) = state else {
        line(&mut text, "state", "not shown: only its key can prove that the answer is its own; give --key FILE");
        write!(console.out, "{text}")?;
        return Ok(());
    };
    let which = loaded.as_deref().map_or("compiled in".into(), shown);
    line(&mut text, "its rig", &format!("{which}; far volume {:.1} cm³", far_volume_m3 * 1e6));
    let far = messages::disconnect(status.disconnect);
    line(&mut text, "state", &format!("{}; {far}", messages::phase_name(status.phase)));
    if let Some(fault) = status.fault {
        line(&mut text, "FAULT", &messages::fault(fault).0);
    }
    line(&mut text, "recipe", if status.has_recipe { "loaded" } else { "none" });
    write!(console.out, "{text}")?;
    Ok(())
}
