//! One thing kept in flash, whole: its old or its new version, whenever the power goes.
//!
//! Two slots of flash take turns. What is written goes into the one that does not hold the newest; its header, with a running
//! number and a check sum over everything, is programmed last. A slot whose check sum does not fit holds nothing. So while a
//! slot is erased or half programmed the other is what is read, and from the moment the new header is there the new one is.
//!
//! The two-slot scheme is common practice, no source. A key-value store that wears flash evenly (`sequential-storage`, `ekv`)
//! would do it too, but only with async calls and page scans; a rig is written a few times in its life.
//!
//! Erasing and programming hold up the caller for as long as the flash takes, tens to hundreds of milliseconds: longer than a
//! watchdog waits. Write only at rest, and feed it around each call.

use core::fmt;
use crc::{CRC_32_ISCSI, Crc, Digest, NoTable};
use embedded_storage::nor_flash::NorFlash;

/// Bytes of the header. The contents follow from the next unit of programming on.
const HEADER: usize = 24;

/// What a slot begins with; the last byte is the version of this layout.
const MARK: [u8; 4] = *b"SHS\x01";

/// The largest unit of programming that is supported, in bytes.
const UNIT_MAX: usize = 256;

const CHECK: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISCSI);

/// Bytes read at a time to verify a slot.
const CHUNK: usize = 32;

/// Why something could not be stored or read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum StoreError<E> {
    /// The flash's own: it could not be read, erased or programmed.
    Flash(E),
    /// The slots do not fit the flash: not whole units of erasing, outside it, or one over the other; or its units of reading
    /// or programming are larger than 256 bytes.
    Layout,
    /// More than a slot holds, or than the caller's buffer.
    TooLong,
    /// What was programmed does not read back.
    Verify,
}

impl<E: fmt::Debug> fmt::Display for StoreError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Flash(error) => write!(f, "the flash could not be read, erased or programmed: {error:?}"),
            Self::Layout => f.write_str("the slots do not fit the flash"),
            Self::TooLong => f.write_str("more than there is room for"),
            Self::Verify => f.write_str("what was programmed does not read back"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for StoreError<E> {}

/// Header of a slot that holds something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Header {
    /// One more with every write.
    generation: u32,
    /// Bytes of contents.
    length: u32,
    /// Caller's word for what is kept, checked with the rest.
    kind: u32,
    /// Over all of the above and the contents.
    check: u32,
}

/// Something kept, by its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept {
    /// How many times something has been written, this time included.
    pub generation: u32,
    /// Its length, in bytes.
    pub length: usize,
    /// What the caller said it is, as a version of its contents.
    pub kind: u32,
}

/// Two slots in flash.
#[derive(Debug)]
pub struct Store<F> {
    flash: F,
    slots: [u32; 2],
    slot_bytes: u32,
}

impl<F: NorFlash> Store<F> {
    /// Slots of `slot_bytes` at these two offsets.
    ///
    /// # Errors
    /// [`StoreError::Layout`].
    pub fn new(flash: F, slots: [u32; 2], slot_bytes: u32) -> Result<Self, StoreError<F::Error>> {
        let erase = F::ERASE_SIZE as u32;
        let whole = |bytes: u32| bytes.is_multiple_of(erase);
        let fits = |at: u32| at.checked_add(slot_bytes).is_some_and(|end| end as usize <= flash.capacity());
        let [a, b] = slots;
        let sound = erase > 0
            && F::WRITE_SIZE <= UNIT_MAX
            && F::READ_SIZE <= UNIT_MAX
            && HEADER.next_multiple_of(F::WRITE_SIZE) < slot_bytes as usize
            && [a, b, slot_bytes].into_iter().all(whole)
            && fits(a)
            && fits(b)
            && a.abs_diff(b) >= slot_bytes;
        if sound { Ok(Self { flash, slots, slot_bytes }) } else { Err(StoreError::Layout) }
    }

    /// The most bytes that can be kept.
    pub const fn capacity(&self) -> usize {
        self.slot_bytes as usize - Self::contents_at() as usize
    }

    /// The flash.
    pub const fn flash_mut(&mut self) -> &mut F {
        &mut self.flash
    }

