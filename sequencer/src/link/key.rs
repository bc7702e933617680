//! The key that a controller and its hosts share, and the tags made with it: HMAC-SHA-256 (RFC 2104, FIPS 180-4).
//!
//! A host proves that it has the key by the tag of its first message; each side tags all that it sends from then on, and
//! counts it, so that nothing can be made up, changed, or played again. Nothing is encrypted: whoever reaches the line
//! may read.

use super::message::{Capabilities, ResumePoint};

/// Bytes added to a message: first byte, count, tag.
pub(super) const TAGGED_BY: usize = if cfg!(feature = "link-key") { 1 + COUNT + TAG } else { 0 };

const COUNT: usize = 4;

/// Half of the hash, the shortest that RFC 2104, section 5, advises.
const TAG: usize = 16;

/// First byte of a tagged message: no message begins with it, as there are not so many kinds.
const TAGGED: u8 = 0xff;

/// All that hello and welcome have said, before either side has proved anything: so whoever changes a part of it on its
/// way leaves the two with different keys.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(not(feature = "link-key"), expect(dead_code, reason = "there is no key to make anything of it"))]
pub(super) struct Opening {
    pub(super) session: u32,
    pub(super) resume: Option<ResumePoint>,
    /// Drawn by the host.
    pub(super) nonce: u64,
    /// Drawn by the controller.
    pub(super) challenge: u64,
    pub(super) boot: u32,
    pub(super) kept: KeptRecords,
    pub(super) capabilities: Capabilities,
}

/// The records that a controller kept as it opened a session, and its clock then.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct KeptRecords {
    pub(super) oldest: u32,
    pub(super) next: u32,
    pub(super) now_us: u64,
}

#[cfg(feature = "link-key")]
impl Opening {
    fn bytes(&self) -> [u8; 55] {
        let Self { session, resume, nonce, challenge, boot, kept, capabilities } = self;
        let have = resume.unwrap_or(ResumePoint { boot: 0, next: 0 });
        let Capabilities { record_bytes, simulated, single_outputs, key, rig_memory } = capabilities;
        let mut bytes = [0; 55];
        let parts = [super::message::VERSION]
            .into_iter()
            .chain(session.to_le_bytes())
            .chain([u8::from(resume.is_some())])
            .chain(have.boot.to_le_bytes())
            .chain(have.next.to_le_bytes())
            .chain(nonce.to_le_bytes())
            .chain(challenge.to_le_bytes())
            .chain(boot.to_le_bytes())
            .chain(kept.oldest.to_le_bytes())
            .chain(kept.next.to_le_bytes())
            .chain(kept.now_us.to_le_bytes())
            .chain(record_bytes.to_le_bytes())
            .chain([u8::from(*simulated)
                | u8::from(*single_outputs) << 1
                | u8::from(*key) << 2
                | u8::from(*rig_memory) << 3]);
        bytes.iter_mut().zip(parts).for_each(|(slot, byte)| *slot = byte);
        bytes
    }
}

/// An end of the link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum LinkEnd {
    Host,
    Controller,
}

#[cfg(feature = "link-key")]
mod hashed {
    use super::{COUNT, KeptRecords, LinkEnd, Opening, TAG, TAGGED};
    use crate::time::{Duration, Instant, millis, since};
    use core::fmt;
    use hmac::{Hmac, KeyInit, Mac};
    use sha2::Sha256;

    type Hash = Hmac<Sha256>;

    /// Shared by a controller and its hosts.
    #[derive(Clone)]
    pub struct Key([u8; Self::LEN]);

