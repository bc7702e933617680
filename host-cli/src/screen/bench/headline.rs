//! What to do now, in one or two words that are read from the other side of the bench, and the rest of it.

use seathold_sequencer::event::{Event, Phase};
use seathold_sequencer::input::{Prompt, Sides};
use seathold_sequencer::verdict::Verdict;
use seathold_text::messages::{self, prompt_words};

use super::view::BenchView;
use crate::rig::OperatorQuestion;

/// The words, and the line below.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Headline {
    pub(super) large: &'static str,
    pub(super) below: String,
}

/// The end that is on the supply side first.
const fn begins(sides: Sides) -> &'static str {
    match sides {
        Sides::Both | Sides::First => "end A",
        Sides::Second => "END B, for the second side only,",
    }
}

/// A controller that does not answer goes before everything, then pressure that may be trapped, then a prompt; a fault goes before the phase.
pub(super) fn headline(view: &BenchView) -> Headline {
    let of = |large, below: &str| Headline { large, below: below.to_owned() };
    if let Some(asked) = &view.asked
        && asked.question == OperatorQuestion::Begin
    {
        if view.reads_vented() == Some(false) {
            return of(
                "PRESSURISED",
                "the far side is not empty: touch no fitting, open the hand bleed slowly, look at its gauge",
            );
        }
        let begins = begins(view.sides_run);
        return of("CONNECT", &format!("the valve on the rig, {begins} to the supply side, and the guard shut"));
    }
    let Some(status) = &view.status else { return of("WAIT", "until the controller answers") };
    if !view.reached {
        return of(
            "NO LINK",
            "the controller cannot be reached: touch nothing. While it has power it keeps the run safe by itself; trying again",
        );
    }
    if status.phase == Phase::Trapped {
        return of(
            "PRESSURISED",
            "it could not be shown empty: touch no fitting, shut the shop air, open the hand bleed slowly, look at its gauge",
        );
    }
    if let Some(prompt) = status.prompt {
        return of(in_large(prompt), prompt_words(prompt));
    }
    if let (Some(fault), false) = (status.fault, status.phase == Phase::SafeVent) {
        let (what, next) = messages::fault(fault);
        return of("STOPPED", &format!("{what}: {next}"));
    }
    let phase = view.units.event(&Event::Entered { phase: status.phase, side: status.side }).unwrap_or_default();
    match (status.phase, view.verdict) {
        (Phase::EmergencyStopped, _) => of("STOPPED", "emergency stop: release it, hands clear of the ball"),
        (Phase::Fault, _) => of("STOPPED", &phase),
        (Phase::SafeVent, _) => of("VENTING", "the valve opens into the vent: hands clear of the ball"),
        (Phase::Ready, Some(verdict)) => of(verdict_in_large(verdict), &phase),
        (Phase::StartUp | Phase::Ready, _) => of("WAIT", &phase),
        _ => of("DO NOT TOUCH", &phase),
    }
}

const fn in_large(prompt: Prompt) -> &'static str {
    match prompt {
        Prompt::OpenValve | Prompt::OpenToVent => "OPEN LEVER",
        Prompt::ShutValve => "SHUT LEVER",
        Prompt::WorkLever => "WORK LEVER",
        Prompt::SwapEnds => "SWAP ENDS",
        Prompt::OpenBleed => "OPEN BLEED",
    }
}

const fn verdict_in_large(verdict: Option<Verdict>) -> &'static str {
    match verdict {
        Some(Verdict::Tight) => "TIGHT",
        Some(Verdict::Leaking) => "LEAKING",
        Some(Verdict::Undecided) => "UNDECIDED",
        Some(Verdict::Void) | None => "NO VERDICT",
    }
}
