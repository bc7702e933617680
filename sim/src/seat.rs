//! Two seats and a floating ball.
//!
//! The ball is pushed towards the side with the lower pressure and seals on that side's seat; off the other seat it
//! lifts a little, so the cavity follows the higher pressure. Each seat also has its own leak, which is there whether
//! the ball is pressed on it or not.

/// How far the ball has lifted off a seat, 0 to 1, and the slope of that, when the pressure pushing it *away* from the
/// seat is `push` (Pa) and it is fully off at one over `per_full` (1/Pa).
#[inline]
pub(crate) fn seat_lift(push: f64, per_full: f64) -> (f64, f64) {
    smoothstep(push * per_full, per_full)
}

/// Opening of the straight way through the ball, 0 to 1, and its slope, at position `x` (0 shut, 1 open). The bore
/// only meets the port after `overlap` of the stroke; `width` is 1 / (1 − overlap).
#[inline]
pub fn bore(x: f64, overlap: f64, width: f64) -> (f64, f64) {
    smoothstep((x - overlap) * width, width)
}

/// Crossover between port and cavity at the edge of the ball, 0 to 1: there in mid-stroke only, because a ball seals
/// its cavity from the ports when fully open as well as when fully shut; `width` is 1 / (1 − 2·overlap).
#[inline]
pub fn past(x: f64, overlap: f64, width: f64) -> (f64, f64) {
    let u = (x - overlap) * width;
    if u <= 0.0 || u >= 1.0 {
        return (0.0, 0.0);
    }
    let v = u * (1.0 - u);
    (16.0 * v * v, 32.0 * v * (1.0 - 2.0 * u) * width)
}

#[inline]
fn smoothstep(u: f64, du: f64) -> (f64, f64) {
    if u <= 0.0 {
        (0.0, 0.0)
    } else if u >= 1.0 {
        (1.0, 0.0)
    } else {
        (u * u * (3.0 - 2.0 * u), 6.0 * u * (1.0 - u) * du)
    }
}
