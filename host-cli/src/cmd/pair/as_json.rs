//! What `seathold pair --json` prints.

use seathold_assembly::finished_length::LengthVerdict;
use seathold_assembly::forecast::Pairing;
use seathold_assembly::length_class::classes;
use seathold_assembly::pairing::{MostConforming, cuts, rescues};
use serde_json::{Value, json};

use super::question::{Parts, Question};

/// The result as one object.
pub(super) fn as_json(question: &Question, shops: &Pairing, most: &MostConforming) -> Value {
    let Question { to, scatter, .. } = question;
    let (fittings, bodies) = (&question.fittings.likely.parts, &question.bodies.likely.parts);
    let parts = |parts: &Parts| {
        let both = parts.read.iter().zip(&parts.likely.parts);
        both.map(|(read, likely)| json!({ "name": read.id, "read_mm": read.length, "likely_mm": likely.length }))
            .collect::<Vec<_>>()
    };
    let id = |at: &usize| fittings[*at].id.clone();
    let way = |pairing: &Pairing| {
        let valves = pairing.valves.iter().map(|valve| {
            json!({
                "body": bodies[valve.body].id,
                "fittings": valve.fittings.iter().map(id).collect::<Vec<_>>(),
                "finished_mm": valve.finished,
                "off_nominal_mm": valve.finished - to.limits.nominal,
                "verdict": valve.verdict,
            })
        });
        json!({
            "conforming": pairing.count(LengthVerdict::Conforms),
            "too_close": pairing.count(LengthVerdict::TooClose),
            "not_conforming": pairing.count(LengthVerdict::DoesNot),
            "valves": valves.collect::<Vec<_>>(),
            "left": pairing.left.iter().map(id).collect::<Vec<_>>(),
        })
    };
    let partner = rescues(fittings, bodies, to, &most.pairing).into_iter().map(|rescue| {
        json!({
            "fitting": id(&rescue.fitting),
            "body": bodies[rescue.body].id,
            "partner_from_mm": rescue.partner.0,
            "partner_to_mm": rescue.partner.1,
        })
    });
    let cut = cuts(fittings, bodies, to, &most.pairing, question.cut_max);
    let cut = cut.iter().map(|cut| json!({ "fittings": cut.fittings.map(|at| id(&at)), "off_mm": cut.off }));
    let empty = most.pairing.empty(bodies).into_iter().map(|at| bodies[at].id.clone());
    let accepted = to.accepted();
    json!({
        "nominal_mm": to.limits.nominal,
        "least_mm": to.limits.least,
        "most_mm": to.limits.most,
        "accepted_from_mm": accepted.map(|(from, _)| from),
        "accepted_to_mm": accepted.map(|(_, upto)| upto),
        "compression_mm": to.compression,
        "combined_u_mm": to.uncertainty.combined_m() * 1e3,
        "risk": to.risk,
        "scatter_mm": scatter.deviation_m * 1e3,
        "scatter_freedom": scatter.freedom,
        "step_mm": question.fittings.step_m * 1e3,
        "fittings": parts(&question.fittings),
        "bodies": parts(&question.bodies),
        "classes": classes(question.fittings.read.iter().map(|part| part.length), question.class),
        "class_width_mm": question.class,
        "extremes_inward": way(shops),
        "most_conforming": way(&most.pairing),
        "at_most": most.at_most,
        "exact": most.exact,
        "empty": empty.collect::<Vec<_>>(),
        "partners": partner.collect::<Vec<_>>(),
        "cuts": cut.collect::<Vec<_>>(),
    })
}
