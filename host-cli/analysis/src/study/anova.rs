//! Repeatability and reproducibility of a crossed study: every operator measures every part equally often.
//!
//! Two-way analysis of variance with both factors random (AIAG, Measurement Systems Analysis, 4th ed., 2010, chapter
//! III; its values from a secondary source). An interaction that is not significant at 25 % is pooled with the repeats,
//! as there. Intervals: chi-squared for repeatability, which is exact; for the others the modified large-sample method
//! (Graybill & Wang, JASA 75, 1980, for sums of mean squares; Ting, Burdick, Graybill, Jeyaratnam & Lu, J. Stat.
//! Comput. Simul. 35, 1990, for differences; both from memory).

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor};

/// One measurement.
#[derive(Clone, Debug, PartialEq)]
pub struct Measurement {
    /// The part: a valve, or a side of it.
    pub part: String,
    /// Who measured it.
    pub operator: String,
    /// The value, in any unit.
    pub value: f64,
}

/// A source of variation in the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnovaRow {
    /// Sum of squares.
    pub squares: f64,
    /// Degrees of freedom.
    pub freedom: f64,
}

impl AnovaRow {
    /// Mean square.
    pub fn mean(self) -> f64 {
        self.squares / self.freedom
    }

    fn and(self, other: Self) -> Self {
        Self { squares: self.squares + other.squares, freedom: self.freedom + other.freedom }
    }
}

/// A variance with its interval, in the square of the unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VarianceComponent {
    /// The estimate; never negative.
    pub variance: f64,
    /// Lower end of the interval; never negative.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl VarianceComponent {
    fn new(variance: f64, low: f64, high: f64) -> Self {
        Self { variance: variance.max(0.0), low: low.max(0.0), high: high.max(0.0) }
    }

    /// The standard deviation.
    pub fn deviation(self) -> f64 {
        self.variance.sqrt()
    }
}

/// The result of a study.
#[derive(Clone, Debug, PartialEq)]
pub struct GaugeStudy {
    /// How many parts, operators and repeats.
    pub counts: [usize; 3],
    /// Parts.
    pub parts: AnovaRow,
    /// Operators.
    pub operators: AnovaRow,
    /// Parts by operators.
    pub interaction: AnovaRow,
    /// Repeats.
    pub repeats: AnovaRow,
    /// Probability of so great an interaction if there were none.
    pub interaction_p: f64,
    /// The interaction was pooled with the repeats.
    pub pooled: bool,
    /// Repeatability.
    pub repeatability: VarianceComponent,
    /// Reproducibility: operators, and their interaction with parts where it is not pooled.
    pub reproducibility: VarianceComponent,
    /// Both together.
    pub both: VarianceComponent,
    /// Between parts.
    pub between: VarianceComponent,
    /// Probability that the intervals cover with.
    pub coverage: f64,
}

/// Above this an interaction is pooled (AIAG MSA; 25 % is its customary value).
const POOL_ABOVE: f64 = 0.25;

