//! Bytes as postcard writes any list of them, but taken as a whole and not one by one: the same bytes on disk.

use serde::de::{Deserializer, Error, Visitor};
use serde::ser::Serializer;

/// Writes them.
pub(super) fn serialize<S: Serializer>(bytes: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_bytes(bytes)
}

/// Reads them.
pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<u8>, D::Error> {
    struct Whole;
    impl Visitor<'_> for Whole {
        type Value = Vec<u8>;

        fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str("bytes")
        }

        fn visit_bytes<E: Error>(self, bytes: &[u8]) -> Result<Vec<u8>, E> {
            Ok(bytes.to_vec())
        }
    }
    deserializer.deserialize_bytes(Whole)
}

#[cfg(test)]
mod tests {
    use serde::{Deserialize, Serialize};

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    struct Whole(#[serde(with = "super")] Vec<u8>);

    #[test]
    fn bytes_on_disk_are_those_of_a_list() {
        let list: Vec<u8> = (0..=255).collect();
        let written = postcard::to_stdvec(&list).unwrap();
        assert_eq!(postcard::to_stdvec(&Whole(list.clone())).unwrap(), written);
        assert_eq!(postcard::from_bytes::<Whole>(&written).unwrap(), Whole(list));
        assert!(postcard::from_bytes::<Whole>(&written[..9]).is_err());
    }
}
