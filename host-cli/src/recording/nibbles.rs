//! Small whole numbers in half bytes: a reading's difference from the one before is a few counts of noise.

/// Zigzag values up to this fit one half byte; the last value announces a longer one.
const ESCAPE: u32 = 15;
/// Bits a half byte of a longer value carries; its top bit says that more follow.
const BITS: u32 = 3;

/// Whole numbers as zigzag values in half bytes, the low half of a byte first.
#[derive(Debug, Default)]
pub(super) struct Packer {
    bytes: Vec<u8>,
    half: bool,
}

impl Packer {
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

/// Takes numbers out again.
#[derive(Debug)]
pub(super) struct Unpacker<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Unpacker<'a> {
    /// Over what [`Packer::finish`] gave.
    pub(super) const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    fn take(&mut self) -> Option<u32> {
        let byte = self.bytes.get(self.at / 2)?;
        let nibble = if self.at.is_multiple_of(2) { byte & 15 } else { byte >> 4 };
        self.at += 1;
        Some(nibble.into())
    }
}

impl Iterator for Unpacker<'_> {
    type Item = i32;

    /// The next number; `None` where the bytes are over, or a longer value has more bits than a number.
    fn next(&mut self) -> Option<i32> {
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
        Some((zigzag >> 1) as i32 ^ -((zigzag & 1) as i32))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn bytes_as_documented() {
        let packed = |numbers: &[i32]| {
            let mut packer = Packer::default();
            numbers.iter().for_each(|&n| packer.push(n));
            packer.finish()
        };
        assert_eq!(packed(&[0, -1, 1, 7]), [0x10, 0xe2]);
        // 8 is zigzag 16: escape, then 0 and more, then 2.
        assert_eq!(packed(&[8]), [0x8f, 0x02]);
    }

    proptest! {
        #[test]
        fn any_numbers_come_back(numbers in prop::collection::vec(prop_oneof![any::<i32>(), -9i32..9], 0..60)) {
            let mut packer = Packer::default();
            numbers.iter().for_each(|&n| packer.push(n));
            let bytes = packer.finish();
            let back: Vec<i32> = Unpacker::new(&bytes).take(numbers.len()).collect();
            prop_assert_eq!(back, numbers);
        }

        #[test]
        fn any_bytes_end(bytes in prop::collection::vec(any::<u8>(), 0..60)) {
            prop_assert!(Unpacker::new(&bytes).count() <= 2 * bytes.len());
        }
    }
}
