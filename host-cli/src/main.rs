//! The `seathold` command. All of it is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    let exit = seathold::console::of_this_process(|console| seathold::main_with(std::env::args_os(), console));
    ExitCode::from(exit.code())
}
