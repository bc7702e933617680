//! The `seathold` command: runs pressure-hold tests, shows them live, records, replays and explains them.
//!
//! Nothing here decides anything about a valve: that is the sequencer's. The program is a library with a thin `main`,
//! so that tests call [`main_with`] with streams, a clock and a pace of their own.
//!
//! | module | subject |
//! |---|---|
//! | [`cli`], [`args`], [`help`] | what can be typed; commands by purpose, and examples |
//! | [`cmd`] | a file a command |
//! | [`colour`] | words that must not be missed, painted |
//! | [`console`], [`line_editor`] | our streams, the wall clock, Ctrl-C, keys: everything of the outside that is not a file |
//! | [`environment`], [`settings`] | variables; what a shop would type on every command line, and where it comes from |
//! | [`quantity_args`], [`speed`] | options that are quantities; how fast simulated time passes |
//! | [`rig`] | simulated rig and controllers behind the io traits |
//! | [`session`] | the poll loop of one run |
//! | [`serve`] | the simulated rig behind a controller, over a socket or a pseudo-terminal |
//! | [`doctor`] | a check of a rig before its first air |
//! | [`watch`] | what a controller reads, live |
//! | [`screen`], [`plot`] | a run as it happens: bench screen, moving lines, plain lines, JSON lines; a picture of a recording |
//! | [`schema`] | what is printed with `--json`, and its published schemas |
//! | [`error`], [`exit`] | errors of every layer, and exit codes that scripts can rely on |
//! | [`redact`] | texts that may hold a password |
//!
//! Below it are crates of their own, each of which depends only on those before it: `seathold-quantity`,
//! `seathold-recording`, `seathold-text`, `seathold-config`, `seathold-document`, `seathold-register`,
//! `seathold-analysis` and `seathold-report`; with the feature `office`, `seathold-office`.

pub mod args;
pub mod cli;
pub mod cmd;
pub mod colour;
pub mod console;
pub mod doctor;
pub mod environment;
pub mod error;
pub mod exit;
pub mod help;
pub mod line_editor;
pub mod passphrase;
pub mod plot;
pub mod quantity_args;
pub mod redact;
pub mod rig;
pub mod rig_args;
pub mod schema;
pub mod screen;
pub mod serve;
pub mod session;
pub mod settings;
pub mod speed;
pub mod watch;

pub use cmd::main_with;
