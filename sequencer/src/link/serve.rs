//! One cycle of a controller's loop.

use super::controller::Controller;
use super::message::{Record, Request, Response, Snapshot};
#[cfg(feature = "rig-memory")]
use super::rig_keeper::{RigKeeper, RigStorage};
use crate::io::Hardware;
use crate::poll_loop::{self, PollRecord};
use crate::recipe::RawRecipe;
use crate::step::Sequencer;
use crate::time::Instant;

/// Handles the host's request, polls into `record`, and stores the result.
///
/// `now` is the line's time, by which a silent host is detected. It is the rig's own except where the rig is simulated
/// faster or slower than the line.
///
/// # Errors
/// The error of [`Hardware::apply`]; the watchdog is then not fed, as in [`poll_loop::poll_into`].
pub fn service<H: Hardware, const N: usize>(
    link: &mut Controller<N>,
    now: Instant,
    sequencer: &mut Sequencer,
    hardware: &mut H,
    record: &mut PollRecord,
) -> Result<(), H::Error> {
    // As in `handle_request`: a call of it, even inlined, takes the smallest part 170 bytes of flash more.
    link.tick(now);
    if let Some(request) = link.request() {
        let response = handle(link, sequencer, &request, hardware);
        link.respond(response);
    }
    poll_loop::poll_into(sequencer, hardware, link, record)?;
    link.record(record);
    Ok(())
}

/// As [`service`], for a controller whose rig is loaded over the line.
///
/// # Errors
/// As for [`service`].
#[cfg(feature = "rig-memory")]
pub fn service_with<H: Hardware, M: RigStorage, const N: usize>(
    link: &mut Controller<N>,
    now: Instant,
    sequencer: &mut Sequencer,
    hardware: &mut H,
    record: &mut PollRecord,
    keeper: &mut RigKeeper<M>,
) -> Result<(), H::Error> {
    link.tick(now);
    if let Some(request) = link.request() {
        let response = match request {
            Request::ReadPoll => Response::Poll { at: record.at, inputs: record.inputs, outputs: record.outputs },
            request => match keeper.handle(link, sequencer, &request, || hardware.now()) {
                Some(response) => response,
                None => handle(link, sequencer, &request, hardware),
            },
        };
        link.respond(response);
    }
    if let Some(lack) = keeper.lacking()
        && link.take_start()
    {
        link.respond(Response::Lacking(lack));
    }
    poll_loop::poll_into(sequencer, hardware, link, record)?;
    link.record(record);
    Ok(())
}

/// Handles the host's request, if there is one: the first part of [`service`], for a controller with an operator of its
/// own beside the link. It then polls with that one, and [records](Controller::record).
pub fn handle_request<H: Hardware, const N: usize>(
    link: &mut Controller<N>,
    now: Instant,
    sequencer: &mut Sequencer,
    hardware: &mut H,
) {
    link.tick(now);
    if let Some(request) = link.request() {
        let response = handle(link, sequencer, &request, hardware);
        link.respond(response);
    }
}

fn handle<H: Hardware, const N: usize>(
    link: &mut Controller<N>,
    sequencer: &mut Sequencer,
    request: &Request,
    hardware: &mut H,
) -> Response {
    match request {
        Request::LoadRecipe(raw) => load(link, sequencer, raw),
        Request::ReadRig => Response::Rig(*sequencer.rig().raw()),
        Request::SetTime { unix_ms } => {
            link.keep(&Record::TimeSet { at: hardware.now(), unix_ms: *unix_ms });
            Response::Done
        }
        Request::ReadStatus => Response::Status(Snapshot::new(&sequencer.status(), sequencer.recipe().is_some())),
        // Handled by the poll.
        Request::Operate(_) => Response::Busy,
        // Only where there is a keeper.
        #[cfg(feature = "rig-memory")]
        _ => Response::NotAllowed,
    }
}

/// A recipe begins with a sequencer as after a reset: it assumes pressure, and reads, at rest. So no state of an
/// earlier recipe survives, and a recording from here on is complete.
#[inline(never)]
fn load<const N: usize>(link: &mut Controller<N>, sequencer: &mut Sequencer, raw: &RawRecipe) -> Response {
    if !sequencer.takes_recipe() {
        return Response::Busy;
    }
    let rig = *sequencer.rig();
    // Only the number of errors goes over the line, so no list of them is kept.
    let mut errors = 0u8;
    match raw.validate_with(&rig, |_| errors = errors.saturating_add(1)) {
        Some(recipe) => {
            *sequencer = Sequencer::new(rig, Some(recipe));
            link.keep(&Record::RecipeLoaded(*raw));
            Response::Done
        }
        None => Response::NotValid { errors },
    }
}
