//! Records kept until the host has them: a ring of bytes that drops its oldest when full.

/// Bytes before each record with its length.
const HEAD: usize = 2;

/// `N` bytes of records, numbered from zero.
#[derive(Debug)]
pub struct RecordRing<const N: usize> {
    bytes: [u8; N],
    /// Start of the oldest record.
    begin: usize,
    used: usize,
    oldest: u32,
    next: u32,
}

impl<const N: usize> Default for RecordRing<N> {
    fn default() -> Self {
        Self { bytes: [0; N], begin: 0, used: 0, oldest: 0, next: 0 }
    }
}

impl<const N: usize> RecordRing<N> {
    /// Number of the oldest record kept.
    pub const fn oldest(&self) -> u32 {
        self.oldest
    }

    /// Number the next record will have.
    pub const fn next(&self) -> u32 {
        self.next
    }

    /// Stores a record, dropping as many of the oldest as necessary. One that could never fit is dropped itself, and
    /// shows as a gap like any other.
    pub fn push(&mut self, record: &[u8]) {
        let len = record.len() + HEAD;
        self.next = self.next.wrapping_add(1);
        if len > N || record.len() > usize::from(u16::MAX) {
            self.begin = 0;
            self.used = 0;
            self.oldest = self.next;
            return;
        }
        while self.used + len > N {
            self.drop_oldest();
        }
        let end = self.begin + self.used;
        for (at, &byte) in (end..).zip((record.len() as u16).to_le_bytes().iter().chain(record)) {
            if let Some(slot) = self.bytes.get_mut(wrapped::<N>(at)) {
                *slot = byte;
            }
        }
        self.used += len;
    }

    /// Drops every record below `next`.
    pub fn forget_below(&mut self, next: u32) {
        while self.oldest < next && self.used > 0 {
            self.drop_oldest();
        }
    }

    /// Copies a record out; `None` if it is not kept. The search is linear from the oldest record, so read old ones.
    pub fn read<'b>(&self, number: u32, into: &'b mut [u8]) -> Option<&'b [u8]> {
        let mut ahead = number.checked_sub(self.oldest)?;
        if number >= self.next {
            return None;
        }
        let mut at = self.begin;
        while ahead > 0 {
            at = wrapped::<N>(at + HEAD + self.length_at(at));
            ahead -= 1;
        }
        let len = self.length_at(at);
        let out = into.get_mut(..len)?;
        for (i, byte) in out.iter_mut().enumerate() {
            *byte = self.byte(at + HEAD + i);
        }
        Some(out)
    }

    fn drop_oldest(&mut self) {
        let len = HEAD + self.length_at(self.begin);
        self.begin = wrapped::<N>(self.begin + len);
        self.used = self.used.saturating_sub(len);
        self.oldest = self.oldest.wrapping_add(1);
    }

    fn length_at(&self, at: usize) -> usize {
        usize::from(u16::from_le_bytes([self.byte(at), self.byte(at + 1)]))
    }

    fn byte(&self, at: usize) -> u8 {
        self.bytes.get(wrapped::<N>(at)).copied().unwrap_or(0)
    }
}

/// A place in the ring from one in it and at most a round further: no division for every byte, which a small core has to do
/// in software.
const fn wrapped<const N: usize>(at: usize) -> usize {
    if at < N { at } else { at - N }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use proptest::prelude::*;
    use std::collections::VecDeque;
    use std::vec::Vec;

    proptest! {
        /// Against a plain queue: the newest records are kept, whole, with correct numbers.
        #[test]
        fn keeps_the_newest(steps in prop::collection::vec((prop::collection::vec(any::<u8>(), 0..70), 0u32..4), 0..200)) {
            let mut ring = RecordRing::<256>::default();
            let mut model: VecDeque<(u32, Vec<u8>)> = VecDeque::new();
            let mut next = 0;
            for (record, forget) in steps {
                ring.push(&record);
                model.push_back((next, record));
                next += 1;
                while model.iter().map(|(_, r)| r.len() + HEAD).sum::<usize>() > 256 {
                    model.pop_front();
                }
                if forget == 0 {
                    let below = ring.oldest() + 1;
                    ring.forget_below(below);
                    model.retain(|(n, _)| *n >= below);
                }
                prop_assert_eq!(ring.next(), next);
                let mut room = [0; 256];
                for (number, record) in &model {
                    prop_assert_eq!(ring.read(*number, &mut room), Some(record.as_slice()));
                }
                prop_assert_eq!(ring.oldest(), model.front().map_or(next, |m| m.0));
                prop_assert_eq!(ring.read(next, &mut room), None);
                if let Some(dropped) = ring.oldest().checked_sub(1) {
                    prop_assert_eq!(ring.read(dropped, &mut room), None);
                }
            }
        }
    }
}
