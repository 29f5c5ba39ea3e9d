//! `init`: a settings file with every key explained, and an empty data file.

use std::fs::{self, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use chrono_tz::Tz;
use serde_json::json;

use crate::cli::arguments::{Common, InitArguments};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::zone_of_the_machine;
use crate::cli::output::Output;
use crate::daemon::new_settings::new_settings;
use crate::daemon::settings::{FILE_HERE, Settings};
use crate::store::disk::folder_of;
use crate::store::{Access, Store};

/// The data file beside the settings.
const DATA: &str = "vernalog.db";

pub(crate) fn init(
    common: &Common,
    arguments: &InitArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let file =
        common.settings.clone().unwrap_or_else(|| PathBuf::from(FILE_HERE));
    let zone = zone_of(arguments, output);
    let data = common.data.as_deref().unwrap_or(Path::new(DATA));
    // Paths in the file are meant from its folder, those typed from here.
    let data = if common.data.is_some() && data.is_relative() {
        std::path::absolute(data).map_err(|error| {
            Failure::new("cannot tell the folder").because(error.to_string())
        })?
    } else {
        data.to_owned()
    };
    write_new(&file, &new_settings(zone, &data.to_string_lossy()))?;
    let settings = Settings::read(&file)?;
    let known = settings.data.exists();
    Store::open(&settings.data, Access::Create)?;
    if output.json {
        output.object(&json!({
            "format": "vernalog-init/1",
            "settings": file,
            "data": settings.data,
            "data_is_new": !known,
            "time_zone": zone.name(),
        }))?;
    } else {
        output.line(&format!("settings: {}", file.display()))?;
        output.line(&format!(
            "data:     {}{}",
            settings.data.display(),
            if known { " (was there already, kept)" } else { "" }
        ))?;
        output.line(&format!("zone:     {zone}"))?;
        output.line(
            "next:     vernalog record trial NAME, or vernalog import trial \
             FOLDER",
        )?;
    }
    Ok(Answer::Done)
}

/// The zone as typed, or that of this machine.
pub(crate) fn zone_of(arguments: &InitArguments, output: &Output) -> Tz {
    arguments.time_zone.or_else(zone_of_the_machine).unwrap_or_else(|| {
        output.talk(
            "the time zone of this machine is not known: UTC is written into \
             the settings; change it there",
        );
        Tz::UTC
    })
}

/// Writes a file that must not be there yet.
fn write_new(file: &Path, text: &str) -> Result<(), Failure> {
    let failed = |error: std::io::Error| {
        let failure =
            Failure::new(format!("cannot write \"{}\"", file.display()));
        if error.kind() == ErrorKind::AlreadyExists {
            failure
                .because("it is there already, and is kept as it is")
                .hint("change it with an editor; --settings FILE names another")
        } else {
            failure.because(error.to_string())
        }
    };
    fs::create_dir_all(folder_of(file)).map_err(failed)?;
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(file)
        .and_then(|mut opened| opened.write_all(text.as_bytes()))
        .map_err(failed)
}
