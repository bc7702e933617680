//! Self-describing values: a small tree whose names are written once a file.
//!
//! Events and headers carry their field names, so that a recording stays readable when the sequencer's types grow;
//! the names are kept in a table and cost a byte or two at each use. Numbers keep every bit.

use std::collections::HashMap;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Number, Value};

use crate::limits::{NAME_BYTES_MAX, NAMES_MAX, VALUE_MAX};

/// A value. Positions in this list are part of the format: add at the end only.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum RecordValue {
    /// Nothing.
    Null,
    /// Yes or no.
    Flag(bool),
    /// A whole number.
    Whole(i64),
    /// The bits of a double.
    Double([u8; 8]),
    /// A text, by its index in the table of names.
    Text(u32),
    /// Values in order.
    List(Vec<RecordValue>),
    /// Named values, names by their index in the table.
    Map(Vec<(u32, RecordValue)>),
    /// A whole number beyond [`RecordValue::Whole`].
    Large(u64),
}

/// Depth at which a tree is refused: ours are six deep, and a hostile one must not exhaust the stack.
pub(crate) const DEPTH_MAX: usize = 32;

/// What follows a tree in these bytes; `None` where it is incomplete, or too deep.
pub(super) fn pass(bytes: &[u8]) -> Option<&[u8]> {
    pass_within(bytes, DEPTH_MAX)
}

