//! The event log of a recording: values as they were written, decoded only when asked for. Most are interim estimates,
//! and decoding all of them takes longer than reading everything else.

use super::value::{self, RecordValue};

/// The events of a recording, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EventLog {
    bytes: Vec<u8>,
    /// The poll at which each happened, and where its tree begins.
    list: Vec<(usize, usize)>,
}

/// An event as it was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EncodedEvent<'a>(&'a [u8]);

impl EncodedEvent<'_> {
    /// Index of its variant name in the table of names; `None` where it is no variant.
    pub fn variant(self) -> Option<u32> {
        value::variant(self.0)
    }

    /// The tree.
    pub fn node(self) -> RecordValue {
        // It was skipped over when it was added, and was valid.
        postcard::from_bytes(self.0).unwrap_or(RecordValue::Null)
    }
}

impl EventLog {
    /// Adds the events of a block of `count` polls that begins with poll `first`: how many, then for each its poll
    /// in the block and its tree. `None` where they are not valid; then none are added.
    pub(super) fn take(&mut self, first: usize, count: usize, events: &[u8]) -> Option<()> {
        let (had, had_bytes) = (self.list.len(), self.bytes.len());
        let whole = self.take_all(first, count, events);
        if whole.is_none() {
            self.list.truncate(had);
            self.bytes.truncate(had_bytes);
        }
        whole
    }

    fn take_all(&mut self, first: usize, count: usize, events: &[u8]) -> Option<()> {
        let (many, mut rest): (usize, _) = postcard::take_from_bytes(events).ok()?;
        let mut last = 0;
        for _ in 0..many {
            let (place, tree): (u32, _) = postcard::take_from_bytes(rest).ok()?;
            let place = place as usize;
            if place < last || place >= count {
                return None;
            }
            rest = value::pass(tree)?;
            self.list.push((first + place, self.bytes.len()));
            self.bytes.extend_from_slice(tree.get(..tree.len() - rest.len())?);
            last = place;
        }
        Some(())
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// All, with the number of the poll at which each happened.
    pub fn iter(&self) -> impl Iterator<Item = (usize, EncodedEvent<'_>)> {
        let ends = self.list.iter().skip(1).map(|(_, from)| *from).chain([self.bytes.len()]);
        self.list
            .iter()
            .zip(ends)
            .map(|((poll, from), end)| (*poll, EncodedEvent(self.bytes.get(*from..end).unwrap_or_default())))
    }

    /// For going through the polls in order: called with the number of a poll, the next event that happened at it.
    pub fn follow<'a>(&'a self) -> impl FnMut(usize) -> Option<EncodedEvent<'a>> {
        let mut all = self.iter().peekable();
        move |number| all.next_if(|(poll, _)| *poll == number).map(|(_, event)| event)
    }

    /// The first poll from `number` on at which anything happened.
    pub fn next_poll(&self, number: usize) -> Option<usize> {
        self.list.get(self.list.partition_point(|(poll, _)| *poll < number)).map(|(poll, _)| *poll)
    }
}
