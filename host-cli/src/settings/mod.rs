//! Settings: what a shop would type on every command line, from variables of the environment and from a file.
//!
//! What is typed comes first, then the environment, then the file, then what is built in. A setting becomes the default of the
//! options that it is for, so that it is read and checked as if it had been typed.

mod options;
mod read;
mod table;

pub use options::{apply, told};
pub use read::{FILE_VARIABLE, SettingsFile, file, read};
pub use table::{SETTINGS, SettingDef, template};
