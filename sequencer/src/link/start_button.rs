//! A button at the rig that answers the host's question as Enter at the keyboard does; a foot switch beside it does the same.
//!
//! Nothing is decided by it on the controller: it counts presses, [`Controller::set_presses`](super::controller::Controller::set_presses)
//! sends the count, and the host answers whatever question waits. So the question, the tag to be scanned and the half second in
//! which nothing is taken as an answer hold for both. An emergency stop is acknowledged at the keyboard alone.

/// Counts presses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StartButton {
    was_open: bool,
    presses: u8,
}

impl StartButton {
    /// Takes in its contact, debounced, once a poll: closed is pressed. Returns the presses since the reset, modulo 256.
    ///
    /// A contact that is closed from the beginning, as one that is stuck, has not been pressed; nor is one whose wire is
    /// broken.
    ///
    /// ```
    /// use seathold_sequencer::link::start_button::StartButton;
    ///
    /// let mut button = StartButton::default();
    /// assert_eq!([true, false, true, true, false, true].map(|closed| button.update(closed)), [0, 0, 1, 1, 1, 2]);
    /// ```
    pub const fn update(&mut self, closed: bool) -> u8 {
        if closed && self.was_open {
            self.presses = self.presses.wrapping_add(1);
        }
        self.was_open = !closed;
        self.presses
    }
}
