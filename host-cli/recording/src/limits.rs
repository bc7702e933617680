//! The most a recording may hold. A reader that trusts a file's own counts can be made to take any amount of memory by a
//! small one; these bounds are several times what the longest run needs. They are stated in docs/record-format.md.

/// Longest file, in bytes: more than the polls below take with two noisy channels.
pub const FILE_MAX: u64 = 8 << 20;
/// Most polls: eight hours at 100 polls a second. The longest window is one hour; the rest is waiting for people.
pub const POLLS_MAX: usize = 2_880_000;
/// Most events. A run of two sides has a few hundred.
pub const EVENTS_MAX: usize = 16_384;
/// Most discontinuities.
pub const BREAKS_MAX: usize = 16_384;
/// Longest event, in bytes. A side's result with its budget takes half a kilobyte.
pub const EVENT_MAX: usize = 8 << 10;
/// Longest header, in bytes. Ours take four kilobytes.
pub const HEADER_MAX: usize = 128 << 10;
/// Most names in a file's table.
pub const NAMES_MAX: usize = 4_096;
/// Most bytes of those names together.
pub const NAME_BYTES_MAX: usize = 128 << 10;
/// What a value may take when its names are put in place of their indices, in bytes: a name is written once and can be
/// referred to any number of times.
pub const VALUE_MAX: usize = 512 << 10;
/// Longest payload of a frame, in bytes. A block of polls is a few kilobytes.
pub const PAYLOAD_MAX: u32 = 1 << 20;
