//! Recipes, rigs and valves as TOML files, read against the tables of fields of the other modules.

pub mod config_file;
pub mod fault;
pub mod recipe;
pub mod rig;
pub mod valve;
