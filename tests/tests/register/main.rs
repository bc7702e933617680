//! The register of runs: what is kept in it, what spoils it, and registers put together.

mod assembly;
mod bundles;
mod claims;
mod hardship;
mod intake;
mod killed;
mod learning;
mod merge;
mod records;
mod signed;
mod soundness;
