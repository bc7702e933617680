use super::figure::Figure;
use crate::input::Side;
use crate::verdict::{Diagnosis, Evidence, Ground, SideResult, Suspect, Verdict};

/// Where a leak probably is, from one or both sides.
///
/// The reasoning, for a floating ball whose low-pressure seat seals: with the far side at pressure the ball is pushed
/// onto the supply-side seat, so that seat is the one tested. The stem and the body joint are fed from the cavity, and
/// the cavity from the far side, whichever way round the valve sits. An end joint is only at pressure when its end is
/// on the far side. So: a leak that follows one side is the supply-side seat of that side, or the far-side joint; a
/// leak that is the same both ways round is the stem, the body joint, or the rig.
pub fn diagnose(first: Option<&SideResult>, second: Option<&SideResult>) -> Diagnosis {
    let mut found = Diagnosis::default();
    let both = [first, second];
    let any = |ground: Ground| both.iter().flatten().any(|r| r.ground == ground);
    if any(Ground::WentWithSupply) {
        found.evidence = Evidence::WentWithSupply;
        found.suspect(Suspect::NotShutting);
        return found;
    }
    if any(Ground::Rise) {
        found.evidence = Evidence::Rose;
        found.suspect(Suspect::SupplyValve);
        return found;
    }
    let leaks = |r: Option<&SideResult>| r.map(|r| r.verdict);
    match (leaks(first), leaks(second)) {
        (Some(Verdict::Tight), Some(Verdict::Tight)) => found.evidence = Evidence::NothingLeaks,
        (Some(Verdict::Leaking), Some(Verdict::Tight)) => {
            found.evidence = Evidence::FirstSideOnly;
            found.one_side(Side::First);
        }
        (Some(Verdict::Tight), Some(Verdict::Leaking)) => {
            found.evidence = Evidence::SecondSideOnly;
            found.one_side(Side::Second);
        }
        (Some(Verdict::Leaking), Some(Verdict::Leaking)) => {
            if alike(first, second) {
                found.evidence = Evidence::BothAlike;
                found.suspect(Suspect::Stem);
                found.suspect(Suspect::BodyJoint);
                found.suspect(Suspect::RigFitting);
            } else {
                found.evidence = Evidence::BothUnlike;
                found.suspect(Suspect::BothSeats);
                found.suspect(Suspect::Stem);
            }
        }
        // One side, or one without a verdict: it is still a leak of that side, but the other cannot tell which part.
        _ => {
            found.evidence = Evidence::OneSideOnly;
            for result in both.iter().flatten().filter(|r| r.verdict == Verdict::Leaking) {
                found.one_side(result.side);
                found.suspect(Suspect::Stem);
                found.suspect(Suspect::RigFitting);
            }
        }
    }
    found
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
fn alike(first: Option<&SideResult>, second: Option<&SideResult>) -> bool {
    let figure = |r: Option<&SideResult>| r.and_then(|r| r.figure);
    match (figure(first), figure(second)) {
        (Some(a), Some(b)) => {
            let (qa, qb) = (a.leak.pa_m3_s(), b.leak.pa_m3_s());
            let apart = if qa > qb { qa - qb } else { qb - qa };
            let larger = if qa > qb { qa } else { qb };
            let doubt = |f: Figure| f.expanded.pa_m3_s();
            apart <= doubt(a) + doubt(b) || apart <= 0.2 * larger
        }
        // Two gross falls have no figure: compare what was seen.
        (None, None) => match (first, second) {
            (Some(a), Some(b)) => rates_alike(a, b),
            _ => false,
        },
        _ => false,
    }
}

/// Whether two gross falls went at rates within a factor of 1.25 (our judgement, no source).
fn rates_alike(a: &SideResult, b: &SideResult) -> bool {
    let rate = |r: &SideResult| f64::from(r.fall_pa) / f64::from(r.after_ms.max(1));
    let (ra, rb) = (rate(a), rate(b));
    ra <= 1.25 * rb && rb <= 1.25 * ra
}
