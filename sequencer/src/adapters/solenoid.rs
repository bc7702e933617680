use embedded_hal::digital::OutputPin;

/// A solenoid on an output pin.
#[derive(Debug)]
pub struct Solenoid<P> {
    pin: P,
    active_low: bool,
}

impl<P: OutputPin> Solenoid<P> {
    /// Energised while the pin is high.
    pub const fn active_high(pin: P) -> Self {
        Self { pin, active_low: false }
    }

    /// Energised while the pin is low, as behind an inverting driver.
    pub const fn active_low(pin: P) -> Self {
        Self { pin, active_low: true }
    }

    /// Energises or releases the solenoid.
    ///
    /// # Errors
    /// The pin's own.
    pub fn energise(&mut self, on: bool) -> Result<(), P::Error> {
        self.pin.set_state((on != self.active_low).into())
    }
}
