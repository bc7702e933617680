//! Long lines thinned to what paper can show.

/// Least and greatest of each column's share of a line, in the order they came: no spike is lost, and a line of any
/// length becomes at most two points a column.
///
/// `points` are in the order of x; `from` and `to` are the ends of the scale they are drawn on.
pub fn envelope(points: &[(f64, f64)], from: f64, to: f64, columns: usize) -> Vec<(f64, f64)> {
    let mut envelope = Envelope::new(from, to, columns);
    points.iter().for_each(|point| envelope.push(*point));
    envelope.finish()
}

/// The same of points that come one by one. No more of them are held than are drawn.
#[derive(Clone, Debug)]
pub struct Envelope {
    from: f64,
    to: f64,
    columns: usize,
    /// The first points, while they are so few that all are kept.
    all: Vec<(f64, f64)>,
    /// Whether there were more.
    thinned: bool,
    out: Vec<(f64, f64)>,
    share: Option<Share>,
}

/// What is kept of a column's points.
#[derive(Clone, Copy, Debug)]
struct Share {
    column: usize,
    /// Each with its place in the column.
    least: (usize, (f64, f64)),
    greatest: (usize, (f64, f64)),
    count: usize,
}

impl Envelope {
    /// For points between these ends of a scale.
    pub fn new(from: f64, to: f64, columns: usize) -> Self {
        Self { from, to, columns: columns.max(1), all: Vec::new(), thinned: false, out: Vec::new(), share: None }
    }

    /// Adds a point, in the order of x.
    pub fn push(&mut self, point: (f64, f64)) {
        if !self.thinned {
            if self.all.len() < 2 * self.columns {
                self.all.push(point);
                return;
            }
            self.thinned = true;
            std::mem::take(&mut self.all).into_iter().for_each(|point| self.thin(point));
        }
        self.thin(point);
    }

    fn thin(&mut self, point: (f64, f64)) {
        // `as` saturates, so what lies outside the scale falls into the outer columns; on a scale without length all
        // is one column.
        let span = self.to - self.from;
        let part = if span > 0.0 { ((point.0 - self.from) / span).clamp(0.0, 1.0) } else { 0.0 };
        let column = (part * self.columns as f64) as usize;
        match &mut self.share {
            // One that goes back is counted to the column that has been reached.
            Some(share) if column <= share.column => {
                if point.1 < share.least.1.1 {
                    share.least = (share.count, point);
                }
                if point.1 > share.greatest.1.1 {
                    share.greatest = (share.count, point);
                }
                share.count += 1;
            }
            _ => {
                self.close();
                self.share = Some(Share { column, least: (0, point), greatest: (0, point), count: 1 });
            }
        }
    }

    fn close(&mut self) {
        let Some(Share { least, greatest, .. }) = self.share.take() else { return };
        let (first, second) = if least.0 <= greatest.0 { (least, greatest) } else { (greatest, least) };
        self.out.push(first.1);
        if first.0 != second.0 {
            self.out.push(second.1);
        }
    }

    /// What is left of the points.
    pub fn finish(mut self) -> Vec<(f64, f64)> {
        if !self.thinned {
            return self.all;
        }
        self.close();
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Short enough for the paper, nothing invented, in order, and both extremes still there.
        #[test]
        fn an_envelope_keeps_extremes(ys in proptest::collection::vec(-1e6..1e6, 1..3_000), columns in 1usize..200) {
            let points: Vec<(f64, f64)> = ys.iter().enumerate().map(|(i, y)| (i as f64, *y)).collect();
            let last = points.len() as f64 - 1.0;
            let kept = envelope(&points, 0.0, last, columns);
            prop_assert!(kept.len() <= 2 * columns + 2);
            prop_assert!(kept.windows(2).all(|pair| pair[0].0 < pair[1].0));
            prop_assert!(kept.iter().all(|p| points[p.0 as usize] == *p));
            let extremes = |of: &[(f64, f64)]| {
                of.iter().fold((f64::MAX, f64::MIN), |(low, high), p| (low.min(p.1), high.max(p.1)))
            };
            prop_assert_eq!(extremes(&kept), extremes(&points));
        }
    }
}
