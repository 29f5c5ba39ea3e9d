//! The command line: arguments as typed, then understood, then done.
//!
//! It asks the modules below and prints what they answer; no rule about
//! seeds, files or readings is written here.

mod arguments;

mod record_arguments;

mod failure;

mod output;

mod opening;

mod init;

mod init_system;

mod record;

mod record_house;

mod recording;

mod round;

mod import;

mod export;

mod backup;

mod verify;

mod status;

mod status_keeping;

mod status_channels;

mod listen;

mod diagnose;

mod readings;

mod watches;

mod watches_try;

mod alerts;

mod alert_story;

mod password;

mod token;

mod papers;

mod run;

mod report;

mod plan;

mod labels;

mod demo;

mod progress;

use std::process::ExitCode;

use clap::Parser;

use crate::cli::arguments::{Arguments, Command, Import, WatchesCommand};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;

/// Reads the arguments of the process, does what they say, prints what went
/// wrong, and gives the exit code: 0 done, 1 the answer is "no", 2 could not.
#[must_use]
pub fn run() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return output::usage(&error),
    };
    let mut output = Output::new(arguments.common.json);
    let answer = obey(&arguments, &mut output).and_then(|answer| {
        output.finish()?;
        Ok(answer)
    });
    match answer {
        Ok(Answer::Done) | Err(Failure::Closed) => ExitCode::SUCCESS,
        Ok(Answer::No) => ExitCode::from(1),
        Err(failure) => {
            output.fail(&failure);
            ExitCode::from(2)
        }
    }
}

fn obey(arguments: &Arguments, output: &mut Output) -> Result<Answer, Failure> {
    let common = &arguments.common;
    let house = || House::open(common);
    match &arguments.command {
        Command::Demo(what) => demo::demo(what, output),
        Command::Run(what) => run::run(&house()?, what),
        Command::Report(what) => report::report(&house()?, what, output),
        Command::Plan(what) => plan::plan(house, what, output),
        Command::Labels(what) => labels::labels(&house()?, what, output),
        Command::Init(what) if what.system => {
            init_system::init_system(common, what, output)
        }
        Command::Init(what) => init::init(common, what, output),
        Command::Record(what) => record::record(&house()?, what, output),
        Command::Round(what) => round::round(&house()?, what, output),
        Command::Import { what: Import::Trial(what) } => {
            import::trial(&house()?, what, output)
        }
        Command::Import { what: Import::Readings(what) } => {
            import::readings(&house()?, what, output)
        }
        Command::Export(what) => export::export(&house()?, what, output),
        Command::Backup(what) => backup::backup(&house()?, what, output),
        Command::Restore(what) => backup::restore(&house()?, what, output),
        Command::Verify(what) => verify::verify(&house()?, what, output),
        Command::Status => status::status(&house()?, output),
        Command::Listen(what) => listen::listen(&house()?, what, output),
        Command::Diagnose => diagnose::diagnose(common, output),
        Command::Readings(what) => readings::readings(&house()?, what, output),
        Command::Watches { what: None } => watches::watches(&house()?, output),
        Command::Watches { what: Some(WatchesCommand::Try(arguments)) } => {
            watches_try::watches_try(&house()?, arguments, output)
        }
        Command::Alerts(what) => alerts::alerts(&house()?, what, output),
        Command::Password(what) => password::password(house, what, output),
        Command::Token(what) => token::token(&house()?, what, output),
        Command::Completions { shell } => papers::completions(*shell, output),
        Command::Manual => papers::manual(output),
    }
}
