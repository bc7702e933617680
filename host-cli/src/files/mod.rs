//! Recipes, rigs and valves as TOML files, read against the tables of fields that the other rooms keep.

pub mod fault;
pub mod recipe;
pub mod rig;
pub mod sheet;
pub mod valve;
