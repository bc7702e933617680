//! What is typed and what is said: a file a command or a kind of input, by the program called in-process.

mod assess;
mod bad_input;
mod batch;
mod clock;
mod fleet;
mod hostile_text;
mod identify;
mod long_names;
mod plan;
mod recordings;
mod rest;
mod run;
