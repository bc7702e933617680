//! Volume and gain together, by a reference leak.

/// A value with its standard uncertainty.
pub type ValueAndU = (f64, f64);

/// The volume that turns this transducer's slope into the reference leak, and its standard uncertainty, in m³.
///
/// `V = Q/(s1 − s0)`: falls with and without the reference leak, in Pa/s, positive for falling. The gain of the
/// transducer is in the slopes, so the volume so found compensates for it. Uncertainty by JCGM 100:2008, 5.1.2.
///
/// # Errors
/// When the leak cannot be distinguished from zero.
pub fn volume(leak_pa_m3_s: ValueAndU, with: ValueAndU, without: ValueAndU) -> Result<ValueAndU, String> {
    let more = with.0 - without.0;
    let more_u = with.1.hypot(without.1);
    if !(more > 3.0 * more_u) || !(leak_pa_m3_s.0 > 0.0) {
        return Err(format!(
            "the fall with the leak, {:.4} Pa/s, is not clearly faster than without, {:.4} Pa/s: take a larger \
             reference leak or measure longer",
            with.0, without.0
        ));
    }
    let volume = leak_pa_m3_s.0 / more;
    Ok((volume, volume * (leak_pa_m3_s.1 / leak_pa_m3_s.0).hypot(more_u / more)))
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

    #[test]
    fn the_ratio_and_its_uncertainty() {
        // 4.5e-4 Pa·m³/s ± 1 % falling 10 Pa/s more, ± 0.1: 45 cm³ ± √2 %.
        let (v, u) = volume((4.5e-4, 4.5e-6), (12.0, 0.08), (2.0, 0.06)).unwrap();
        assert!((v / 45e-6 - 1.0).abs() < 1e-12);
        assert!((u / v - 0.01 * std::f64::consts::SQRT_2).abs() < 1e-12);
    }

    /// From 7 to 6 bar absolute into 1 bar: (6² − 1²)/(7² − 1²), whose inverse 1.371428571 is tabled (computed).
    #[test]
    fn viscous_leaks_follow_the_squares() {
        let slower = at_pressure(1.0, 600_000.0, 500_000.0, 100_000.0);
        assert!((1.0 / slower - 1.371_428_571).abs() < 1e-9);
    }

    #[test]
    fn a_leak_that_does_not_show_is_refused() {
        assert!(volume((4.5e-4, 0.0), (2.0, 0.5), (1.9, 0.5)).unwrap_err().contains("larger reference leak"));
        assert!(volume((0.0, 0.0), (2.0, 0.01), (1.0, 0.01)).is_err());
    }
}
