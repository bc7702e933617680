//! A volume by one leak, with a reference volume and without: nobody has to know the leak.

use super::ValueWithU;

/// Falls of the far side's pressure in Pa/s, positive for falling, all at the same pressure.
#[derive(Clone, Copy, Debug)]
pub struct Falls {
    /// Without the leak: what gas and valve do by themselves, taken to be the same in all three.
    pub tight: ValueWithU,
    /// With the leak.
    pub alone: ValueWithU,
    /// With the leak, and the reference volume open to the far side.
    pub with: ValueWithU,
}

/// The far volume and its standard uncertainty, both in m³.
///
/// With `s1` and `s2` the falls alone and with the reference volume, less the fall without a leak `s0`, the same flow
/// `Q = V·s1 = (V + Vk)·s2` leaves both (mass balance of an isothermal ideal gas), so `V = Vk·s2/(s1 − s2)`. The gain of the
/// transducer is in all falls and cancels. Uncertainty by JCGM 100:2008, 5.1.2: `∂V/∂s1 = −Vk·s2/(s1 − s2)²`,
/// `∂V/∂s2 = Vk·s1/(s1 − s2)²`, `∂V/∂s0 = −Vk/(s1 − s2)`, `∂V/∂Vk = V/Vk`.
///
/// # Errors
/// When the falls cannot be told apart, or none is clear of zero.
pub fn volume(reference_m3: ValueWithU, falls: &Falls) -> Result<ValueWithU, String> {
    let Falls { tight, alone, with } = *falls;
    let (s1, s2, less) = (alone.value - tight.value, with.value - tight.value, alone.value - with.value);
    if !(less > 3.0 * alone.u.hypot(with.u)) || !(s2 > 3.0 * with.u.hypot(tight.u)) || !(reference_m3.value > 0.0) {
        return Err(format!(
            "the fall with the reference volume, {s2:.4} Pa/s, is not clearly slower than {s1:.4} Pa/s without it, or not clear \
             of zero: take a larger leak or a larger reference volume, and see that it is open to the far side"
        ));
    }
    let value = reference_m3.value * s2 / less;
    let by_1 = reference_m3.value * s2 / (less * less) * alone.u;
    let by_2 = reference_m3.value * s1 / (less * less) * with.u;
    let by_reference = value * reference_m3.u_rel();
    let by_0 = reference_m3.value / less * tight.u;
    Ok(ValueWithU { value, u: by_1.hypot(by_2).hypot(by_0).hypot(by_reference) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Any volume comes back from the falls that the balance gives, with the derivatives as stated.
        #[test]
        fn the_balance_backwards(v in 5e-6f64..1e-3, vk in 5e-6f64..3e-4, leak in 1e-3f64..1e-2, s0 in -1.0f64..5.0) {
            let falls = |v: f64| (leak / v, leak / (v + vk));
            let (s1, s2) = falls(v);
            prop_assume!(s1 - s2 > 1e-3 * s1);
            let u = 1e-4 * (s1 - s2);
            let found = |d0: f64, d1: f64, d2: f64| {
                let fall = |value| ValueWithU { value, u };
                let falls = Falls { tight: fall(s0 + d0), alone: fall(s0 + s1 + d1), with: fall(s0 + s2 + d2) };
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
            let falls = Falls { tight: of(0.0, 0.01), alone, with };
            assert!(volume(of(30e-6, 1e-7), &falls).unwrap_err().contains("larger leak"));
        }
    }
}
