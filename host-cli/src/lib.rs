//! The `seathold` command: runs pressure-hold tests, shows them live, records, replays and explains them.
//!
//! Nothing here decides anything about a valve: that is the sequencer's. The program is a library with a thin `main`,
//! so that tests call [`main_with`] with streams, a clock and a pace of their own.
//!
//! | module | subject |
//! |---|---|
//! | [`cli`] | what can be typed |
//! | [`cmd`] | a file a command |
//! | [`console`] | our streams, the wall clock, Ctrl-C: everything of the outside that is not a file |
//! | [`quantity`] | "6 bar" to pascals and back, exactly |
//! | [`limit`], [`quantity_args`] | limits as people write them; options that are quantities |
//! | [`files`] | recipes, rigs and valves as TOML |
//! | [`rig`] | simulated rig and controllers behind the io traits |
//! | [`session`] | the poll loop of one run |
//! | [`serve`] | the simulated rig behind a controller, over a socket or a pseudo-terminal |
//! | [`recording`] | the record format, its writer and reader |
//! | [`register`] | every valve, run and batch in one SQLite file |
//! | [`batch`] | a batch of valves: its list, what is left to do, guards against testing the wrong thing |
//! | [`replay`] | replaying a recording through the sequencer |
//! | [`screen`] | a run as it happens: moving lines, plain lines, JSON lines |
//! | [`fleet`] | many simulated valves: sampled, tested, compared with their true leaks |
//! | [`trace`] | traces of other instruments, read and judged |
//! | [`plan`] | whether a rig can decide at a limit, and how long it takes |
//! | [`calibration`] | dated files of a rig's measured properties |
//! | [`advice`] | what would decide an undecided result |
//! | [`export`] | recordings as tables for other programs |
//! | [`doctor`] | a check of a rig before its first air |
//! | [`rejudge`] | re-evaluation of recordings by another recipe, or by many limits at once |
//! | [`tune`] | times and risks chosen from recorded runs |
//! | [`study`] | measurement system analysis from repeated measurements |
//! | [`report`] | evidence on a valve or a batch, as a page |
//! | [`chart`] | charts for pages, as SVG and in PDF |
//! | [`messages`], [`summary`], [`plot`] | results in plain words and a picture |
//! | [`error`], [`exit`] | errors; exit codes that scripts can rely on |

pub mod advice;
pub mod batch;
pub mod calibration;
pub mod chart;
pub mod cli;
pub mod cmd;
pub mod console;
pub mod doctor;
pub mod error;
pub mod exit;
pub mod export;
pub mod files;
pub mod fleet;
pub mod limit;
pub mod messages;
pub mod plan;
pub mod plot;
pub mod quantity;
pub mod quantity_args;
pub mod recording;
pub mod register;
pub mod rejudge;
pub mod replay;
pub mod report;
pub mod rig;
pub mod screen;
pub mod serve;
pub mod session;
pub mod study;
pub mod summary;
pub mod trace;
pub mod tune;

pub use cmd::main_with;
