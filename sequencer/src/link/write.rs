//! Values to bytes, as `postcard` writes them (its wire format, version 1.0), for images in which every byte counts.
//!
//! `postcard`'s own serialiser checks after each byte whether it still fitted, and writes numbers by slices that a
//! compiler optimising for size cannot prove to be in range: an image with it can panic. This one checks once, at the
//! end. The bytes are the same, as tests verify. Reading is `postcard`'s.

use core::fmt;
use serde::{Serialize, ser};

/// The value cannot be written: a sequence that does not know its length.
#[derive(Debug)]
pub(crate) struct WriteError;

impl fmt::Display for WriteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("cannot be written")
    }
}

impl core::error::Error for WriteError {}

impl ser::Error for WriteError {
    fn custom<T: fmt::Display>(_: T) -> Self {
        Self
    }
}

/// Writes a value into `room`; returns the bytes written, or `None` if it did not fit.
pub(crate) fn to_slice<'a, T: Serialize + ?Sized>(value: &T, room: &'a mut [u8]) -> Option<&'a mut [u8]> {
    let mut writer = Writer { room, at: 0 };
    value.serialize(&mut writer).ok()?;
    let Writer { room, at } = writer;
    room.get_mut(..at)
}

struct Writer<'a> {
    room: &'a mut [u8],
    /// Where the next byte goes; past the end once something did not fit.
    at: usize,
}

impl Writer<'_> {
    #[inline(never)]
    fn put(&mut self, byte: u8) {
        if let Some(place) = self.room.get_mut(self.at) {
            *place = byte;
        }
        self.at = self.at.saturating_add(1);
    }

    /// Once in an image, not once for each field: so are numbers.
    #[inline(never)]
    fn put_all(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.put(byte);
        }
    }

    /// Seven bits a byte, the lowest first, the eighth set where more follow.
    #[inline(never)]
    fn number(&mut self, mut value: u64) {
        while value >= 0x80 {
            self.put(value as u8 | 0x80);
            value >>= 7;
        }
        self.put(value as u8);
    }

    /// Zigzag: 0, −1, 1, −2 … as 0, 1, 2, 3 …
    fn signed(&mut self, value: i64) {
        self.number((value << 1 ^ value >> 63) as u64);
    }

    fn length(&mut self, len: usize) {
        self.number(len as u64);
    }
}

type Done = Result<(), WriteError>;

impl ser::Serializer for &mut Writer<'_> {
    type Ok = ();
    type Error = WriteError;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Self;

    fn is_human_readable(&self) -> bool {
        false
    }

    fn serialize_bool(self, v: bool) -> Done {
        self.put(v.into());
        Ok(())
    }

    fn serialize_i8(self, v: i8) -> Done {
        self.put(v as u8);
        Ok(())
    }

    fn serialize_i16(self, v: i16) -> Done {
        self.signed(v.into());
        Ok(())
    }

    fn serialize_i32(self, v: i32) -> Done {
        self.signed(v.into());
        Ok(())
    }

    fn serialize_i64(self, v: i64) -> Done {
        self.signed(v);
        Ok(())
    }

    fn serialize_u8(self, v: u8) -> Done {
        self.put(v);
        Ok(())
    }

    fn serialize_u16(self, v: u16) -> Done {
        self.number(v.into());
        Ok(())
    }

    fn serialize_u32(self, v: u32) -> Done {
        self.number(v.into());
        Ok(())
    }

    fn serialize_u64(self, v: u64) -> Done {
        self.number(v);
        Ok(())
    }

    fn serialize_f32(self, v: f32) -> Done {
        self.put_all(&v.to_le_bytes());
        Ok(())
    }

    fn serialize_f64(self, v: f64) -> Done {
        self.put_all(&v.to_le_bytes());
        Ok(())
    }

    fn serialize_char(self, v: char) -> Done {
        self.serialize_str(v.encode_utf8(&mut [0; 4]))
    }

    fn serialize_str(self, v: &str) -> Done {
        self.serialize_bytes(v.as_bytes())
    }

    fn serialize_bytes(self, v: &[u8]) -> Done {
        self.length(v.len());
        self.put_all(v);
        Ok(())
    }

    fn serialize_none(self) -> Done {
        self.put(0);
        Ok(())
    }

    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Done {
        self.put(1);
        value.serialize(self)
    }

    fn serialize_unit(self) -> Done {
        Ok(())
    }

    fn serialize_unit_struct(self, _: &'static str) -> Done {
        Ok(())
    }

    fn serialize_unit_variant(self, _: &'static str, index: u32, _: &'static str) -> Done {
        self.number(index.into());
        Ok(())
    }

    fn serialize_newtype_struct<T: Serialize + ?Sized>(self, _: &'static str, value: &T) -> Done {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        index: u32,
        _: &'static str,
        value: &T,
    ) -> Done {
        self.number(index.into());
        value.serialize(self)
    }

    fn serialize_seq(self, len: Option<usize>) -> Result<Self, WriteError> {
        self.length(len.ok_or(WriteError)?);
        Ok(self)
    }

    fn serialize_tuple(self, _: usize) -> Result<Self, WriteError> {
        Ok(self)
    }

    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Self, WriteError> {
        Ok(self)
    }

    fn serialize_tuple_variant(
        self,
        _: &'static str,
        index: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, WriteError> {
        self.number(index.into());
        Ok(self)
    }

    fn serialize_map(self, len: Option<usize>) -> Result<Self, WriteError> {
        self.serialize_seq(len)
    }

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Self, WriteError> {
        Ok(self)
    }

    fn serialize_struct_variant(
        self,
        _: &'static str,
        index: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, WriteError> {
        self.number(index.into());
        Ok(self)
    }

    fn collect_str<T: fmt::Display + ?Sized>(self, _: &T) -> Done {
        // A text of unknown length; there is none on the link.
        Err(WriteError)
    }
}

/// Elements of a sequence, a tuple or a struct are written in turn; names are not.
macro_rules! in_turn {
    ($($kind:ident: $($method:ident($($name:ident: $type:ty)?)),+;)+) => {$(
        impl ser::$kind for &mut Writer<'_> {
            type Ok = ();
            type Error = WriteError;

            $(fn $method<T: Serialize + ?Sized>(&mut self, $($name: $type,)? value: &T) -> Done {
                value.serialize(&mut **self)
            })+

            fn end(self) -> Done {
                Ok(())
            }
        }
    )+};
}

