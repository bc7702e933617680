//! `seathold manual`: manual pages, made of the command line itself.

use std::path::PathBuf;

use clap::{Args, Command};
use seathold_recording::file;
use seathold_text::messages::counted;

use super::completions::OURS;
use crate::console::Console;
use crate::error::Error;
use crate::exit::Exit;

/// `seathold manual`.
#[derive(Debug, Args)]
pub struct ManualArgs {
    /// Folder for a page of every command [default: the page of the program, on standard output]
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
}

/// A page: its file, and its text in the language of `man`.
#[derive(Debug)]
struct ManualPage {
    name: String,
    text: Vec<u8>,
}

pub(super) fn run(args: &ManualArgs, command: Command, console: &mut Console<'_>) -> Result<Exit, Error> {
    let mut pages = Vec::new();
    below(command, None, &mut pages)?;
    match (&args.out, pages.first()) {
        (Some(folder), _) => {
            for page in &pages {
                file::write(&folder.join(&page.name), &page.text, OURS)?;
            }
            writeln!(console.out, "{} written to {}", counted(pages.len() as u64, "page"), folder.display())?;
        }
        (None, Some(page)) => console.out.write_all(&page.text)?,
        (None, None) => {}
    }
    Ok(Exit::Good)
}

/// The page of a command, then those of the commands below it.
fn below(mut command: Command, above: Option<&str>, pages: &mut Vec<ManualPage>) -> Result<(), Error> {
    let name = above.map_or_else(|| command.get_name().to_owned(), |above| format!("{above}-{}", command.get_name()));
    // A command under another is called by both names.
    command = command.bin_name(name.replace('-', " ")).display_name(name.clone());
    let inner: Vec<Command> = command.get_subcommands().filter(|inner| inner.get_name() != "help").cloned().collect();
    // What is taken after a -- only is shown with it.
    command = command.mut_args(|arg| {
        let name = arg.get_value_names().and_then(<[_]>::first).filter(|_| arg.is_last_set());
        let with = name.map(|name| format!("-- {name}"));
        match with {
            Some(name) => arg.value_name(name),
            None => arg,
        }
    });
    let mut text = Vec::new();
    clap_mangen::Man::new(command).render(&mut text)?;
    pages.push(ManualPage { name: format!("{name}.1"), text });
    inner.into_iter().try_for_each(|inner| below(inner, Some(&name), pages))
}