fn pass_within(bytes: &[u8], depth: usize) -> Option<&[u8]> {
    fn over<'a, T: Deserialize<'a>>(bytes: &'a [u8]) -> Option<&'a [u8]> {
        postcard::take_from_bytes::<T>(bytes).ok().map(|(_, rest)| rest)
    }
    let depth = depth.checked_sub(1)?;
    let (kind, rest): (u32, _) = postcard::take_from_bytes(bytes).ok()?;
    match kind {
        NULL => Some(rest),
        FLAG => over::<bool>(rest),
        WHOLE => over::<i64>(rest),
        DOUBLE => over::<[u8; 8]>(rest),
        TEXT => over::<u32>(rest),
        LARGE => over::<u64>(rest),
        LIST | MAP => {
            let (count, mut rest): (usize, _) = postcard::take_from_bytes(rest).ok()?;
            for _ in 0..count {
                if kind == MAP {
                    rest = over::<u32>(rest)?;
                }
                rest = pass_within(rest, depth)?;
            }
            Some(rest)
        }
        _ => None,
    }
}

/// Index in the table of names of the variant name of a tree in these bytes: its only member, or the text
/// that it is.
pub(super) fn variant(bytes: &[u8]) -> Option<u32> {
    match postcard::take_from_bytes(bytes).ok()? {
        ((TEXT, place), _) => Some(place),
        ((MAP, 1), rest) => postcard::from_bytes(rest).ok(),
        _ => None,
    }
}

/// Kinds of [`RecordValue`] as they are written.
const NULL: u32 = 0;
const FLAG: u32 = 1;
const WHOLE: u32 = 2;
const DOUBLE: u32 = 3;
const TEXT: u32 = 4;
const LIST: u32 = 5;
const MAP: u32 = 6;
const LARGE: u32 = 7;

/// The table of names: each is written once, where it is first used.
#[derive(Clone, Debug, Default)]
pub struct NameTable {
    list: Vec<String>,
    /// The index of each of the first `placed`: not needed for reading.
    places: HashMap<String, u32>,
    placed: usize,
    /// Bytes of those read from a file.
    read_bytes: usize,
}

impl NameTable {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Those added since there were `count`.
    pub fn since(&self, count: usize) -> &[String] {
        self.list.get(count..).unwrap_or_default()
    }

    /// Adds names read from a file; false, and none are added, where they are more or longer than a file may have.
    #[must_use]
    pub(crate) fn extend(&mut self, names: Vec<String>) -> bool {
        let bytes = self.read_bytes + names.iter().map(String::len).sum::<usize>();
        if self.list.len() + names.len() > NAMES_MAX || bytes > NAME_BYTES_MAX {
            return false;
        }
        self.read_bytes = bytes;
        self.list.extend(names);
        true
    }

    /// The index of a name, if it is there.
    pub(crate) fn place_of(&self, name: &str) -> Option<u32> {
        self.list.iter().position(|known| known == name).map(|place| place as u32)
    }

    fn place(&mut self, name: &str) -> u32 {
        for (place, known) in (0_u32..).zip(&self.list).skip(self.placed) {
            self.places.entry(known.clone()).or_insert(place);
        }
        self.placed = self.list.len();
        if let Some(place) = self.places.get(name) {
            return *place;
        }
        let place = self.list.len() as u32;
        self.list.push(name.to_owned());
        self.places.insert(name.to_owned(), place);
        self.placed += 1;
        place
    }

    fn name(&self, place: u32) -> Option<&str> {
        self.list.get(place as usize).map(String::as_str)
    }

    /// A name to put in place of its index, as long as something is left for it.
    fn text(&self, place: u32, left: &mut usize) -> Option<String> {
        let text = self.name(place)?;
        *left = left.checked_sub(text.len())?;
        Some(text.to_owned())
    }

    /// Any serialisable value as a tree. `None` where it holds what JSON cannot (a map with other keys than texts).
    pub fn tree<T: Serialize>(&mut self, value: &T) -> Option<RecordValue> {
        serde_json::to_value(value).ok().map(|value| self.node(&value))
    }

    fn node(&mut self, value: &Value) -> RecordValue {
        match value {
            Value::Null => RecordValue::Null,
            Value::Bool(flag) => RecordValue::Flag(*flag),
            Value::Number(number) => match (number.as_i64(), number.as_u64()) {
                (Some(whole), _) => RecordValue::Whole(whole),
                (None, Some(large)) => RecordValue::Large(large),
                (None, None) => RecordValue::Double(number.as_f64().unwrap_or(f64::NAN).to_le_bytes()),
            },
            Value::String(text) => RecordValue::Text(self.place(text)),
            Value::Array(items) => RecordValue::List(items.iter().map(|item| self.node(item)).collect()),
            Value::Object(map) => {
                RecordValue::Map(map.iter().map(|(name, value)| (self.place(name), self.node(value))).collect())
            }
        }
    }

    /// A tree as JSON. `None` where it names what the table does not hold, is too deep, or takes more than
    /// [`VALUE_MAX`].
    pub fn value(&self, node: &RecordValue) -> Option<Value> {
        self.value_within(node, DEPTH_MAX, &mut { VALUE_MAX })
    }

    fn value_within(&self, node: &RecordValue, depth: usize, left: &mut usize) -> Option<Value> {
        let depth = depth.checked_sub(1)?;
        *left = left.checked_sub(size_of::<Value>())?;
        Some(match node {
            RecordValue::Null => Value::Null,
            RecordValue::Flag(flag) => Value::Bool(*flag),
            RecordValue::Whole(whole) => Value::from(*whole),
            RecordValue::Large(large) => Value::from(*large),
            RecordValue::Double(bits) => Number::from_f64(f64::from_le_bytes(*bits)).map_or(Value::Null, Value::Number),
            RecordValue::Text(place) => Value::String(self.text(*place, left)?),
            RecordValue::List(items) => {
                Value::Array(items.iter().map(|item| self.value_within(item, depth, left)).collect::<Option<_>>()?)
            }
            RecordValue::Map(items) => {
                let mut map = Map::new();
                for (name, value) in items {
                    map.insert(self.text(*name, left)?, self.value_within(value, depth, left)?);
                }
                Value::Object(map)
            }
        })
    }

    /// A tree as a typed value. `None` where it does not fit.
    pub fn typed<T: DeserializeOwned>(&self, node: &RecordValue) -> Option<T> {
        serde_json::from_value(self.value(node)?).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn doubles_keep_every_bit() {
        let mut names = NameTable::default();
        for value in [0.1, -0.0, 5e-324, f64::MAX, 7.5e-4, 1.0] {
            let node = names.tree(&value).unwrap();
            assert_eq!(node, RecordValue::Double(value.to_le_bytes()));
            assert_eq!(names.typed::<f64>(&node).unwrap().to_bits(), value.to_bits());
        }
    }

    #[test]
    fn a_name_is_kept_once() {
        let mut names = NameTable::default();
        let value = serde_json::json!({ "a": { "a": "a" }, "b": [1, "a", null, true] });
        let node = names.tree(&value).unwrap();
        assert_eq!(names.since(0), ["a", "b"]);
        assert_eq!(names.value(&node).unwrap(), value);
    }

    /// A long name in a few bytes, again and again.
    #[test]
    fn a_value_that_grows_when_written_out_is_refused() {
        let mut names = NameTable::default();
        assert!(names.extend(vec!["x".repeat(10_000)]));
        assert!(names.value(&RecordValue::List(vec![RecordValue::Text(0); 50])).is_some());
        assert!(names.value(&RecordValue::List(vec![RecordValue::Text(0); 60])).is_none());
        assert!(!names.extend(vec![String::new(); NAMES_MAX]), "a table that is too long");
        assert!(!names.extend(vec!["x".repeat(NAME_BYTES_MAX)]), "names that are too long");
    }

    #[test]
    fn a_tree_too_deep_is_refused_not_followed() {
        let mut node = RecordValue::Null;
        for _ in 0..1_000 {
            node = RecordValue::List(vec![node]);
        }
        assert_eq!(NameTable::default().value(&node), None);
    }

    fn node() -> impl Strategy<Value = RecordValue> {
        let leaf = prop_oneof![
            Just(RecordValue::Null),
            any::<bool>().prop_map(RecordValue::Flag),
            any::<i64>().prop_map(RecordValue::Whole),
            any::<[u8; 8]>().prop_map(RecordValue::Double),
            any::<u32>().prop_map(RecordValue::Text),
            any::<u64>().prop_map(RecordValue::Large),
        ];
        leaf.prop_recursive(4, 20, 5, |inner| {
            prop_oneof![
                proptest::collection::vec(inner.clone(), 0..5).prop_map(RecordValue::List),
                proptest::collection::vec((any::<u32>(), inner), 0..5).prop_map(RecordValue::Map),
            ]
        })
    }

    #[test]
    fn a_variant_is_known_by_its_first_bytes() {
        let variant = |node: &RecordValue| variant(&postcard::to_stdvec(node).unwrap());
        assert_eq!(variant(&RecordValue::Text(300)), Some(300));
        assert_eq!(variant(&RecordValue::Map(vec![(7, RecordValue::Text(1))])), Some(7));
        assert_eq!(variant(&RecordValue::Map(vec![(7, RecordValue::Null), (8, RecordValue::Null)])), None);
        assert_eq!(variant(&RecordValue::Map(vec![])), None);
        assert_eq!(variant(&RecordValue::List(vec![RecordValue::Null])), None);
        assert_eq!(variant(&RecordValue::Null), None);
    }

    /// A few bytes a level would fill the stack long before a frame is at its longest.
    #[test]
    fn a_tree_too_deep_is_not_passed_over() {
        let deep = |levels: usize| [[5, 1].repeat(levels), vec![0]].concat();
        assert_eq!(pass(&deep(DEPTH_MAX - 1)), Some(&[][..]));
        assert_eq!(pass(&deep(DEPTH_MAX)), None);
        assert_eq!(pass(&deep(8_000_000)), None);
    }

    proptest! {
        /// Passing over a tree and making it out come to the same end, whatever follows.
        #[test]
        fn passing_is_reading(node in node(), after: Vec<u8>) {
            let bytes = [postcard::to_stdvec(&node).unwrap(), after.clone()].concat();
            prop_assert_eq!(pass(&bytes), Some(&after[..]));
            let (read, rest) = postcard::take_from_bytes::<RecordValue>(&bytes).unwrap();
            prop_assert_eq!((read, rest), (node, &after[..]));
        }

        /// What is passed over can be made out, and takes as many bytes.
        #[test]
        fn any_bytes_are_a_tree_or_refused(bytes in proptest::collection::vec(0_u8..12, 0..60)) {
            if let Some(rest) = pass(&bytes) {
                let (_, read) = postcard::take_from_bytes::<RecordValue>(&bytes).unwrap();
                prop_assert_eq!(read, rest);
            }
        }

        #[test]
        fn whole_numbers_come_back(value: i64, large: u64) {
            let mut names = NameTable::default();
            let node = names.tree(&(value, large)).unwrap();
            prop_assert_eq!(names.typed::<(i64, u64)>(&node).unwrap(), (value, large));
        }
    }
}