    /// The flash, given back.
    pub fn into_flash(self) -> F {
        self.flash
    }

    /// The newest that was written whole, into `into`; `None` where there is nothing.
    ///
    /// # Errors
    /// Where the flash cannot be read, or `into` is too short for it.
    pub fn read(&mut self, into: &mut [u8]) -> Result<Option<Kept>, StoreError<F::Error>> {
        let Some((slot, header)) = self.newest()? else { return Ok(None) };
        let length = header.length as usize;
        let Some(contents) = into.get_mut(..length) else { return Err(StoreError::TooLong) };
        self.read_bytes(slot + Self::contents_at(), contents)?;
        Ok(Some(Kept { generation: header.generation, length, kind: header.kind }))
    }

    /// Keeps `contents` in place of what was kept. When this fails, or never returns, the old is kept, or, where the header
    /// was written already, the new: nothing else.
    ///
    /// # Errors
    /// As the flash has it, [`StoreError::TooLong`], or [`StoreError::Verify`].
    pub fn write(&mut self, kind: u32, contents: &[u8]) -> Result<Kept, StoreError<F::Error>> {
        if contents.len() > self.capacity() {
            return Err(StoreError::TooLong);
        }
        let newest = self.newest()?;
        let (old, before) = newest.map_or((None, 0), |(slot, header)| (Some(slot), header.generation));
        let slot = if old == Some(self.slots[0]) { self.slots[1] } else { self.slots[0] };
        let mut header = Header { generation: before.wrapping_add(1), length: contents.len() as u32, kind, check: 0 };
        let mut digest = header.digest();
        digest.update(contents);
        header.check = digest.finalize();

        self.flash.erase(slot, slot + self.slot_bytes).map_err(StoreError::Flash)?;
        self.program(slot + Self::contents_at(), contents)?;
        // What did not come out right must not be given a header.
        if self.check(slot, &header)? != header.check {
            return Err(StoreError::Verify);
        }
        self.program(slot, &header.bytes())?;
        match self.header(slot)? {
            Some(kept) if kept == header => Ok(Kept { generation: header.generation, length: contents.len(), kind }),
            _ => Err(StoreError::Verify),
        }
    }

    /// Offset of the contents in a slot.
    const fn contents_at() -> u32 {
        HEADER.next_multiple_of(F::WRITE_SIZE) as u32
    }

    /// The newer of the slots that hold something.
    fn newest(&mut self) -> Result<Option<(u32, Header)>, StoreError<F::Error>> {
        let [a, b] = self.slots;
        Ok(match (self.header(a)?, self.header(b)?) {
            // Numbers wrap, so it is their distance that says which is newer.
            (Some(one), Some(other)) if (other.generation.wrapping_sub(one.generation) as i32) > 0 => Some((b, other)),
            (Some(one), _) => Some((a, one)),
            (None, Some(other)) => Some((b, other)),
            (None, None) => None,
        })
    }

    /// The header of a slot, where it and the contents fit together.
    fn header(&mut self, slot: u32) -> Result<Option<Header>, StoreError<F::Error>> {
        let mut bytes = [0; HEADER];
        self.read_bytes(slot, &mut bytes)?;
        let Some(header) = Header::from_bytes(&bytes).filter(|h| h.length as usize <= self.capacity()) else {
            return Ok(None);
        };
        Ok((self.check(slot, &header)? == header.check).then_some(header))
    }

    /// The check sum of a slot's contents under this header.
    fn check(&mut self, slot: u32, header: &Header) -> Result<u32, StoreError<F::Error>> {
        let mut digest = header.digest();
        let (mut at, end) = (slot + Self::contents_at(), slot + Self::contents_at() + header.length);
        let mut chunk = [0; CHUNK];
        while at < end {
            let length = (end - at).min(CHUNK as u32);
            let Some(part) = chunk.get_mut(..length as usize) else { break };
            self.read_bytes(at, part)?;
            digest.update(part);
            at += length;
        }
        Ok(digest.finalize())
    }

