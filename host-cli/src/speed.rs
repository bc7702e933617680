//! How fast simulated time passes.

/// How fast simulated time passes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Speed {
    /// As fast as the machine can.
    Max,
    /// So many times real time.
    Times(f64),
}

/// A speed as typed.
///
/// # Errors
/// What it may be, where it is not.
pub fn speed(text: &str) -> Result<Speed, String> {
    if text == "max" {
        return Ok(Speed::Max);
    }
    match text.parse::<f64>() {
        Ok(times) if (0.01..=10_000.0).contains(&times) => Ok(Speed::Times(times)),
        _ => Err("give \"max\", or a number from 0.01 to 10000".into()),
    }
}
