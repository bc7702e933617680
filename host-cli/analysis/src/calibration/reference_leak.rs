//! Volume and gain together, by a reference leak.

use seathold_sequencer::measure::ReferredLeak;
use seathold_sequencer::units::AbsolutePressure;

use super::ValueWithU;
use super::trapped_fall::TrappedFall;

/// The volume that turns this transducer's slope into the reference leak, and its standard uncertainty, in m³.
///
/// `V = Q/(s1 − s0)`: falls with and without the reference leak, in Pa/s, positive for falling. The gain of the
/// transducer is in the slopes, so the volume so found compensates for it. Uncertainty by JCGM 100:2008, 5.1.2.
///
/// # Errors
/// When the leak cannot be distinguished from zero.
pub fn volume(leak_pa_m3_s: ValueWithU, with: ValueWithU, without: ValueWithU) -> Result<ValueWithU, String> {
    let more = with.value - without.value;
    let more_u = with.u.hypot(without.u);
    if !(more > 3.0 * more_u) || !(leak_pa_m3_s.value > 0.0) {
        return Err(format!(
            "the fall with the leak, {:.4} Pa/s, is not clearly faster than without, {:.4} Pa/s: take a larger \
             reference leak or measure longer",
            with.value, without.value
        ));
    }
    let volume = leak_pa_m3_s.value / more;
    Ok(ValueWithU { value: volume, u: volume * leak_pa_m3_s.u_rel().hypot(more_u / more) })
}

/// Falls with and without the leak, in Pa/s, each when the one with it is half-way down its window: what the gas does by itself is then
/// the same in both. `drift_pa_s` is what a drift of its temperature may do to each, as a standard uncertainty.
pub fn falls(with: &TrappedFall, without: &TrappedFall, drift_pa_s: f64) -> (ValueWithU, ValueWithU) {
    let of = |fall: &TrappedFall| {
        let own = fall.at(with.middle_s());
        ValueWithU { value: own.value, u: own.u.hypot(drift_pa_s) }
    };
    (of(with), of(without))
}

/// A leak stated at one gauge pressure, at another, with what it adds not to know the law that it follows: see [`ReferredLeak`].
pub fn at_pressure_unknown_law(leak: ValueWithU, stated_pa: f64, actual_pa: f64, atmosphere_pa: f64) -> ValueWithU {
    let [stated, actual, atmosphere] =
        [stated_pa + atmosphere_pa, actual_pa + atmosphere_pa, atmosphere_pa].map(AbsolutePressure::from_pascals);
    let referred = ReferredLeak::new(stated, actual, atmosphere);
    let value = leak.value * referred.factor;
    ValueWithU { value, u: value * leak.u_rel().hypot(referred.u_rel) }
}

/// A viscous leak stated at one gauge pressure, at another: `Q ∝ p1² − p2²` absolute, into the atmosphere (compressible
/// Poiseuille flow, any textbook; derivable). All pressures in pascals.
pub fn at_pressure(leak_pa_m3_s: f64, stated_pa: f64, actual_pa: f64, atmosphere_pa: f64) -> f64 {
    let squares = |gauge: f64| (gauge + atmosphere_pa).powi(2) - atmosphere_pa.powi(2);
    leak_pa_m3_s * squares(actual_pa) / squares(stated_pa)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(value: f64, u: f64) -> ValueWithU {
        ValueWithU { value, u }
    }

    #[test]
    fn the_ratio_and_its_uncertainty() {
        // 4.5e-4 Pa·m³/s ± 1 % falling 10 Pa/s more, ± 0.1: 45 cm³ ± √2 %.
        let found = volume(of(4.5e-4, 4.5e-6), of(12.0, 0.08), of(2.0, 0.06)).unwrap();
        assert!((found.value / 45e-6 - 1.0).abs() < 1e-12);
        assert!((found.u_rel() - 0.01 * std::f64::consts::SQRT_2).abs() < 1e-12);
    }

    /// From 7 to 6 bar absolute into 1 bar: (6² − 1²)/(7² − 1²), whose inverse 1.371428571 is tabled (computed).
    #[test]
    fn viscous_leaks_follow_the_squares() {
        let slower = at_pressure(1.0, 600_000.0, 500_000.0, 100_000.0);
        assert!((1.0 / slower - 1.371_428_571).abs() < 1e-9);
    }

    #[test]
    fn a_leak_that_does_not_show_is_refused() {
        assert!(volume(of(4.5e-4, 0.0), of(2.0, 0.5), of(1.9, 0.5)).unwrap_err().contains("larger reference leak"));
        assert!(volume(of(0.0, 0.0), of(2.0, 0.01), of(1.0, 0.01)).is_err());
    }
}
