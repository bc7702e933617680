//! The tables of a register, and the steps from one version of them to the next.

/// SQLite's `application_id` of a register: "sthd".
pub(crate) const APPLICATION: u32 = u32::from_be_bytes(*b"sthd");
/// The format written, and the newest one known; SQLite's `user_version`.
pub(crate) const VERSION: u32 = MIGRATIONS.len() as u32;

/// Each takes the tables from one version to the next; released ones are never changed.
pub(super) const MIGRATIONS: &[&str] = &[
    include_str!("schema.sql"),
    include_str!("schema_2.sql"),
    include_str!("schema_3.sql"),
    include_str!("schema_4.sql"),
];
