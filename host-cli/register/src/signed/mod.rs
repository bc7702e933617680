//! Who made a record: its seal is signed with the bench's key, which a note in the chain states.
//!
//! The private part of the key lies beside the register. Where it cannot be used, records are kept all the same, unsigned: the
//! evidence of a test is worth more than its signature.

pub mod head;
pub(crate) mod key_note;
mod signer;
pub(crate) mod trust;
mod walk;

pub(crate) use signer::BenchSigner;
pub use signer::{Signature, take_unsigned};
pub use trust::MergeTrust;
pub use walk::{BenchKey, SignedChain};
pub(crate) use walk::{last_signature_fault, signed_chain};

/// Version of the tables that brought signatures.
pub(crate) const SINCE: u32 = 4;

/// What is signed of a record.
fn signed_text(bench: &str, number: i64, seal: &str) -> String {
    format!("seathold record\n{bench}/{number}\n{seal}\n")
}