    /// Never shown.
    impl fmt::Debug for Key {
        fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("Key(…)")
        }
    }

    impl Key {
        /// Bytes of a key.
        pub const LEN: usize = 32;

        /// From random bytes.
        pub const fn new(bytes: [u8; Self::LEN]) -> Self {
            Self(bytes)
        }

        /// From 64 hexadecimal digits, in groups or not; `None` if they are not.
        pub const fn from_hex(text: &str) -> Option<Self> {
            let mut text = text.as_bytes();
            let (mut key, mut digits) = ([0; Self::LEN], 0);
            while let Some((first, rest)) = text.split_first() {
                text = rest;
                let digit = match *first {
                    digit @ b'0'..=b'9' => digit - b'0',
                    digit @ b'a'..=b'f' => digit - b'a' + 10,
                    digit @ b'A'..=b'F' => digit - b'A' + 10,
                    b'-' | b' ' | b'\n' | b'\r' => continue,
                    _ => return None,
                };
                let Some((_, rest)) = key.split_at_mut_checked(digits / 2) else { return None };
                let Some((byte, _)) = rest.split_first_mut() else { return None };
                *byte = *byte << 4 | digit;
                digits += 1;
            }
            if digits == 2 * Self::LEN { Some(Self(key)) } else { None }
        }

        /// The bytes, to be kept where only their owner can read them.
        pub const fn bytes(&self) -> &[u8; Self::LEN] {
            &self.0
        }

        /// For what an end sends and takes in a session.
        pub(in crate::link) fn session_keys(&self, end: LinkEnd, opening: &Opening) -> Option<SessionKeys> {
            let (host, controller) =
                (self.of_session(LinkEnd::Host, opening), self.of_session(LinkEnd::Controller, opening));
            let (ours, theirs) = if end == LinkEnd::Host { (host, controller) } else { (controller, host) };
            Some(SessionKeys { ours, theirs, sent: 0, received: 0 })
        }

        fn of_session(&self, from: LinkEnd, opening: &Opening) -> [u8; 32] {
            let mut hash = keyed(&self.0);
            hash.update(match from {
                LinkEnd::Host => b"seathold from host......",
                LinkEnd::Controller => b"seathold from controller",
            });
            hash.update(&opening.bytes());
            hash.finalize().into_bytes().into()
        }
    }

    /// A key, and what a controller makes its part of each session's tags of.
    #[derive(Debug)]
    pub(in crate::link) struct ControllerKey {
        key: Key,
        /// Bytes that no earlier boot had.
        entropy: [u8; 16],
        /// Sessions opened since the reset.
        opened: u32,
        challenge: u64,
        kept: KeptRecords,
        heard: Heard,
    }

    /// What a host must have heard to be up to date: counts of messages sent to it.
    #[derive(Clone, Copy, Debug)]
    struct Heard {
        at: Instant,
        newer: u32,
        older: u32,
    }

    /// A command is taken only from a host that has heard what was sent to it up to one or two of these before.
    const UP_TO_DATE: Duration = millis(2_000);

    impl ControllerKey {
        pub(in crate::link) const fn new(key: Key, entropy: [u8; 16]) -> Option<Self> {
            let heard = Heard { at: Instant::from_ticks(0), newer: 0, older: 0 };
            let kept = KeptRecords { oldest: 0, next: 0, now_us: 0 };
            Some(Self { key, entropy, opened: 0, challenge: 0, kept, heard })
        }

        pub(in crate::link) const fn key(&self) -> &Key {
            &self.key
        }

        /// Of the present session.
        pub(in crate::link) const fn challenge(&self) -> u64 {
            self.challenge
        }

        /// As the present session was opened.
        pub(in crate::link) const fn kept(&self) -> KeptRecords {
            self.kept
        }

        /// Remembers how many messages have been sent, and when.
        pub(in crate::link) fn sent(&mut self, now: Instant, keys: &SessionKeys) {
            if since(now, self.heard.at) >= UP_TO_DATE {
                self.heard = Heard { at: now, newer: keys.sent, older: self.heard.newer };
            }
        }

        /// Whether a host that has had this many messages is up to date.
        pub(in crate::link) const fn is_up_to_date(&self, heard: u32) -> bool {
            heard >= self.heard.older
        }

        /// A challenge that was never drawn before, for the next session.
        pub(in crate::link) fn draw(&mut self, now: Instant, kept: KeptRecords) -> u64 {
            self.kept = kept;
            self.heard = Heard { at: now, newer: 0, older: 0 };
            self.opened = self.opened.wrapping_add(1);
            let mut hash = keyed(&self.key.0);
            hash.update(b"seathold challenge");
            hash.update(&self.entropy);
            hash.update(&self.opened.to_le_bytes());
            hash.update(&now.as_ticks().to_le_bytes());
            let out: [u8; 32] = hash.finalize().into_bytes().into();
            self.challenge = out.first_chunk().map_or(0, |eight| u64::from_le_bytes(*eight));
            self.challenge
        }
    }

    /// A key shorter than the hash's block is filled up with zeros (RFC 2104, section 2): so it is given, as that cannot
    /// fail.
    fn keyed(key: &[u8; 32]) -> Hash {
        let mut block = [0; 64];
        block.iter_mut().zip(key).for_each(|(to, from)| *to = *from);
        <Hash as KeyInit>::new(&block.into())
    }

    /// Tags what one end sends, and verifies the tags of the other, in one session.
    #[derive(Clone)]
    pub(in crate::link) struct SessionKeys {
        ours: [u8; 32],
        theirs: [u8; 32],
        sent: u32,
        received: u32,
    }

    impl fmt::Debug for SessionKeys {
        fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.debug_struct("SessionKeys")
                .field("sent", &self.sent)
                .field("received", &self.received)
                .finish_non_exhaustive()
        }
    }

    impl SessionKeys {
        /// The count of the last message of the other end.
        pub(in crate::link) const fn received(&self) -> u32 {
            self.received
        }

        /// Whether a tag of the other end has been right yet: it has then proved that it has the key.
        pub(in crate::link) const fn has_verified(&self) -> bool {
            self.received > 0
        }

        /// Puts first byte, count and tag round a message.
        ///
        /// `None` when `room` is too small, or after 2³² messages: some years.
        pub(in crate::link) fn tag<'a>(&mut self, message: &[u8], room: &'a mut [u8]) -> Option<&'a [u8]> {
            self.sent = self.sent.checked_add(1)?;
            let count = self.sent.to_le_bytes();
            let mut hash = keyed(&self.ours);
            hash.update(message);
            hash.update(&count);
            let tag: [u8; 32] = hash.finalize().into_bytes().into();
            let mut at = 0;
            for byte in [TAGGED].iter().chain(message).chain(&count).chain(tag.iter().take(TAG)) {
                *room.get_mut(at)? = *byte;
                at += 1;
            }
            room.get(..at)
        }

        /// The message, if its tag is the other end's, of the same session, and it was sent after all that has come before.
        pub(in crate::link) fn verify<'a>(&mut self, tagged: &'a [u8]) -> Option<&'a [u8]> {
            let (rest, tag) = tagged.split_last_chunk::<TAG>()?;
            let (message, count) = rest.split_last_chunk::<COUNT>()?;
            let (&TAGGED, message) = message.split_first()? else { return None };
            let number = u32::from_le_bytes(*count);
            if number <= self.received {
                return None;
            }
            let mut hash = keyed(&self.theirs);
            hash.update(message);
            hash.update(count);
            // In constant time.
            hash.verify_truncated_left(tag).ok()?;
            self.received = number;
            Some(message)
        }
    }
}

