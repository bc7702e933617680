//! A volume by expansion of gas between it and a reference volume.

use super::ValueWithU;

/// Which of the two held the gas.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// Out of the far side into the reference volume.
    IntoKnown,
    /// Out of the reference volume into the far side.
    FromKnown,
}

/// The reference volume and its conditions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceVolume {
    /// The reference volume, in m³.
    pub volume_m3: f64,
    /// Its standard uncertainty, as a ratio.
    pub volume_u_rel: f64,
    /// Standard uncertainty of one reading, in pascals, without the gain: that is common to both and cancels.
    pub reading_u_pa: f64,
    /// Standard uncertainty of the difference of gas temperature before and after, in kelvin.
    pub temperature_u_k: f64,
    /// Gas temperature, in kelvin.
    pub gas_k: f64,
    /// Atmosphere, absolute, in pascals: the pressure in the empty one.
    pub atmosphere_pa: f64,
}

/// Gauge pressures before and after opening.
pub type PressurePair = (f64, f64);

/// The far volume and its standard uncertainty, both in m³.
///
/// With gauge pressures `g1` before and `g2` after, the empty volume being at the atmosphere, and ideal gas at constant
/// temperature (Boyle; Moran & Shapiro, *Fundamentals of Engineering Thermodynamics*, from memory):
/// `V·p1 + Vk·pa = (V + Vk)·p2`, so `V = Vk·g2/(g1 − g2)` into the reference volume and `V = Vk·(g1 − g2)/g2` out of
/// it. Uncertainty by JCGM 100:2008, 5.1.2, from these derivatives; several pairs are averaged, and their standard
/// deviation counts where it is the larger (4.2.3).
///
/// # Errors
/// When a pair cannot come from an expansion.
pub fn volume(known: &ReferenceVolume, direction: Direction, pairs: &[PressurePair]) -> Result<ValueWithU, String> {
    let mut found = Vec::new();
    let mut reading_squares = 0.0f64;
    let mut temperature = 0.0f64;
    let vk = known.volume_m3;
    for &(g1, g2) in pairs {
        if !(g1 > g2 && g2 > 0.0) {
            return Err(format!(
                "{g1} Pa before and {g2} Pa after: gauge pressure must fall in opening, and stay above zero"
            ));
        }
        let (v, by_1, by_2) = match direction {
            Direction::IntoKnown => {
                let fall = g1 - g2;
                (vk * g2 / fall, -vk * g2 / (fall * fall), vk * g1 / (fall * fall))
            }
            Direction::FromKnown => (vk * (g1 - g2) / g2, vk / g2, -vk * g1 / (g2 * g2)),
        };
        found.push(v);
        reading_squares = reading_squares.max((by_1 * by_1 + by_2 * by_2) * known.reading_u_pa.powi(2));
        // Gas warmer after than before reads higher by the same ratio of its absolute pressure.
        let warm_pa = (g2 + known.atmosphere_pa) * known.temperature_u_k / known.gas_k;
        temperature = temperature.max((by_2 * warm_pa).abs());
    }
    let n = found.len() as f64;
    if found.is_empty() {
        return Err("no readings".into());
    }
    let mean = found.iter().sum::<f64>() / n;
    let scatter =
        if found.len() > 1 { found.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n * (n - 1.0)) } else { 0.0 };
    let known_u = mean * known.volume_u_rel;
    let squares = known_u * known_u + temperature * temperature + scatter.max(reading_squares / n);
    Ok(ValueWithU { value: mean, u: squares.sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const KNOWN: ReferenceVolume = ReferenceVolume {
        volume_m3: 30e-6,
        volume_u_rel: 0.003,
        reading_u_pa: 10.0,
        temperature_u_k: 0.05,
        gas_k: 293.15,
        atmosphere_pa: 101_325.0,
    };

    proptest! {
        /// Gas let out of a volume by Boyle's law gives that volume back, either way.
        #[test]
        fn boyle_backwards(v in 1e-6f64..1e-3, g1 in 1e5f64..9e5) {
            let vk = KNOWN.volume_m3;
            let into = g1 * v / (v + vk);
            let from = g1 * vk / (v + vk);
            for (direction, g2) in [(Direction::IntoKnown, into), (Direction::FromKnown, from)] {
                let found = volume(&KNOWN, direction, &[(g1, g2)]).unwrap();
                prop_assert!((found.value / v - 1.0).abs() < 1e-9);
                prop_assert!(found.u >= found.value * KNOWN.volume_u_rel);
            }
        }

        /// The stated derivatives are the real ones: a small change of a reading moves the volume by as much.
        #[test]
        fn uncertainty_is_the_derivatives(v in 5e-6f64..3e-4) {
            let exact = ReferenceVolume { volume_u_rel: 0.0, temperature_u_k: 0.0, reading_u_pa: 1.0, ..KNOWN };
            let g1 = 6e5;
            let g2 = g1 * v / (v + exact.volume_m3);
            let at = |a: f64, b: f64| volume(&exact, Direction::IntoKnown, &[(a, b)]).unwrap();
            let by_1 = (at(g1 + 0.5, g2).value - at(g1 - 0.5, g2).value).abs();
            let by_2 = (at(g1, g2 + 0.5).value - at(g1, g2 - 0.5).value).abs();
            prop_assert!((by_1.hypot(by_2) / at(g1, g2).u - 1.0).abs() < 1e-4);
        }
    }

    #[test]
    fn scatter_counts_where_it_is_larger() {
        let calm = volume(&KNOWN, Direction::IntoKnown, &[(6e5, 3.6e5); 5]).unwrap();
        let wild = volume(&KNOWN, Direction::IntoKnown, &[(6e5, 3.5e5), (6e5, 3.7e5), (6e5, 3.6e5)]).unwrap();
        assert!(wild.u > 5.0 * calm.u);
    }

    #[test]
    fn what_is_no_expansion_is_refused() {
        for pair in [(6e5, 6e5), (3e5, 6e5), (6e5, 0.0), (f64::NAN, 1e5)] {
            assert!(volume(&KNOWN, Direction::IntoKnown, &[pair]).is_err(), "{pair:?}");
        }
        assert!(volume(&KNOWN, Direction::IntoKnown, &[]).is_err());
    }
}