    /// Reads from any offset and of any length, in units that the flash allows.
    fn read_bytes(&mut self, at: u32, into: &mut [u8]) -> Result<(), StoreError<F::Error>> {
        let unit = F::READ_SIZE as u32;
        if unit <= 1 {
            return self.flash.read(at, into).map_err(StoreError::Flash);
        }
        let mut buffer = [0; UNIT_MAX];
        let mut done = 0;
        while done < into.len() {
            let from = at + done as u32;
            let (begin, skip) = (from / unit * unit, (from % unit) as usize);
            let Some(whole) = buffer.get_mut(..unit as usize) else { return Err(StoreError::Layout) };
            self.flash.read(begin, whole).map_err(StoreError::Flash)?;
            let rest = into.get_mut(done..).unwrap_or_default();
            let part = whole.get(skip..).unwrap_or_default();
            let length = rest.len().min(part.len());
            for (to, from) in rest.iter_mut().zip(part) {
                *to = *from;
            }
            done += length;
        }
        Ok(())
    }

    /// Programs bytes from the beginning of a unit on; what fills up the last unit is as after erasing.
    fn program(&mut self, at: u32, bytes: &[u8]) -> Result<(), StoreError<F::Error>> {
        let mut at = at;
        for part in bytes.chunks(F::WRITE_SIZE) {
            let mut unit = [0xFF; UNIT_MAX];
            for (to, from) in unit.iter_mut().zip(part) {
                *to = *from;
            }
            self.flash.write(at, unit.get(..F::WRITE_SIZE).unwrap_or_default()).map_err(StoreError::Flash)?;
            at += F::WRITE_SIZE as u32;
        }
        Ok(())
    }
}

impl Header {
    fn bytes(&self) -> [u8; HEADER] {
        let mut bytes = [0xFF; HEADER];
        let words = [self.generation, self.length, self.kind, self.check];
        let fields = MARK.into_iter().chain(words.into_iter().flat_map(u32::to_le_bytes));
        for (to, from) in bytes.iter_mut().zip(fields) {
            *to = from;
        }
        bytes
    }

    fn from_bytes(bytes: &[u8; HEADER]) -> Option<Self> {
        let (mark, words) = bytes.split_first_chunk()?;
        let mut words = words.chunks_exact(4).filter_map(|word| Some(u32::from_le_bytes(word.try_into().ok()?)));
        let mut next = || words.next();
        let header = Self { generation: next()?, length: next()?, kind: next()?, check: next()? };
        (*mark == MARK).then_some(header)
    }

    /// Begun with all but the check sum itself.
    fn digest(&self) -> Digest<'static, u32, NoTable> {
        let mut digest = CHECK.digest();
        for word in [self.generation, self.length, self.kind] {
            digest.update(&word.to_le_bytes());
        }
        digest
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use embedded_storage::nor_flash::{ErrorType, NorFlashErrorKind, ReadNorFlash};
    use proptest::prelude::*;
    extern crate std;
    use std::vec::Vec;

    /// What goes wrong with a flash, at which of its steps: a unit programmed or a page erased.
    #[derive(Clone, Copy, Debug, PartialEq)]
    enum Fails {
        Never,
        /// The power goes in the middle of it, and nothing works any more.
        Cut(u32),
        /// It reports an error, having done it in part, and goes on working.
        Once(u32),
        /// It leaves a bit as it was, and says nothing.
        Silently(u32),
    }

    /// NOR flash of four pages: programming clears bits, erasing sets those of a page.
    #[derive(Clone, Debug)]
    struct Flash<const UNIT: usize> {
        bytes: Vec<u8>,
        steps: u32,
        fails: Fails,
        dead: bool,
        /// For which bits a step that was cut short has reached.
        chance: u32,
    }

    const PAGE: usize = 512;

    impl<const UNIT: usize> Flash<UNIT> {
        fn new(chance: u32) -> Self {
            Self { bytes: std::vec![0xA5; 4 * PAGE], steps: 0, fails: Fails::Never, dead: false, chance: chance | 1 }
        }

        fn random(&mut self) -> u8 {
            self.chance ^= self.chance << 13;
            self.chance ^= self.chance >> 17;
            self.chance ^= self.chance << 5;
            (self.chance >> 11) as u8
        }

