//! What compressed air can do: the energy it gives off in bursting.

/// Atmospheric pressure as the formula has it, Pa absolute.
const ATMOSPHERE_PA: f64 = 101_000.0;

/// Beyond this, in joules, a test is more than a small bench should hold without an enclosure (our judgement, no
/// source; a litre at 7 bar absolute holds three quarters of it).
pub const SMALL_BENCH_J: f64 = 1_000.0;

/// Energy in joules stored in `volume_m3` of air or nitrogen at `pressure_pa` absolute:
/// `E = 2.5·P·V·[1 − (Pa/P)^0.286]`.
///
/// ASME PCC-2-2008 Article 5.1 (later 501), mandatory appendix II, equation II-2, with its exponent and its 101 kPa:
/// seen in its own text. The distances of its appendix III begin at 30 m whatever the energy, so they say nothing of
/// bench volumes and are not given here.
pub fn stored_j(pressure_pa: f64, volume_m3: f64) -> f64 {
    if pressure_pa <= ATMOSPHERE_PA {
        return 0.0;
    }
    2.5 * pressure_pa * volume_m3 * (1.0 - (ATMOSPHERE_PA / pressure_pa).powf(0.286))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The printed form worked out (computed): 1 l at 700 kPa 744.0510952 J; 10 l at 800 kPa 8934.216418 J.
    #[test]
    fn printed_form() {
        assert!((stored_j(700e3, 1e-3) / 744.051_095_2 - 1.0).abs() < 1e-9);
        assert!((stored_j(800e3, 1e-2) / 8_934.216_418 - 1.0).abs() < 1e-9);
    }

    /// It lies between what gas at constant temperature could give and, below, nothing: 754.2480137 J for 1 l at
    /// 700 kPa into 101.325 kPa (computed).
    #[test]
    fn under_the_isothermal_ceiling() {
        assert!(stored_j(700e3, 1e-3) < 754.248_013_7);
        assert_eq!(stored_j(101_000.0, 1.0), 0.0);
    }
}
