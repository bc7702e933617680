//! One turn of a controller's loop.

use super::controller::Controller;
use super::message::{Answer, Order, Record, Snapshot};
use crate::bench::{self, Polled};
use crate::io::Hardware;
use crate::recipe::RawRecipe;
use crate::step::Sequencer;
use crate::time::Instant;

/// Carries out what the host ordered, polls into `polled`, and keeps what happened.
///
/// `now` is the line's time, by which a silent host is noticed. It is the rig's own except where the rig is simulated
/// faster or slower than the line.
///
/// # Errors
/// What [`Hardware::apply`] gave; the watchdog is then not fed, as in [`bench::poll_into`].
pub fn turn<H: Hardware, const N: usize>(
    link: &mut Controller<N>,
    now: Instant,
    sequencer: &mut Sequencer,
    hardware: &mut H,
    polled: &mut Polled,
) -> Result<(), H::Error> {
    link.tick(now);
    if let Some(order) = link.order() {
        let answer = obey(link, sequencer, &order, hardware);
        link.answer(answer);
    }
    bench::poll_into(sequencer, hardware, link, polled)?;
    link.record(polled);
    Ok(())
}

fn obey<H: Hardware, const N: usize>(
    link: &mut Controller<N>,
    sequencer: &mut Sequencer,
    order: &Order,
    hardware: &mut H,
) -> Answer {
    match order {
        Order::LoadRecipe(raw) => load(link, sequencer, raw),
        Order::ReadRig => Answer::Rig(*sequencer.rig().raw()),
        Order::SetTime { unix_ms } => {
            link.keep(&Record::Dated { at: hardware.now(), unix_ms: *unix_ms });
            Answer::Done
        }
        Order::ReadStatus => Answer::Status(Snapshot::new(&sequencer.status(), sequencer.recipe().is_some())),
        // The poll takes these.
        Order::Operate(_) => Answer::Busy,
    }
}

/// A recipe begins with a sequencer as after a reset: it assumes pressure, and looks, at rest. So nothing of an earlier
/// recipe can live on, and a recording from here on is complete.
#[inline(never)]
fn load<const N: usize>(link: &mut Controller<N>, sequencer: &mut Sequencer, raw: &RawRecipe) -> Answer {
    if !sequencer.takes_recipe() {
        return Answer::Busy;
    }
    let rig = *sequencer.rig();
    // Only how many errors there are goes over the line, so no list of them is kept.
    let mut errors = 0u8;
    match raw.examine(&rig, |_| errors = errors.saturating_add(1)) {
        Some(recipe) => {
            *sequencer = Sequencer::new(rig, Some(recipe));
            link.keep(&Record::Began(*raw));
            Answer::Done
        }
        None => Answer::NotValid { errors },
    }
}
