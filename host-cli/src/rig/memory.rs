//! The rig that a controller keeps: which it is, its adapters, and loading another.

use jiff::Timestamp;
use seathold_config::rig::{AdapterChoice, choose};
use seathold_sequencer::link::message::{Request, Response, RigLack, RigMemory};
use seathold_sequencer::rig::RawRig;
use seathold_sequencer::rig_image::{Adapter, RigCheck, RigImage, is_name};
use seathold_text::drift_margin::LOADED_WITH;

use super::address::Address;
use super::client::Client;
use crate::console::Console;
use crate::error::Error;

/// How long a controller that has just begun anew is waited for, in microseconds.
const SETTLE_US: u64 = 10_000_000;

/// What a controller keeps, with its adapters.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptRig {
    /// Which.
    pub memory: RigMemory,
    /// Its adapters, in the order of their numbers.
    pub adapters: Vec<Adapter>,
}

/// Asks for it.
///
/// # Errors
/// When the controller does not answer.
pub fn read(client: &mut Client, address: &Address, console: &mut Console<'_>) -> Result<KeptRig, Error> {
    let memory = match ask(client, address, console, &Request::ReadRigMemory)? {
        Response::RigMemory(memory) => memory,
        other => return Err(unexpected(address, "which rig it keeps", &other)),
    };
    let wrong_name = || Error::rig(address, "a name it gives is none that a rig or an adapter can have");
    if memory.generation > 0 && !is_name(&memory.name) {
        return Err(wrong_name());
    }
    let mut adapters = Vec::new();
    for number in 0..memory.adapters {
        match ask(client, address, console, &Request::ReadAdapter { number })? {
            Response::Adapter(Some(adapter)) if is_name(&adapter.name) => adapters.push(adapter),
            Response::Adapter(Some(_)) => return Err(wrong_name()),
            other => return Err(unexpected(address, "an adapter", &other)),
        }
    }
    Ok(KeptRig { memory, adapters })
}

/// Asks for the rig that is compiled in.
///
/// # Errors
/// When the controller does not answer.
pub fn compiled_in(client: &mut Client, address: &Address, console: &mut Console<'_>) -> Result<RawRig, Error> {
    match ask(client, address, console, &Request::ReadCompiledRig)? {
        Response::Rig(raw) => Ok(raw),
        other => Err(unexpected(address, "the rig that is compiled in", &other)),
    }
}

/// Sends an image, and has it stored.
///
/// # Errors
/// When the controller does not answer, is not at rest, or refuses it.
pub fn store(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
    image: &RigImage,
) -> Result<RigMemory, Error> {
    let calibrated_until_unix_ms = image.calibrated_until_unix_ms;
    let rig = Request::StageRig { name: image.name.clone(), calibrated_until_unix_ms, rig: image.rig };
    let parts = std::iter::once(rig).chain(image.adapters.iter().cloned().map(Request::StageAdapter));
    for part in parts {
        match ask(client, address, console, &part)? {
            Response::Done => {}
            Response::NotAllowed => {
                return Err(Error::rig(address, "rigs are loaded only under its key: give --key FILE"));
            }
            other => return Err(unexpected(address, "a part of a rig", &other)),
        }
    }
    let unix_ms = unix_ms(console);
    change(client, address, console, &Request::StoreRig { check_sum: image.check_sum(), unix_ms })
}

/// Says of the rig with this number that it has been checked, or need not be.
///
/// # Errors
/// As for [`store`].
pub fn set_check(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
    (generation, waived): (u32, bool),
) -> Result<RigMemory, Error> {
    let unix_ms = unix_ms(console);
    let check = if waived { RigCheck::Waived { unix_ms } } else { RigCheck::Passed { unix_ms } };
    change(client, address, console, &Request::SetRigCheck { generation, check })
}

/// Has the adapter fitted that is chosen, where it is not yet.
///
/// # Errors
/// As for [`store`].
pub fn fit(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
    (memory, number): (&RigMemory, Option<u8>),
) -> Result<(), Error> {
    if memory.fitted == number {
        return Ok(());
    }
    change(client, address, console, &Request::FitAdapter { generation: memory.generation, number }).map(|_| ())
}

fn change(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
    request: &Request,
) -> Result<RigMemory, Error> {
    // After another change it reads the far side anew for a moment.
    let until = client.now(console.clock) + SETTLE_US;
    let mut answer = ask(client, address, console, request)?;
    while answer == Response::Busy && client.now(console.clock) < until && console.interrupted() == 0 {
        let next = client.now(console.clock) + 300_000;
        while client.now(console.clock) < next {
            client.turn(console.clock, &mut Vec::new(), |_| {});
        }
        answer = ask(client, address, console, request)?;
    }
    let why = match answer {
        Response::RigMemory(memory) => return Ok(memory),
        Response::Busy => {
            "it is not at rest with its far side measured empty: let it vent, end its run, or acknowledge its fault"
        }
        Response::NotAllowed => "its rig is changed only under its key: give --key FILE",
        Response::NotStored => {
            "its memory failed, and what it holds now is in force: read it back with `seathold rig show`, and load the rig again"
        }
        Response::NotValid { errors: 0 } => "its rig has been changed by somebody else meanwhile: begin again",
        Response::NotValid { errors } => {
            return Err(Error::rig(
                address,
                format!("it finds {errors} mistakes in this rig that this program does not"),
            ));
        }
        other => return Err(unexpected(address, "a change of its rig", &other)),
    };
    Err(Error::rig(address, why))
}

