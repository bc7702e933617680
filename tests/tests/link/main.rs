//! Controller and host apart: the protocol over a bad line, and the commands that serve a rig, run on it and check it
//! from elsewhere. What needs an image is in `on_target`.

mod access;
mod both_ends;
mod commissioning;
mod doctor;
mod end_tags;
mod records_kept;
mod remote_run;
mod rig_memory;
mod serve_rig;
mod start_button;
mod wire_tables;
