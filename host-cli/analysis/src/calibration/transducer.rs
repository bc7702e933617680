//! A transducer against a reference gauge.

/// The result of a check at several pressures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TransducerCheck {
    /// Reading at zero, in pascals.
    pub zero_pa: f64,
    /// Pascals read for each true one.
    pub gain: f64,
    /// Standard uncertainty of the gain, as a ratio: of the reference, and of the points about their line.
    pub gain_u_rel: f64,
    /// Farthest point off the line, in pascals.
    pub off_line_pa: f64,
}

/// Farthest that a point may be off the line, as a ratio to the highest pressure (our judgement: ten times what a good transducer is off).
const OFF_LINE_MAX: f64 = 0.01;

/// Farthest that a gain may be from one (our judgement: beyond it is a mistake and no drift).
const GAIN_OFF_MAX: f64 = 0.05;

/// A least-squares line through readings against references, both gauge, in pascals (JCGM 100:2008, H.3, is the worked
/// example of such a line).
///
/// # Errors
/// With fewer than three points, or all at one pressure; where one is far off the line, or the gain far from one.
pub fn check(points: &[(f64, f64)], reference_u_rel: f64) -> Result<TransducerCheck, String> {
    let n = points.len() as f64;
    if points.len() < 3 {
        return Err("give at least three points: zero, the middle, and the test pressure".into());
    }
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in points {
        xx += (x - mx) * (x - mx);
        xy += (x - mx) * (y - my);
    }
    if !(xx > 0.0) {
        return Err("all points are at the same pressure".into());
    }
    let gain = xy / xx;
    let zero_pa = my - gain * mx;
    let residuals: Vec<f64> = points.iter().map(|(x, y)| y - zero_pa - gain * x).collect();
    let variance = residuals.iter().map(|r| r * r).sum::<f64>() / (n - 2.0);
    let gain_u_rel = reference_u_rel.hypot((variance / xx).sqrt() / gain);
    let off_line_pa: f64 = residuals.iter().fold(0.0f64, |m, r| m.max(r.abs()));
    let span = points.iter().fold(0.0f64, |most, (x, _)| most.max(x.abs()));
    if !(off_line_pa <= OFF_LINE_MAX * span) {
        return Err(format!(
            "one point is {off_line_pa:.0} Pa off the line through them all: a reading in another unit, from another pressure, or \
             mistyped; or readings of a gauge that shows absolute pressure"
        ));
    }
    if !((gain - 1.0).abs() <= GAIN_OFF_MAX) {
        return Err(format!(
            "a gain of {gain:.3} is no drift of a transducer: the gauge, its unit, or the scale in the rig file is wrong. That is to be \
             put right there, and not hidden in a calibration"
        ));
    }
    Ok(TransducerCheck { zero_pa, gain, gain_u_rel, off_line_pa })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008 H.3 (data from memory, reproducing every published figure), the correction of a thermometer as a
    /// line: slope 0.00218 ± 0.00067. Our line has it on top of a gain of one.
    #[test]
    fn gum_h3() {
        let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
        let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
        let points: Vec<(f64, f64)> = t.iter().zip(b).map(|(t, b)| (*t, t + b)).collect();
        let check = check(&points, 0.0).unwrap();
        assert_eq!(format!("{:.5}", check.gain - 1.0), "0.00218");
        assert_eq!(format!("{:.5}", check.gain_u_rel * check.gain), "0.00067");
        assert_eq!(format!("{:.4}", check.zero_pa + (check.gain - 1.0) * 20.0), "-0.1712");
    }

    #[test]
    fn too_little_is_refused() {
        assert!(check(&[(0.0, 0.0), (6e5, 6e5)], 0.0).is_err());
        assert!(check(&[(6e5, 6e5); 4], 0.0).is_err());
        assert!(check(&[(0.0, 0.0), (1.0, 9.0), (2.0, 18.0)], 0.0).unwrap_err().contains("gain of 9.000"));
        // 1.972 psi typed for 1.972 bar; absolute pressures against a gauge that reads zero when empty.
        let psi = [(0.0, 0.0), (13_596.0, 198_000.0), (0.0, 0.0), (394_400.0, 396_000.0)];
        assert!(check(&psi, 0.0).unwrap_err().contains("off the line"));
        let absolute = [(0.0, 0.0), (298_500.0, 198_000.0), (495_700.0, 396_000.0)];
        assert!(check(&absolute, 0.0).unwrap_err().contains("absolute pressure"));
    }
}
