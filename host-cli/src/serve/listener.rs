//! Byte transports to a host.

/// An event of a listener.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ListenerEvent {
    /// A host has connected.
    Came(String),
    /// Another host was refused.
    TurnedAway(String),
    /// The host has disconnected.
    Gone,
}

/// A stream of bytes to one host at a time. Nothing here waits.
pub trait Listener {
    /// The address for the host's `--rig`.
    fn address(&self) -> String;

    /// The next event, if any. `talking` is whether the present host has been heard lately: one that has not
    /// gives way to another.
    fn event(&mut self, talking: bool) -> Option<ListenerEvent>;

    /// What has come; 0 if nothing.
    fn read(&mut self, into: &mut [u8]) -> usize;

    /// Sends; how much was taken.
    fn write(&mut self, bytes: &[u8]) -> usize;
}