        /// Brings bytes to what they become, as far as this step gets.
        fn step(&mut self, at: usize, becomes: &[u8]) -> Result<(), NorFlashErrorKind> {
            if self.dead {
                return Err(NorFlashErrorKind::Other);
            }
            let step = self.steps;
            self.steps += 1;
            let in_part = matches!(self.fails, Fails::Cut(n) | Fails::Once(n) if n == step);
            for (i, &to) in becomes.iter().enumerate() {
                let reached = if in_part { self.random() } else { 0xFF };
                let was = self.bytes[at + i];
                self.bytes[at + i] = (to & reached) | (was & !reached);
            }
            if self.fails == Fails::Silently(step) {
                // A bit that ought to have been changed is not: the first byte's lowest.
                self.bytes[at] ^= 1;
            }
            self.dead = self.fails == Fails::Cut(step);
            if in_part { Err(NorFlashErrorKind::Other) } else { Ok(()) }
        }
    }

    impl<const UNIT: usize> ErrorType for Flash<UNIT> {
        type Error = NorFlashErrorKind;
    }

    impl<const UNIT: usize> ReadNorFlash for Flash<UNIT> {
        const READ_SIZE: usize = if UNIT < 4 { UNIT } else { 4 };

        fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
            let at = offset as usize;
            assert!(at.is_multiple_of(Self::READ_SIZE) && bytes.len().is_multiple_of(Self::READ_SIZE), "{at}");
            if self.dead {
                return Err(NorFlashErrorKind::Other);
            }
            bytes.copy_from_slice(&self.bytes[at..at + bytes.len()]);
            Ok(())
        }

