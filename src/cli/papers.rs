//! `completions` and `manual`: made from the definition of the arguments.

use clap::CommandFactory;
use clap_complete::Shell;

use crate::cli::arguments::Arguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::output::Output;

pub(crate) fn completions(
    shell: Shell,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let mut script = Vec::new();
    let mut command = Arguments::command();
    clap_complete::generate(shell, &mut command, "vernalog", &mut script);
    output.bytes(&script)?;
    Ok(Answer::Done)
}

/// One page for the program and one for each command, one after another.
pub(crate) fn manual(output: &mut Output) -> Result<Answer, Failure> {
    let mut command = Arguments::command();
    command.build();
    let mut pages = Vec::new();
    write_pages(&command, &mut pages).map_err(|error| {
        Failure::new("cannot make the manual page").because(error.to_string())
    })?;
    output.bytes(&pages)?;
    Ok(Answer::Done)
}

fn write_pages(
    command: &clap::Command,
    pages: &mut Vec<u8>,
) -> std::io::Result<()> {
    clap_mangen::Man::new(command.clone()).render(pages)?;
    for inner in command.get_subcommands() {
        if inner.get_name() != "help" {
            write_pages(inner, pages)?;
        }
    }
    Ok(())
}
