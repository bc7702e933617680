use embedded_hal::digital::InputPin;

/// A switch or contact on an input pin, wired so that a broken wire reads as the cautious answer.
#[derive(Debug)]
pub struct Contact<P> {
    pin: P,
    made_low: bool,
    /// What to say when the pin cannot be read.
    cautious: bool,
}

impl<P: InputPin> Contact<P> {
    /// A contact that pulls the pin low when made. `cautious` is the answer when the pin cannot be read.
    pub const fn made_low(pin: P, cautious: bool) -> Self {
        Self { pin, made_low: true, cautious }
    }

    /// A contact that pulls the pin high when made. `cautious` is the answer when the pin cannot be read.
    pub const fn made_high(pin: P, cautious: bool) -> Self {
        Self { pin, made_low: false, cautious }
    }

    /// Whether the contact is made.
    pub fn made(&mut self) -> bool {
        self.pin.is_high().map_or(self.cautious, |high| high != self.made_low)
    }
}
