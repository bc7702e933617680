//! Moments as reports print them.

/// "2026-03-02 09:30 UTC".
pub(crate) fn moment(rfc3339: &str) -> String {
    let text = rfc3339.trim_end_matches('Z');
    match text.split_once('T') {
        Some((date, time)) if rfc3339.ends_with('Z') => {
            format!("{date} {} UTC", time.split('.').next().unwrap_or(time))
        }
        _ => rfc3339.to_owned(),
    }
}
