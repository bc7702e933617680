#![doc = include_str!("../README.md")]

pub mod address;
mod columns;
mod connect;
pub mod error;
mod fork;
pub mod pull;
pub mod push;
mod read;
mod roots;
pub mod schema;
mod soundness;
mod valve;
pub mod verify;

pub use address::OfficeAddress;
pub use connect::Office;
pub use error::Error;

/// Records in one transaction at most.
const RECORDS_TOGETHER: usize = 200;
/// Bytes after which no more records are put into a transaction. A single recording has up to 8 MiB.
const BYTES_TOGETHER: usize = 4 << 20;