        fn capacity(&self) -> usize {
            self.bytes.len()
        }
    }

    impl<const UNIT: usize> NorFlash for Flash<UNIT> {
        const WRITE_SIZE: usize = UNIT;
        const ERASE_SIZE: usize = PAGE;

        fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
            (from as usize..to as usize).step_by(PAGE).try_for_each(|at| self.step(at, &[0xFF; PAGE]))
        }

        fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
            let at = offset as usize;
            assert!(at.is_multiple_of(UNIT) && bytes.len().is_multiple_of(UNIT), "{at}, {}", bytes.len());
            bytes.chunks(UNIT).enumerate().try_for_each(|(i, unit)| {
                let at = at + i * UNIT;
                let becomes: Vec<u8> = unit.iter().zip(&self.bytes[at..]).map(|(new, was)| new & was).collect();
                self.step(at, &becomes)
            })
        }
    }

    fn store<const UNIT: usize>(flash: Flash<UNIT>) -> Store<Flash<UNIT>> {
        Store::new(flash, [0, 2 * PAGE as u32], 2 * PAGE as u32).expect("it fits")
    }

    fn kept<const UNIT: usize>(flash: &Flash<UNIT>) -> Option<Vec<u8>> {
        let mut bytes = [0; 2 * PAGE];
        // As after a reset: what was remembered in memory is gone.
        let flash = Flash { fails: Fails::Never, dead: false, ..flash.clone() };
        store(flash).read(&mut bytes).expect("it can be read").map(|kept| bytes[..kept.length].to_vec())
    }

    const OLD: [u8; 300] = [0x3C; 300];
    const NEW: [u8; 417] = [0x0F; 417];

    /// With the old one kept, in either slot, and how many steps a write takes.
    fn begun<const UNIT: usize>(writes: u32, chance: u32) -> (Flash<UNIT>, u32) {
        let mut store = store(Flash::new(chance));
        for i in 0..writes {
            assert_eq!(store.write(7, &OLD).map(|kept| kept.generation), Ok(i + 1));
        }
        let flash = store.into_flash();
        let mut tried = self::store(flash.clone());
        tried.write(7, &NEW).expect("it can be written");
        let steps = tried.into_flash().steps - flash.steps;
        (Flash { steps: 0, ..flash }, steps)
    }

    /// Power cut in the middle of every single step: what is read is the old or the new, whole, and another write works.
    fn cut_everywhere<const UNIT: usize>() {
        for (writes, chance) in (1..4).flat_map(|writes| (1..6).map(move |chance| (writes, chance))) {
            let (flash, steps) = begun::<UNIT>(writes, chance);
            assert_eq!(kept(&flash).as_deref(), Some(&OLD[..]));
            for step in 0..steps {
                let mut cut = store(Flash { fails: Fails::Cut(step), ..flash.clone() });
                assert!(cut.write(7, &NEW).is_err(), "step {step}");
                let after = cut.into_flash();
                let read = kept(&after);
                let new = read.as_deref() == Some(&NEW[..]);
                assert!(new || read.as_deref() == Some(&OLD[..]), "step {step} of {steps}: {read:?}");
                // Only the header, which comes last, makes it the new one.
                assert!(!new || step + (HEADER.div_ceil(UNIT) as u32) >= steps, "step {step} of {steps}");
                let mut again = store(Flash { fails: Fails::Never, dead: false, ..after });
                again.write(7, &NEW).expect("power is back");
                assert_eq!(kept(&again.into_flash()).as_deref(), Some(&NEW[..]));
            }
        }
    }

    #[test]
    fn a_power_cut_leaves_the_old_or_the_new() {
        cut_everywhere::<1>();
        cut_everywhere::<4>();
        cut_everywhere::<256>();
    }

    /// A step that fails is said, and the old is kept until a write succeeds.
    #[test]
    fn a_fault_of_the_flash_keeps_the_old() {
        let (flash, steps) = begun::<4>(2, 9);
        for step in 0..steps {
            for (fails, silent) in [(Fails::Once(step), false), (Fails::Silently(step), true)] {
                let mut store = store(Flash { fails, ..flash.clone() });
                let said = store.write(7, &NEW);
                let after = store.into_flash();
                match said {
                    Err(error) => {
                        assert_eq!(error == StoreError::Verify, silent, "{fails:?}");
                        let read = kept(&after);
                        assert!(read.as_deref() == Some(&OLD[..]) || read.as_deref() == Some(&NEW[..]), "{fails:?}");
                    }
                    // A bit that does not matter: of a page that is not used.
                    Ok(_) => assert!(silent && kept(&after).as_deref() == Some(&NEW[..]), "{fails:?}"),
                }
            }
        }
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let flash = || Flash::<4>::new(1);
        let page = PAGE as u32;
        for (slots, bytes) in [
            ([0, page], 2 * page),
            ([0, 3 * page], 2 * page),
            ([0, page + 4], page),
            ([0, page], 0),
            ([0, u32::MAX], page),
        ] {
            assert_eq!(Store::new(flash(), slots, bytes).err(), Some(StoreError::Layout), "{slots:?} {bytes}");
        }
        let mut store = store(flash());
        assert_eq!(store.write(0, &[0; 2 * PAGE]), Err(StoreError::TooLong));
        let most = std::vec![9; store.capacity()];
        store.write(0, &most).expect("it fits");
        assert_eq!(store.read(&mut [0; 16]), Err(StoreError::TooLong));
        assert_eq!(kept(&store.into_flash()), Some(most));
    }

    #[test]
    fn numbers_that_wrap_are_still_the_newer() {
        let mut one = store(Flash::<4>::new(1));
        one.write(7, &OLD).expect("it fits");
        // As if it had been written 2³² − 1 times.
        let header = Header { generation: u32::MAX, length: 300, kind: 7, check: 0 };
        let mut digest = header.digest();
        digest.update(&OLD);
        let header = Header { check: digest.finalize(), ..header };
        let mut flash = one.into_flash();
        flash.bytes[..HEADER].copy_from_slice(&header.bytes());
        let mut store = store(flash);
        assert_eq!(store.write(7, &NEW).map(|kept| kept.generation), Ok(0));
        assert_eq!(kept(&store.into_flash()).as_deref(), Some(&NEW[..]));
    }

    proptest! {
        /// Whatever lies in the flash: nothing, or what has a check sum; and what is written is read.
        #[test]
        fn whatever_lies_there(bytes in proptest::collection::vec(any::<u8>(), 4 * PAGE), new in proptest::collection::vec(any::<u8>(), 0..900)) {
            let mut store = store(Flash::<4> { bytes, ..Flash::new(1) });
            let mut read = [0; 2 * PAGE];
            prop_assert!(store.read(&mut read).expect("it can be read").is_none());
            store.write(1, &new).expect("it fits");
            prop_assert_eq!(kept(&store.into_flash()), Some(new));
        }
    }
}
