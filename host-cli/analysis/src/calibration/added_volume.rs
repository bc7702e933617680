//! A volume by one leak, with a reference volume and without: nobody has to know the leak.

use super::ValueWithU;
use super::trapped_fall::TrappedFall;

/// Falls of the far side's pressure in Pa/s, positive for falling, both at the same pressure, less what a tight side falls.
#[derive(Clone, Copy, Debug)]
pub struct Falls {
    /// With the leak.
    pub alone: ValueWithU,
    /// With the leak, and the reference volume open to the far side.
    pub with: ValueWithU,
    /// Standard uncertainty of what was taken off both: what gas and valve do by themselves, taken to be the same in all three.
    pub tight_u: f64,
    /// What was taken off, on the average.
    pub tight: f64,
    /// The gauge pressure, in pascals.
    pub at_pa: f64,
}

/// By how much of its own fall a tight side may be unlike the others (our judgement): the gas is warmed by filling in one volume as in
/// another, but not to the last part.
const UNLIKE: f64 = 0.5;

impl Falls {
    /// From the windows of a tight side, of one with the leak, and of one with leak and reference volume; `drift_pa_s` is what a drift of
    /// the gas temperature may do to each, as a standard uncertainty.
    ///
    /// The two with the leak are compared at one pressure, half-way between: so it does not matter by which law the leak slows.
    ///
    /// # Errors
    /// Where they have no pressure in common.
    pub fn at_one_pressure(
        tight: &TrappedFall,
        alone: &TrappedFall,
        with: &TrappedFall,
        drift_pa_s: f64,
    ) -> Result<Self, String> {
        let at_pa = 0.5 * (alone.middle_pa() + with.middle_pa());
        let (Some(then), Some(later)) = (alone.at_pressure(at_pa), with.at_pressure(at_pa)) else {
            return Err("with the leak, and with the leak and the reference volume, the pressure falls too little, or at pressures too far \
                        apart to compare: take a leak of some twenty times the limit, and a reference volume about as large as the far \
                        volume"
                .into());
        };
        let net = |of: &TrappedFall, at_s: f64| {
            let (own, less) = (of.at(at_s), tight.at(at_s));
            (ValueWithU { value: own.value - less.value, u: own.u.hypot(drift_pa_s) }, less)
        };
        let ((alone, before), (with, after)) = (net(alone, then), net(with, later));
        let (tight, u) = (0.5 * (before.value + after.value), before.u.max(after.u));
        Ok(Self { alone, with, tight_u: u.hypot(drift_pa_s).hypot(UNLIKE * tight.abs()), tight, at_pa })
    }
}

/// The far volume and its standard uncertainty, both in m³.
///
/// The same flow `Q = V·s1 = (V + Vk)·s2` leaves both (mass balance of an isothermal ideal gas), so `V = Vk·s2/(s1 − s2)`, with
/// `s1` and `s2` the falls alone and with the reference volume, both less that of a tight side, `s0`. The gain of the transducer is in
/// all falls and cancels. Uncertainty by JCGM 100:2008, 5.1.2: `∂V/∂s1 = −Vk·s2/(s1 − s2)²`, `∂V/∂s2 = Vk·s1/(s1 − s2)²`,
/// `∂V/∂s0 = −Vk/(s1 − s2)`, `∂V/∂Vk = V/Vk`.
///
/// # Errors
/// When the falls cannot be told apart, or none is clear of zero.
pub fn volume(reference_m3: ValueWithU, falls: &Falls) -> Result<ValueWithU, String> {
    let Falls { alone, with, tight_u, .. } = *falls;
    let (s1, s2, less) = (alone.value, with.value, alone.value - with.value);
    if !(less > 3.0 * alone.u.hypot(with.u)) || !(s2 > 3.0 * with.u.hypot(tight_u)) || !(reference_m3.value > 0.0) {
        return Err(format!(
            "the fall with the reference volume, {s2:.4} Pa/s, is not clearly slower than {s1:.4} Pa/s without it, or not clear \
             of zero: take a larger leak or a larger reference volume, and see that it is open to the far side"
        ));
    }
    let value = reference_m3.value * s2 / less;
    let by_1 = reference_m3.value * s2 / (less * less) * alone.u;
    let by_2 = reference_m3.value * s1 / (less * less) * with.u;
    let by_reference = value * reference_m3.u_rel();
    let by_0 = reference_m3.value / less * tight_u;
    Ok(ValueWithU { value, u: by_1.hypot(by_2).hypot(by_0).hypot(by_reference) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Any volume comes back from the falls that the balance gives, with the derivatives as stated.
        #[test]
        fn the_balance_backwards(v in 5e-6f64..1e-3, vk in 5e-6f64..3e-4, leak in 1e-3f64..1e-2) {
            let falls = |v: f64| (leak / v, leak / (v + vk));
            let (s1, s2) = falls(v);
            prop_assume!(s1 - s2 > 1e-3 * s1);
            let u = 1e-4 * (s1 - s2);
            let found = |d0: f64, d1: f64, d2: f64| {
                let fall = |value| ValueWithU { value, u };
                let falls = Falls { alone: fall(s1 + d1 - d0), with: fall(s2 + d2 - d0), tight_u: u, tight: 0.0, at_pa: 6e5 };
                volume(ValueWithU { value: vk, u: 0.0 }, &falls).unwrap()
            };
            let at = found(0.0, 0.0, 0.0);
            prop_assert!((at.value / v - 1.0).abs() < 1e-9);
            let h = u / 2.0;
            let by_0 = found(h, 0.0, 0.0).value - found(-h, 0.0, 0.0).value;
            let by_1 = found(0.0, h, 0.0).value - found(0.0, -h, 0.0).value;
            let by_2 = found(0.0, 0.0, h).value - found(0.0, 0.0, -h).value;
            let by = by_0.hypot(by_1).hypot(by_2);
            prop_assert!((by / at.u - 1.0).abs() < 1e-3, "{by} {}", at.u);
        }
    }

    #[test]
    fn falls_that_are_alike_are_refused() {
        let of = |value, u| ValueWithU { value, u };
        for (alone, with) in
            [(of(10.0, 0.5), of(9.0, 0.5)), (of(10.0, 0.1), of(10.0, 0.1)), (of(1.0, 0.1), of(0.1, 0.1))]
        {
            let falls = Falls { alone, with, tight_u: 0.01, tight: 0.0, at_pa: 6e5 };
            assert!(volume(of(30e-6, 1e-7), &falls).unwrap_err().contains("larger leak"));
        }
    }
}
