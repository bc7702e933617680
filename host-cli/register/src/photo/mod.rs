//! Photographs of valves. A note seals the hash of each; the photographs themselves lie beside the register, since a database
//! of pictures is none that people copy.
//!
//! | file | subject |
//! |---|---|
//! | [`sealed`] | what a note seals of a photograph |
//! | [`store`] | the folder they lie in |
//! | [`keep`] | photographs kept, listed, struck, and brought along from another register |

pub mod keep;
pub mod sealed;
pub mod store;
