//! Progress of a long command.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::console::Console;

/// A bar with the time left on a terminal; elsewhere a line every tenth.
pub(super) struct Progress {
    bar: Option<ProgressBar>,
    whole: u64,
    of: &'static str,
    tenths: u64,
}

impl Progress {
    pub(super) fn new(whole: u64, of: &'static str, live: bool) -> Self {
        let style = ProgressStyle::with_template(&format!("  {{bar:40}} {{pos}} of {{len}} {of}, {{eta}} left"))
            .unwrap_or_else(|_| ProgressStyle::default_bar())
            .progress_chars("━━─");
        let bar = || ProgressBar::with_draw_target(Some(whole), ProgressDrawTarget::stderr_with_hz(10));
        Self { bar: live.then(|| bar().with_style(style)), whole, of, tenths: 0 }
    }

    pub(super) fn step(&mut self, done: u64, console: &mut Console<'_>) {
        if let Some(bar) = &self.bar {
            bar.set_position(done);
            return;
        }
        let tenths = done * 10 / self.whole.max(1);
        if tenths > self.tenths {
            self.tenths = tenths;
            // The reader of the messages may have gone; the work continues.
            let _ = writeln!(console.err, "  {done} of {} {}", self.whole, self.of);
        }
    }

    pub(super) fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// A number that grows on a terminal, where it is not known how far.
pub(super) struct Counter(Option<ProgressBar>);

impl Counter {
    pub(super) fn new(of: &'static str, live: bool) -> Self {
        let style = ProgressStyle::with_template(&format!("{{pos}} {of}"));
        let style = style.unwrap_or_else(|_| ProgressStyle::default_spinner());
        let bar = || ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(10)).with_style(style);
        Self(live.then(bar))
    }

    pub(super) fn step(&self, done: u64) {
        if let Some(bar) = &self.0 {
            bar.set_position(done);
        }
    }

    pub(super) fn end(&self) {
        if let Some(bar) = &self.0 {
            bar.finish_and_clear();
        }
    }
}
