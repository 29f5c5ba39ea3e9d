//! `init`: a settings file with every key explained, and an empty data file.

use std::fs::{self, OpenOptions};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use chrono_tz::Tz;
use serde_json::json;

use crate::alert::preset::{self, presets};
use crate::cli::arguments::{Common, InitArguments};
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::zone_of_the_machine;
use crate::cli::output::Output;
use crate::cli::recording::writer;
use crate::daemon::clock::host_now;
use crate::daemon::new_settings::new_settings;
use crate::daemon::settings::{FILE_HERE, Settings};
use crate::observation::Name;
use crate::store::disk::folder_of;
use crate::store::{Access, Keep, Records, Store};
use crate::trial::admission::OnConflict;
use crate::trial::entry::{Draft, PlaceKind, Statement, Watch};
use crate::trial::when::When;

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
    let mut store = Store::open(&settings.data, Access::Create)?;
    let watches = record_places(&mut store, &arguments.places)?;
    if output.json {
        output.object(&json!({
            "format": "vernalog-init/1",
            "settings": file,
            "data": settings.data,
            "data_is_new": !known,
            "time_zone": zone.name(),
            "places": arguments.places.len(),
            "watches": watches.len(),
        }))?;
    } else {
        output.line(&format!("settings: {}", file.display()))?;
        output.line(&format!(
            "data:     {}{}",
            settings.data.display(),
            if known { " (was there already, kept)" } else { "" }
        ))?;
        output.line(&format!("zone:     {zone}"))?;
        for watch in &watches {
            output.line(&format!(
                "watched:  {} {}",
                watch.place,
                preset::in_words(watch)
            ))?;
        }
        output.line(
            "next:     vernalog record trial NAME, or vernalog import trial \
             FOLDER",
        )?;
    }
    Ok(Answer::Done)
}

/// Records places with the usual watches for their kind; returns those.
fn record_places(
    store: &mut Store,
    places: &[(Name, PlaceKind)],
) -> Result<Vec<Watch>, Failure> {
    let now = host_now();
    let mut watches = Vec::new();
    let mut drafts = Vec::new();
    for (name, kind) in places {
        let usual = presets(*kind).iter().map(|preset| preset.at(name));
        watches.extend(usual);
        drafts.push(Statement::Place {
            place: name.clone(),
            place_kind: *kind,
            light_source: String::new(),
            title: String::new(),
        });
    }
    drafts.extend(watches.iter().cloned().map(Statement::Watch));
    let drafts: Vec<Draft> = drafts
        .into_iter()
        .map(|said| Draft::new(None, When::exactly(now), said))
        .collect();
    let recorded = store.record(&Records {
        drafts: &drafts,
        on_conflict: OnConflict::Refuse,
        keep: Keep::AllOrNothing,
        by: &writer(None),
        origin: "command",
        now,
        dry_run: false,
    })?;
    match recorded.refused.first() {
        None => Ok(watches),
        Some(refused) => Err(Failure::new("the places were not recorded")
            .because(refused.text.clone())),
    }
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
