//! The event log of a recording: values as they were written, decoded only when asked for. Most are interim estimates,
//! and decoding all of them takes longer than reading everything else.

use seathold_sequencer::time::Instant;

use super::Poll;
use super::limits::{EVENT_MAX, EVENTS_MAX};
use super::value::{self, RecordValue};

/// The events of a recording, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EventLog {
    bytes: Vec<u8>,
    list: Vec<EventPlace>,
}

/// Where an event is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct EventPlace {
    /// When it happened.
    at: Instant,
    /// The number of its poll.
    poll: u32,
    /// Where its tree begins.
    from: u32,
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

/// Why the events of a block cannot be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum EventDefect {
    Unreadable,
    TooMany,
    TooLong,
}

impl EventLog {
    /// Adds the events of a block of polls that begins with poll `first`: how many, then for each its poll in the
    /// block and its tree. Where they are not valid, or too many, none are added.
    pub(super) fn take(&mut self, first: usize, polls: &[Poll], events: &[u8]) -> Result<(), EventDefect> {
        let (had, had_bytes) = (self.list.len(), self.bytes.len());
        let whole = self.take_all(first, polls, events);
        if whole.is_err() {
            self.list.truncate(had);
            self.bytes.truncate(had_bytes);
        }
        whole
    }

    fn take_all(&mut self, first: usize, polls: &[Poll], events: &[u8]) -> Result<(), EventDefect> {
        let bad = EventDefect::Unreadable;
        let (many, mut rest): (usize, _) = postcard::take_from_bytes(events).map_err(|_| bad)?;
        if many > EVENTS_MAX - self.list.len() {
            return Err(EventDefect::TooMany);
        }
        let mut last = 0;
        for _ in 0..many {
            let (place, tree): (u32, _) = postcard::take_from_bytes(rest).map_err(|_| bad)?;
            let poll = polls.get(place as usize).filter(|_| place >= last).ok_or(bad)?;
            rest = value::pass(tree).ok_or(bad)?;
            let tree = tree.get(..tree.len() - rest.len()).ok_or(bad)?;
            if tree.len() > EVENT_MAX {
                return Err(EventDefect::TooLong);
            }
            // Both are far below 2³²: a file has its greatest length.
            let (number, from) = (first as u32 + place, self.bytes.len() as u32);
            self.list.push(EventPlace { at: poll.at, poll: number, from });
            self.bytes.extend_from_slice(tree);
            last = place;
        }
        Ok(())
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
        self.timed().map(|(poll, _, event)| (poll, event))
    }

    /// All, with the number and the time of that poll.
    pub fn timed(&self) -> impl Iterator<Item = (usize, Instant, EncodedEvent<'_>)> {
        let ends = self.list.iter().skip(1).map(|place| place.from as usize).chain([self.bytes.len()]);
        self.list.iter().zip(ends).map(|(place, end)| {
            let bytes = self.bytes.get(place.from as usize..end).unwrap_or_default();
            (place.poll as usize, place.at, EncodedEvent(bytes))
        })
    }

    /// For going through the polls in order: called with the number of a poll, the next event that happened at it.
    pub fn follow<'a>(&'a self) -> impl FnMut(usize) -> Option<EncodedEvent<'a>> {
        let mut all = self.iter().peekable();
        move |number| all.next_if(|(poll, _)| *poll == number).map(|(_, event)| event)
    }

    /// The first poll from `number` on at which anything happened.
    pub fn next_poll(&self, number: usize) -> Option<usize> {
        let after = self.list.partition_point(|place| (place.poll as usize) < number);
        self.list.get(after).map(|place| place.poll as usize)
    }
}
