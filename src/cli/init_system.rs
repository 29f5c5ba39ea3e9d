//! `init --system`: the daemon as a service of this machine.
//!
//! Writes files and says which; the commands that change users or services
//! are printed for the grower to run.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::json;

use crate::cli::arguments::{Common, InitArguments};
use crate::cli::failure::{Answer, Failure};
use crate::cli::init::zone_of;

use crate::cli::output::Output;
use crate::daemon::new_settings::new_settings;
use crate::daemon::settings::{FILE_OF_THE_MACHINE, Settings};
use crate::daemon::system::{DATA, MARK, SystemFile, files, next_steps};
use crate::store::disk::folder_of;

/// What becomes of a file.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Fate {
    New,
    Replaced,
    Same,
    Kept,
}

impl Fate {
    fn word(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Replaced => "replaced",
            Self::Same => "the same already",
            Self::Kept => "was there already, kept",
        }
    }

    fn writes(self) -> bool {
        matches!(self, Self::New | Self::Replaced)
    }
}

pub(crate) fn init_system(
    common: &Common,
    arguments: &InitArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    if common.settings.is_some() || common.data.is_some() {
        return Err(Failure::new("--system has its own places").because(
            format!("settings are {FILE_OF_THE_MACHINE}, data {DATA}"),
        ));
    }
    let root = arguments.root.as_deref().unwrap_or(Path::new("/"));
    let under = |path: &str| root.join(path.trim_start_matches('/'));
    let settings_file = under(FILE_OF_THE_MACHINE);
    let backups = if settings_file.exists() {
        Settings::read(&settings_file)?.backup.map(|backup| backup.folder)
    } else {
        None
    };
    let program = std::env::current_exe().map_err(|error| {
        Failure::new("cannot tell where this program is")
            .because(error.to_string())
    })?;
    let files = files(&program, backups.as_deref())
        .map_err(|why| Failure::new("cannot write a unit").because(why))?;
    let mut planned = vec![settings(arguments, settings_file, output)];
    for SystemFile { path, text } in files {
        let path = under(path);
        let fate = fate_of(&path, &text)?;
        planned.push((path, text, fate));
    }
    if !arguments.dry_run {
        for (path, text, fate) in &planned {
            if fate.writes() {
                write(path, text)?;
            }
        }
    }
    tell(&planned, arguments.dry_run, output)?;
    Ok(Answer::Done)
}

type Planned = (PathBuf, String, Fate);

fn settings(
    arguments: &InitArguments,
    file: PathBuf,
    output: &Output,
) -> Planned {
    let text = new_settings(zone_of(arguments, output), DATA);
    let fate = if file.exists() { Fate::Kept } else { Fate::New };
    (file, text, fate)
}

/// A file that somebody else wrote is never replaced.
fn fate_of(path: &Path, text: &str) -> Result<Fate, Failure> {
    if !path.exists() {
        return Ok(Fate::New);
    }
    let present = fs::read_to_string(path).map_err(|error| {
        Failure::new(format!("cannot read \"{}\"", path.display()))
            .because(error.to_string())
    })?;
    if present == text {
        Ok(Fate::Same)
    } else if present.starts_with(MARK) {
        Ok(Fate::Replaced)
    } else {
        Err(Failure::new(format!("cannot replace \"{}\"", path.display()))
            .because("it was not written by vernalog")
            .hint("move it away first"))
    }
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    fs::create_dir_all(folder_of(path))
        .and_then(|()| fs::write(path, text))
        .map_err(|error| {
            let failure =
                Failure::new(format!("cannot write \"{}\"", path.display()))
                    .because(error.to_string());
            if error.kind() == std::io::ErrorKind::PermissionDenied {
                failure.hint("run it as root, such as with sudo")
            } else {
                failure
            }
        })
}

fn tell(
    planned: &[Planned],
    dry_run: bool,
    output: &mut Output,
) -> Result<(), Failure> {
    let written: Vec<PathBuf> = planned
        .iter()
        .skip(1)
        .filter(|(.., fate)| fate.writes())
        .map(|(path, ..)| path.clone())
        .collect();
    let steps = next_steps(&written);
    if output.json {
        let files: Vec<_> = planned
            .iter()
            .map(|(path, text, fate)| {
                json!({
                    "file": path,
                    "fate": fate.word(),
                    "text": dry_run.then_some(text),
                })
            })
            .collect();
        return output.object(&json!({
            "format": "vernalog-init-system/1",
            "dry_run": dry_run,
            "files": files,
            "next": steps,
        }));
    }
    for (path, text, fate) in planned {
        let would = if dry_run && fate.writes() { "would be " } else { "" };
        output.line(&format!("{}: {would}{}", path.display(), fate.word()))?;
        if dry_run && fate.writes() {
            for line in text.lines() {
                output.line(&format!("    {line}"))?;
            }
        }
    }
    output.line("next:")?;
    for step in steps {
        output.line(&format!("    {step}"))?;
    }
    Ok(())
}