in_turn! {
    SerializeSeq: serialize_element();
    SerializeTuple: serialize_element();
    SerializeTupleStruct: serialize_field();
    SerializeTupleVariant: serialize_field();
    SerializeMap: serialize_key(), serialize_value();
    SerializeStruct: serialize_field(_name: &'static str);
    SerializeStructVariant: serialize_field(_name: &'static str);
}

#[cfg(test)]
mod tests {
    use super::to_slice;
    use heapless::{String, Vec};
    use proptest::collection::vec;
    use proptest::prelude::*;
    use serde::Serialize;

    /// Every kind of thing that can be written.
    #[derive(Clone, Debug, Serialize)]
    enum Thing {
        Nothing,
        Whole(u8, u16, u32, u64),
        Signed { small: i8, short: i16, word: i32, long: i64 },
        Maybe(Option<bool>),
        Real((f32, f64)),
        Text(char, String<16>),
        Row(Vec<u32, 8>),
        Wrapped(Wrapper),
        Unit(()),
    }

    #[derive(Clone, Debug, Serialize)]
    struct Wrapper(f64);

    fn thing() -> impl Strategy<Value = Thing> {
        prop_oneof![
            Just(Thing::Nothing),
            any::<(u8, u16, u32, u64)>().prop_map(|(a, b, c, d)| Thing::Whole(a, b, c, d)),
            any::<(i8, i16, i32, i64)>().prop_map(|(small, short, word, long)| Thing::Signed {
                small,
                short,
                word,
                long
            }),
            any::<Option<bool>>().prop_map(Thing::Maybe),
            any::<(f32, f64)>().prop_map(Thing::Real),
            (any::<char>(), "[a-zä°]{0,5}").prop_map(|(c, text)| Thing::Text(c, text.as_str().try_into().unwrap())),
            vec(any::<u32>(), 0..8).prop_map(|row| Thing::Row(row.into_iter().collect())),
            any::<f64>().prop_map(|v| Thing::Wrapped(Wrapper(v))),
            Just(Thing::Unit(())),
        ]
    }

    proptest! {
        /// The same bytes as `postcard`'s own serialiser, and the same refusal where there is no room.
        #[test]
        fn same_bytes_as_postcard(thing in thing(), room in 0_usize..48) {
            let (mut ours, mut theirs) = ([0; 48], [0; 48]);
            let ours = to_slice(&thing, &mut ours[..room]);
            let theirs = postcard::to_slice(&thing, &mut theirs[..room]).ok();
            prop_assert_eq!(ours, theirs);
        }

        /// What is written is read by `postcard`.
        #[test]
        fn numbers_are_read_back(whole: u64, signed: i64) {
            let mut room = [0; 20];
            let bytes = to_slice(&(whole, signed), &mut room).unwrap();
            prop_assert_eq!(postcard::from_bytes::<(u64, i64)>(bytes).unwrap(), (whole, signed));
        }
    }
}
