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
/// Longest serial number or operator's name in a header, in bytes. They stand on every page and in every row of a table.
pub const NAME_MAX: usize = 256;
/// Longest other text of a header, in bytes: names of files.
pub const TEXT_MAX: usize = 4_096;
/// Most texts in a list of a header: calibrations, settings of a simulated valve.
pub const TEXTS_MAX: usize = 512;
/// Longest name that can be typed, in characters: of an operator or a batch.
pub const TYPED_NAME_MAX: usize = 100;
/// Longest note or title that can be typed, in characters.
pub const TYPED_NOTE_MAX: usize = 1_000;
/// Most names in a file's table.
pub const NAMES_MAX: usize = 4_096;
/// Most bytes of those names together.
pub const NAME_BYTES_MAX: usize = 128 << 10;
/// What a value may take when its names are put in place of their indices, in bytes: a name is written once and can be
/// referred to any number of times.
pub const VALUE_MAX: usize = 512 << 10;
/// Longest payload of a frame, in bytes. A block of polls is a few kilobytes.
pub const PAYLOAD_MAX: u32 = 1 << 20;