impl KeptRig {
    /// The number of the adapter that is chosen.
    ///
    /// # Errors
    /// As for [`choose`].
    pub fn choose(&self, address: &Address, choice: AdapterChoice<'_>) -> Result<Option<u8>, Error> {
        let number = choose(&self.adapters, choice).map_err(|why| Error::rig(address, why))?;
        Ok(number.and_then(|number| u8::try_from(number).ok()))
    }

    /// The adapter of this number.
    pub fn adapter(&self, number: Option<u8>) -> Option<&Adapter> {
        number.and_then(|number| self.adapters.get(usize::from(number)))
    }

    /// What it is called in a recording.
    pub fn words(&self, number: Option<u8>) -> String {
        let adapter = self.adapter(number).map_or_else(String::new, |adapter| format!(", adapter {}", adapter.name));
        match self.memory.generation {
            0 if self.memory.lacking == Some(RigLack::Rig) => {
                "none loaded: the limits that are compiled in hold".into()
            }
            0 => format!("the controller's, compiled in{adapter}"),
            n => format!("{}, loaded {} (revision {n}){adapter}", self.memory.name, date(self.memory.loaded_unix_ms)),
        }
    }

    /// Why no run can begin, but for an adapter that is not chosen yet.
    ///
    /// # Errors
    /// In words, with what to do.
    pub fn fit_for_air(&self, address: &Address) -> Result<(), Error> {
        let why = match self.memory.lacking {
            Some(RigLack::Rig) => {
                "no rig is loaded into the controller, or what is stored there cannot be used: describe yours in a file, and load it \
                 with `seathold rig load FILE --rig …`"
            }
            Some(RigLack::Check) => {
                "its rig has not been checked since it was loaded: run `seathold doctor --rig …` to the end before air is let in, or, \
                 where you know better, `seathold rig waive-check --rig …`, which is recorded"
            }
            Some(RigLack::Adapter) | None => return Ok(()),
        };
        Err(Error::rig(address, why))
    }

    /// What a recording has to say of the calibrations that the rig was loaded with.
    pub fn calibrated(&self, now: Timestamp) -> Option<String> {
        let until = self.memory.calibrated_until_unix_ms;
        let with = format!("rig {}, loaded {}", self.memory.name, date(self.memory.loaded_unix_ms));
        match u64::try_from(now.as_millisecond()).unwrap_or(0) {
            _ if self.memory.generation == 0 => None,
            _ if until == 0 => {
                Some(format!("no calibration: every figure is of the rig file that was loaded ({with})"))
            }
            now if now > until => Some(format!("OUT OF DATE since {}: {LOADED_WITH} ({with})", date(until))),
            _ => Some(format!("{LOADED_WITH}, valid to {} ({with})", date(until))),
        }
    }

    /// A line for the recording where the check was waived.
    pub fn caution(&self) -> Option<String> {
        match self.memory.check {
            RigCheck::Waived { unix_ms } if self.memory.generation > 0 => {
                Some(format!("the rig was NOT CHECKED since it was loaded: waived on {}", date(unix_ms)))
            }
            _ => None,
        }
    }
}

/// Whether it has been checked, in words.
pub fn check_words(check: RigCheck) -> String {
    match check {
        RigCheck::NotYet => "not yet since it was loaded: no air".into(),
        RigCheck::Passed { unix_ms } => format!("passed on {}", date(unix_ms)),
        RigCheck::Waived { unix_ms } => format!("WAIVED on {}", date(unix_ms)),
    }
}

/// A time of a controller's memory.
pub fn date(unix_ms: u64) -> String {
    let ms = i64::try_from(unix_ms).unwrap_or(i64::MAX);
    Timestamp::from_millisecond(ms)
        .map_or_else(|_| "at an unknown time".into(), |at| at.strftime("%Y-%m-%d %H:%M UTC").to_string())
}

fn unix_ms(console: &Console<'_>) -> u64 {
    u64::try_from(console.clock.now().as_millisecond()).unwrap_or(0)
}

fn ask(
    client: &mut Client,
    address: &Address,
    console: &mut Console<'_>,
    request: &Request,
) -> Result<Response, Error> {
    client.ask(console.clock, request).map_err(|why| Error::rig(address, why))
}

fn unexpected(address: &Address, what: &str, answer: &Response) -> Error {
    Error::rig(address, format!("asked about {what} it answered {answer:?}"))
}