#[cfg(not(feature = "link-key"))]
mod hashed {
    use super::{KeptRecords, LinkEnd, Opening};
    use crate::time::Instant;

    /// There is none: built without the feature `link-key`.
    #[derive(Clone, Debug)]
    pub enum Key {}

    impl Key {
        pub(in crate::link) fn session_keys(&self, _: LinkEnd, _: &Opening) -> Option<SessionKeys> {
            match *self {}
        }
    }

    #[derive(Debug)]
    pub(in crate::link) enum ControllerKey {}

    impl ControllerKey {
        pub(in crate::link) fn new(key: Key, _: [u8; 16]) -> Option<Self> {
            match key {}
        }

        pub(in crate::link) fn key(&self) -> &Key {
            match *self {}
        }

        pub(in crate::link) fn challenge(&self) -> u64 {
            match *self {}
        }

        pub(in crate::link) fn kept(&self) -> KeptRecords {
            match *self {}
        }

        pub(in crate::link) fn sent(&mut self, _: Instant, _: &SessionKeys) {
            match *self {}
        }

        pub(in crate::link) fn is_up_to_date(&self, _: u32) -> bool {
            match *self {}
        }

        pub(in crate::link) fn draw(&mut self, _: Instant, _: KeptRecords) -> u64 {
            match *self {}
        }
    }

    #[derive(Clone, Debug)]
    pub(in crate::link) enum SessionKeys {}

    impl SessionKeys {
        pub(in crate::link) fn received(&self) -> u32 {
            match *self {}
        }

        pub(in crate::link) fn has_verified(&self) -> bool {
            match *self {}
        }

        pub(in crate::link) fn tag<'a>(&mut self, _: &[u8], _: &'a mut [u8]) -> Option<&'a [u8]> {
            match *self {}
        }

        pub(in crate::link) fn verify<'a>(&mut self, _: &'a [u8]) -> Option<&'a [u8]> {
            match *self {}
        }
    }
}

pub use hashed::Key;
pub(super) use hashed::{ControllerKey, SessionKeys};

/// Whether a message has a tag.
pub(super) fn is_tagged(message: &[u8]) -> bool {
    cfg!(feature = "link-key") && message.first() == Some(&TAGGED)
}
