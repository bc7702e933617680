//! The polls of a recording, kept as they were written, a few bytes each, and unpacked a block at a time: unpacked they
//! take a hundred times as much, and nobody needs them all at once.

use std::ops::Range;

use super::Poll;
use super::polls::{self, PollBlock};

/// The polls of a recording.
#[derive(Clone, Debug, Default)]
pub struct PollLog {
    /// Blocks of polls, one after the other.
    bytes: Vec<u8>,
    blocks: Vec<BlockPlace>,
    len: usize,
    ends: Option<(Poll, Poll)>,
    /// For reading a block in.
    room: Vec<Poll>,
}

/// Where a block begins.
#[derive(Clone, Copy, Debug)]
struct BlockPlace {
    /// Number of its first poll.
    first: u32,
    /// In the bytes.
    from: u32,
}

impl PollLog {
    /// Prepares for blocks of so many bytes together.
    pub(super) fn with_room(bytes: usize) -> Self {
        Self { bytes: Vec::with_capacity(bytes), ..Self::default() }
    }

    /// Unpacks a block in these bytes, and holds it back until it is kept: its polls, and what follows the block.
    /// `None` where the polls contradict each other.
    pub(super) fn unpack<'a>(&mut self, bytes: &'a [u8]) -> Result<(&[Poll], &'a [u8]), &'static str> {
        self.room.clear();
        let (block, rest): (PollBlock, _) = postcard::take_from_bytes(bytes).map_err(|_| "polls cannot be read")?;
        block.unpack(&mut self.room).ok_or("polls contradict each other")?;
        Ok((&self.room, rest))
    }

    /// Keeps the block unpacked last, which was in these bytes.
    pub(super) fn keep(&mut self, block: &[u8]) {
        let (Some(first), Some(last)) = (self.room.first(), self.room.last()) else { return };
        // Both are far below 2³²: a file has its greatest length.
        self.blocks.push(BlockPlace { first: self.len as u32, from: self.bytes.len() as u32 });
        self.bytes.extend_from_slice(block);
        self.len += self.room.len();
        self.ends = Some((self.ends.map_or(*first, |ends| ends.0), *last));
    }

    /// How many there are.
    pub const fn len(&self) -> usize {
        self.len
    }

    /// Whether there are none.
    pub const fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The first.
    pub fn first(&self) -> Option<Poll> {
        self.ends.map(|ends| ends.0)
    }

    /// The last.
    pub fn last(&self) -> Option<Poll> {
        self.ends.map(|ends| ends.1)
    }

    /// One. A whole block is unpacked for it: to get several use a [`PollCursor`].
    pub fn get(&self, number: usize) -> Option<Poll> {
        self.cursor().get(number).copied()
    }

    /// For getting polls near each other.
    pub fn cursor(&self) -> PollCursor<'_> {
        PollCursor { log: self, block: 0, first: 0, polls: Vec::with_capacity(polls::BLOCK) }
    }

    /// All in order.
    pub fn iter(&self) -> PollIter<'_> {
        self.range(0..self.len)
    }

    /// Those with these numbers, as far as there are such.
    pub fn range(&self, numbers: Range<usize>) -> PollIter<'_> {
        PollIter { cursor: self.cursor(), next: numbers.start, end: numbers.end.min(self.len) }
    }
}

impl<'a> IntoIterator for &'a PollLog {
    type Item = Poll;
    type IntoIter = PollIter<'a>;

    fn into_iter(self) -> PollIter<'a> {
        self.iter()
    }
}

/// Gets polls by number, fast where one is near the one before.
#[derive(Clone, Debug)]
pub struct PollCursor<'a> {
    log: &'a PollLog,
    /// The block after the one unpacked.
    block: usize,
    /// Number of the first poll unpacked.
    first: usize,
    polls: Vec<Poll>,
}

impl PollCursor<'_> {
    /// A poll.
    pub fn get(&mut self, number: usize) -> Option<&Poll> {
        let unpacked = number.checked_sub(self.first).is_some_and(|place| place < self.polls.len());
        if !unpacked {
            self.unpack(number)?;
        }
        self.polls.get(number - self.first)
    }

    fn unpack(&mut self, number: usize) -> Option<()> {
        let blocks = &self.log.blocks;
        if number >= self.log.len {
            return None;
        }
        let begins = |block: usize| blocks.get(block).map_or(self.log.len, |block| block.first as usize);
        let block = if (begins(self.block)..begins(self.block + 1)).contains(&number) {
            self.block
        } else {
            blocks.partition_point(|block| block.first as usize <= number).checked_sub(1)?
        };
        let place = blocks.get(block)?;
        self.polls.clear();
        self.first = place.first as usize;
        self.block = block + 1;
        // It was unpacked when it was read, and was valid.
        let (packed, _) = postcard::take_from_bytes::<PollBlock>(self.log.bytes.get(place.from as usize..)?).ok()?;
        packed.unpack(&mut self.polls)
    }
}

/// Polls in order.
#[derive(Clone, Debug)]
pub struct PollIter<'a> {
    cursor: PollCursor<'a>,
    next: usize,
    end: usize,
}

impl Iterator for PollIter<'_> {
    type Item = Poll;

    fn next(&mut self) -> Option<Poll> {
        self.nth(0)
    }

    fn nth(&mut self, skipped: usize) -> Option<Poll> {
        let number = self.next.saturating_add(skipped).min(self.end);
        if number == self.end {
            self.next = number;
            return None;
        }
        self.next = number + 1;
        self.cursor.get(number).copied()
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = self.end.saturating_sub(self.next);
        (left, Some(left))
    }
}

impl ExactSizeIterator for PollIter<'_> {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use seathold_sequencer::input::Inputs;
    use seathold_sequencer::output::Outputs;
    use seathold_sequencer::time::Instant;

    fn log(blocks: &[usize]) -> PollLog {
        let mut log = PollLog::default();
        let mut at = 0;
        for count in blocks {
            let polls: Vec<Poll> = (0..*count)
                .map(|_| {
                    at += 10_000;
                    Poll { at: Instant::from_ticks(at), inputs: Inputs::IDLE, outputs: Outputs::REST }
                })
                .collect();
            let bytes = postcard::to_stdvec(&PollBlock::pack(&polls)).unwrap();
            log.unpack(&bytes).unwrap();
            log.keep(&bytes);
        }
        log
    }

    proptest! {
        /// However they were divided into blocks, and in whatever order they are asked for.
        #[test]
        fn any_poll_is_found(
            blocks in proptest::collection::vec(0usize..=polls::BLOCK, 0..6),
            asked in proptest::collection::vec(0usize..1_600, 0..40),
        ) {
            let log = log(&blocks);
            let count: usize = blocks.iter().sum();
            let at = |number: usize| (number < count).then_some((number as u64 + 1) * 10_000);
            prop_assert_eq!(log.len(), count);
            prop_assert_eq!(log.iter().count(), count);
            prop_assert_eq!(log.first().map(|poll| poll.at.as_ticks()), at(0));
            prop_assert_eq!(log.last().map(|poll| poll.at.as_ticks()), count.checked_sub(1).and_then(at));
            let mut cursor = log.cursor();
            for number in asked {
                prop_assert_eq!(cursor.get(number).map(|poll| poll.at.as_ticks()), at(number));
                prop_assert_eq!(log.iter().nth(number).map(|poll| poll.at.as_ticks()), at(number));
                prop_assert_eq!(log.range(number..count).next().map(|poll| poll.at.as_ticks()), at(number));
            }
        }
    }
}
