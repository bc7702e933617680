//! Small whole numbers in half bytes: a reading's difference from the one before is a few counts of noise.

/// Zigzag values up to this fit one half byte; the last value announces a longer one.
const ESCAPE: u32 = 15;
/// Bits a half byte of a longer value carries; its top bit says that more follow.
const BITS: u32 = 3;

/// Whole numbers as zigzag values in half bytes, the low half of a byte first.
#[derive(Debug, Default)]
pub(super) struct NibbleWriter {
    bytes: Vec<u8>,
    half: bool,
}

impl NibbleWriter {
    fn put(&mut self, nibble: u32) {
        let nibble = nibble as u8;
        match self.bytes.last_mut() {
            Some(last) if self.half => *last |= nibble << 4,
            _ => self.bytes.push(nibble),
        }
        self.half = !self.half;
    }

    /// Adds a number.
    pub(super) fn push(&mut self, number: i32) {
        let zigzag = ((number << 1) ^ (number >> 31)) as u32;
        if zigzag < ESCAPE {
            return self.put(zigzag);
        }
        self.put(ESCAPE);
        let mut rest = zigzag;
        loop {
            let more = u32::from(rest >> BITS != 0);
            self.put((rest & 7) | more << BITS);
            rest >>= BITS;
            if more == 0 {
                return;
            }
        }
    }

    /// The bytes; the last half of the last one is 0 where the count of half bytes is odd.
    pub(super) fn finish(self) -> Vec<u8> {
        self.bytes
    }
}

/// Takes numbers out again, and adds each to the one before: `count` running sums onto `to`, which is emptied first.
/// `None` where the bytes are over before, or a longer value has more bits than a number.
pub(super) fn sums(bytes: &[u8], count: usize, to: &mut Vec<i32>) -> Option<()> {
    to.clear();
    // A number takes half a byte at least; no memory is reserved for an impossible count.
    to.reserve(count.min(bytes.len() * 2));
    let mut reader = NibbleReader { bytes, at: 0 };
    let mut sum = 0_i32;
    while to.len() < count {
        // Nearly all bytes hold two short numbers.
        if reader.at.is_multiple_of(2)
            && count - to.len() > 1
            && let Some(&byte) = bytes.get(reader.at / 2)
            && let (low, high) = (u32::from(byte & 15), u32::from(byte >> 4))
            && low != ESCAPE
            && high != ESCAPE
        {
            let first = sum.wrapping_add(signed(low));
            sum = first.wrapping_add(signed(high));
            to.extend([first, sum]);
            reader.at += 2;
        } else {
            sum = sum.wrapping_add(reader.number()?);
            to.push(sum);
        }
    }
    Some(())
}

const fn signed(zigzag: u32) -> i32 {
    (zigzag >> 1) as i32 ^ -((zigzag & 1) as i32)
}

#[derive(Debug)]
struct NibbleReader<'a> {
    bytes: &'a [u8],
    /// The next half byte.
    at: usize,
}

impl NibbleReader<'_> {
    fn take(&mut self) -> Option<u32> {
        let byte = self.bytes.get(self.at / 2)?;
        let nibble = if self.at.is_multiple_of(2) { byte & 15 } else { byte >> 4 };
        self.at += 1;
        Some(nibble.into())
    }

    fn number(&mut self) -> Option<i32> {
        let first = self.take()?;
        let mut zigzag = first;
        if first == ESCAPE {
            zigzag = 0;
            let mut shift = 0;
            loop {
                let nibble = self.take()?;
                let part = (nibble & 7).checked_shl(shift).filter(|p| p >> shift == nibble & 7)?;
                zigzag |= part;
                shift += BITS;
                if nibble >> BITS == 0 {
                    break;
                }
            }
        }
        Some(signed(zigzag))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bytes_as_documented() {
        let packed = |numbers: &[i32]| {
            let mut writer = NibbleWriter::default();
            numbers.iter().for_each(|&n| writer.push(n));
            writer.finish()
        };
        assert_eq!(packed(&[0, -1, 1, 7]), [0x10, 0xe2]);
        // 8 is zigzag 16: escape, then 0 and more, then 2.
        assert_eq!(packed(&[8]), [0x8f, 0x02]);
    }

    proptest! {
        #[test]
        fn any_numbers_come_back(numbers in prop::collection::vec(prop_oneof![any::<i32>(), -9i32..9], 0..60)) {
            let mut writer = NibbleWriter::default();
            numbers.iter().for_each(|&n| writer.push(n));
            let bytes = writer.finish();
            let mut back = Vec::new();
            sums(&bytes, numbers.len(), &mut back).unwrap();
            let summed = numbers.iter().scan(0_i32, |sum, n| {
                *sum = sum.wrapping_add(*n);
                Some(*sum)
            });
            prop_assert_eq!(back, summed.collect::<Vec<i32>>());
            // Not more than there are, but for the half byte that fills the last one up.
            prop_assert!(sums(&bytes, numbers.len() + 2, &mut Vec::new()).is_none());
        }

        #[test]
        fn any_bytes_end(bytes in prop::collection::vec(any::<u8>(), 0..60), count in 0..200usize) {
            let mut back = Vec::new();
            let whole = sums(&bytes, count, &mut back);
            prop_assert!(back.len() <= count.min(2 * bytes.len()));
            prop_assert_eq!(whole.is_some(), back.len() == count);
        }
    }
}