/// Computes a study.
///
/// # Errors
/// In words, when it is not crossed and balanced, or too small.
pub fn study(measured: &[Measurement], coverage: f64) -> Result<GaugeStudy, String> {
    let names = |of: fn(&Measurement) -> &str| {
        let mut names: Vec<&str> = Vec::new();
        for name in measured.iter().map(of) {
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names
    };
    let (parts, operators) = (names(|m| &m.part), names(|m| &m.operator));
    if let Some(bad) = measured.iter().find(|m| !m.value.is_finite()) {
        return Err(format!("part {} by {}: {} is no measurement", bad.part, bad.operator, bad.value));
    }
    let cell = |part: &str, operator: &str| -> Vec<f64> {
        measured.iter().filter(|m| m.part == part && m.operator == operator).map(|m| m.value).collect()
    };
    let (p, o) = (parts.len(), operators.len());
    let r = match (parts.first(), operators.first()) {
        (Some(part), Some(operator)) => cell(part, operator).len(),
        _ => 0,
    };
    if p < 2 || o < 2 || r < 2 {
        return Err(format!("{p} parts, {o} operators, {r} repeats: a study needs at least 2 of each"));
    }
    let mut cells: Vec<Vec<Vec<f64>>> = Vec::new();
    for part in &parts {
        let mut row = Vec::new();
        for operator in &operators {
            let values = cell(part, operator);
            if values.len() != r {
                return Err(format!(
                    "part {part} by {operator}: {} measurements where the first has {r}; every operator must measure \
                     every part equally often",
                    values.len()
                ));
            }
            row.push(values);
        }
        cells.push(row);
    }
    Ok(work_out(&cells, [p, o, r], coverage))
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

fn work_out(cells: &[Vec<Vec<f64>>], counts: [usize; 3], coverage: f64) -> GaugeStudy {
    let [p, o, r] = counts.map(|count| count as f64);
    let all = mean(cells.iter().flatten().flatten().copied());
    let of_parts: Vec<f64> = cells.iter().map(|row| mean(row.iter().flatten().copied())).collect();
    let of_operators: Vec<f64> =
        (0..counts[1]).map(|place| mean(cells.iter().filter_map(|row| row.get(place)).flatten().copied())).collect();
    let square = |value: f64| value * value;
    let parts = AnovaRow { squares: o * r * of_parts.iter().map(|m| square(m - all)).sum::<f64>(), freedom: p - 1.0 };
    let operators =
        AnovaRow { squares: p * r * of_operators.iter().map(|m| square(m - all)).sum::<f64>(), freedom: o - 1.0 };
    let (mut crossed, mut within) = (0.0, 0.0);
    for (row, of_part) in cells.iter().zip(&of_parts) {
        for (cell, of_operator) in row.iter().zip(&of_operators) {
            let of_cell = mean(cell.iter().copied());
            crossed += r * square(of_cell - of_part - of_operator + all);
            within += cell.iter().map(|value| square(value - of_cell)).sum::<f64>();
        }
    }
    let interaction = AnovaRow { squares: crossed, freedom: (p - 1.0) * (o - 1.0) };
    let repeats = AnovaRow { squares: within, freedom: p * o * (r - 1.0) };
    let interaction_p = if repeats.squares > 0.0 {
        FisherSnedecor::new(interaction.freedom, repeats.freedom)
            .map_or(f64::NAN, |f| f.sf(interaction.mean() / repeats.mean()))
    } else {
        f64::from(u8::from(interaction.squares <= 0.0))
    };
    let pooled = interaction_p > POOL_ABOVE;
    let error = if pooled { interaction.and(repeats) } else { repeats };
    // The denominator for parts and operators.
    let against = if pooled { error } else { interaction };
    let alpha = (1.0 - coverage) / 2.0;
    let repeatability = {
        let chi = |at: f64| ChiSquared::new(error.freedom).map_or(f64::NAN, |chi| chi.inverse_cdf(at));
        VarianceComponent::new(error.mean(), error.squares / chi(1.0 - alpha), error.squares / chi(alpha))
    };
    let between = difference(parts, against, o * r, alpha);
    let of_operators = difference(operators, against, p * r, alpha);
    let (reproducibility, both) = if pooled {
        (of_operators, sum(&[(operators, 1.0 / (p * r)), (error, 1.0 - 1.0 / (p * r))], alpha))
    } else {
        let terms = [(operators, 1.0 / (p * r)), (interaction, (p - 1.0) / (p * r)), (repeats, (r - 1.0) / r)];
        let both = sum(&terms, alpha);
        // (MS_operators + (p − 1)·MS_interaction)/(p·r) − MS_repeats/r
        let gains = [(operators, 1.0 / (p * r)), (interaction, (p - 1.0) / (p * r))];
        (less(&gains, (repeats, 1.0 / r), alpha), both)
    };
    GaugeStudy {
        counts,
        parts,
        operators,
        interaction,
        repeats,
        interaction_p,
        pooled,
        repeatability,
        reproducibility,
        both,
        between,
        coverage,
    }
}

/// How far a mean square's interval reaches to either side, as ratios: below, above.
fn reach(row: AnovaRow, alpha: f64) -> (f64, f64) {
    let chi = |at: f64| ChiSquared::new(row.freedom).map_or(f64::NAN, |chi| chi.inverse_cdf(at) / row.freedom);
    (1.0 - 1.0 / chi(1.0 - alpha), 1.0 / chi(alpha) - 1.0)
}

fn sum(terms: &[(AnovaRow, f64)], alpha: f64) -> VarianceComponent {
    let (mut value, mut below, mut above) = (0.0, 0.0, 0.0);
    for (row, weight) in terms {
        let part = weight * row.mean();
        let (low, high) = reach(*row, alpha);
        value += part;
        below += (low * part) * (low * part);
        above += (high * part) * (high * part);
    }
    VarianceComponent::new(value, value - below.sqrt(), value + above.sqrt())
}

/// A difference without the cross terms: somewhat wider than need be.
fn less(gains: &[(AnovaRow, f64)], loss: (AnovaRow, f64), alpha: f64) -> VarianceComponent {
    let gained = sum(gains, alpha);
    let (row, weight) = loss;
    let part = weight * row.mean();
    let (low, high) = reach(row, alpha);
    let value = gains.iter().map(|(row, weight)| weight * row.mean()).sum::<f64>() - part;
    let below = (gained.variance - gained.low).hypot(high * part);
    let above = (gained.high - gained.variance).hypot(low * part);
    VarianceComponent::new(value, value - below, value + above)
}

/// `(MS_row − MS_against)/n`.
fn difference(row: AnovaRow, against: AnovaRow, n: f64, alpha: f64) -> VarianceComponent {
    let (one, two) = (row.mean() / n, against.mean() / n);
    let ((g1, h1), (g2, h2)) = (reach(row, alpha), reach(against, alpha));
    let f = |at: f64| {
        FisherSnedecor::new(row.freedom, against.freedom).map_or(f64::NAN, |distribution| distribution.inverse_cdf(at))
    };
    let (upper, lower) = (f(1.0 - alpha), f(alpha));
    let g12 = ((upper - 1.0).powi(2) - (g1 * upper).powi(2) - h2 * h2) / upper;
    let h12 = ((1.0 - lower).powi(2) - (h1 * lower).powi(2) - g2 * g2) / lower;
    let below = (g1 * one).powi(2) + (h2 * two).powi(2) + g12 * one * two;
    let above = (h1 * one).powi(2) + (g2 * two).powi(2) + h12 * one * two;
    let value = one - two;
    VarianceComponent::new(value, value - below.max(0.0).sqrt(), value + above.max(0.0).sqrt())
}

impl GaugeStudy {
    /// Parts and measurement together.
    pub fn total(&self) -> f64 {
        self.both.variance + self.between.variance
    }

    /// Number of distinct categories: `1.41·PV/GRR`, cut down to a whole number (AIAG MSA). `None` when the
    /// measurements show no variation at all.
    pub fn categories(&self) -> Option<u64> {
        let ratio = 1.41 * self.between.deviation() / self.both.deviation();
        ratio.is_finite().then(|| (ratio.floor() as u64).max(1))
    }

    /// Measurement deviation over total deviation.
    pub fn share(&self) -> f64 {
        self.both.deviation() / self.total().sqrt()
    }
}
