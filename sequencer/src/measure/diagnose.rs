//! From the results of both sides to the part that probably leaks, by how a floating ball sits in its seats.

use super::leak_estimate::LeakEstimate;
use crate::input::Side;
use crate::verdict::{Diagnosis, Evidence, Reason, SideResult, Suspect, Verdict};

/// Where a leak probably is, from one or both sides.
///
/// The reasoning, for a floating ball whose low-pressure seat seals: with the far side at pressure the ball is pushed
/// onto the supply-side seat, so that seat is the one tested. The stem and the body joint are fed from the cavity, and
/// the cavity from the far side, whichever way round the valve sits. An end joint is at pressure only when its end is
/// on the far side. So: a leak that follows one side is the supply-side seat of that side, or the far-side joint; a
/// leak that is the same both ways round is the stem, the body joint, or the rig.
pub fn diagnose(first: Option<&SideResult>, second: Option<&SideResult>) -> Diagnosis {
    let mut diagnosis = Diagnosis::default();
    let both = [first, second];
    let any = |reason: Reason| both.iter().flatten().any(|r| r.reason == reason);
    if any(Reason::WentWithSupply) {
        diagnosis.evidence = Evidence::WentWithSupply;
        diagnosis.suspect(Suspect::NotClosing);
        return diagnosis;
    }
    if any(Reason::Rise) {
        diagnosis.evidence = Evidence::Rose;
        diagnosis.suspect(Suspect::SupplyValve);
        return diagnosis;
    }
    let leaks = |r: Option<&SideResult>| r.map(|r| r.verdict);
    match (leaks(first), leaks(second)) {
        (Some(Verdict::Tight), Some(Verdict::Tight)) => diagnosis.evidence = Evidence::NothingLeaks,
        (Some(Verdict::Leaking), Some(Verdict::Tight)) => {
            diagnosis.evidence = Evidence::FirstSideOnly;
            diagnosis.one_side(Side::First);
        }
        (Some(Verdict::Tight), Some(Verdict::Leaking)) => {
            diagnosis.evidence = Evidence::SecondSideOnly;
            diagnosis.one_side(Side::Second);
        }
        (Some(Verdict::Leaking), Some(Verdict::Leaking)) => {
            if leaks_agree(first, second) {
                diagnosis.evidence = Evidence::BothAlike;
                diagnosis.suspect(Suspect::Stem);
                diagnosis.suspect(Suspect::BodyJoint);
                diagnosis.suspect(Suspect::RigFitting);
            } else {
                diagnosis.evidence = Evidence::BothUnlike;
                diagnosis.suspect(Suspect::BothSeats);
                diagnosis.suspect(Suspect::Stem);
            }
        }
        // One side, or one without a verdict: still a leak of that side, but the other cannot localise it.
        _ => {
            diagnosis.evidence = Evidence::OneSideOnly;
            for result in both.iter().flatten().filter(|r| r.verdict == Verdict::Leaking) {
                diagnosis.one_side(result.side);
                diagnosis.suspect(Suspect::Stem);
                diagnosis.suspect(Suspect::RigFitting);
            }
        }
    }
    diagnosis
}

impl Diagnosis {
    /// Adds a suspect; the list holds as many as any branch above names.
    fn suspect(&mut self, suspect: Suspect) {
        let _ = self.suspects.push(suspect);
    }

    fn one_side(&mut self, side: Side) {
        let (seat, joint) = match side {
            Side::First => (Suspect::SeatA, Suspect::JointB),
            Side::Second => (Suspect::SeatB, Suspect::JointA),
        };
        self.suspect(seat);
        self.suspect(joint);
    }
}

/// Whether two leaks agree within their uncertainties, or within a fifth of the larger: a stem's leak follows the
/// pressure, which differs a little from fill to fill (a fifth is our judgement, no source).
fn leaks_agree<'a>(first: Option<&'a SideResult>, second: Option<&'a SideResult>) -> bool {
    // Borrowed: an estimate is large.
    let of = |r: Option<&'a SideResult>| r.and_then(|r| r.estimate.as_ref());
    match (of(first), of(second)) {
        (Some(a), Some(b)) => {
            let (qa, qb) = (a.leak.pa_m3_s(), b.leak.pa_m3_s());
            let difference = (qa - qb).abs();
            let larger = if qa > qb { qa } else { qb };
            let expanded = |f: &LeakEstimate| f.expanded.pa_m3_s();
            difference <= expanded(a) + expanded(b) || difference <= 0.2 * larger
        }
        // Two gross falls have no estimate: compare the observed rates.
        (None, None) => match (first, second) {
            (Some(a), Some(b)) => rates_agree(a, b),
            _ => false,
        },
        _ => false,
    }
}

/// Whether two gross falls went at rates within a factor of 1.25 (our judgement, no source).
fn rates_agree(a: &SideResult, b: &SideResult) -> bool {
    let rate = |r: &SideResult| f64::from(r.fall_pa) / f64::from(r.after_ms.max(1));
    let (ra, rb) = (rate(a), rate(b));
    ra <= 1.25 * rb && rb <= 1.25 * ra
}
