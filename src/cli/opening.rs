//! Settings found, data file opened, ledger added up: what every command
//! begins with.
//!
//! Nothing is printed and nothing decided here.

use std::fs;
use std::path::PathBuf;

use chrono_tz::Tz;

use crate::cli::arguments::Common;
use crate::cli::failure::Failure;
use crate::daemon::clock;
use crate::daemon::settings::{FILE_HERE, FILE_OF_THE_MACHINE, Settings};
use crate::exchange::nearest::nearest;
use crate::exchange::times::{ZoneRule, length_millis};
use crate::observation::{Name, shown};
use crate::store::backup::newest_readable;
use crate::store::{Access, Store, StoreError};
use crate::trial::book::{Book, Trial};
use crate::trial::entry::Entry;
use crate::trial::label::Label;
use crate::trial::when::When;
use crate::units::{Instant, MILLIS_PER_DAY};

/// Settings, options and the present.
pub(crate) struct House {
    pub(crate) settings: Settings,
    pub(crate) trial: Option<Name>,
    pub(crate) now: Instant,
}

impl House {
    /// Finds and reads the settings.
    pub(crate) fn open(common: &Common) -> Result<Self, Failure> {
        let found = common.settings.clone().or_else(|| {
            [FILE_HERE, FILE_OF_THE_MACHINE]
                .into_iter()
                .map(PathBuf::from)
                .find(|path| path.exists())
        });
        let settings = match (found, &common.data) {
            (Some(file), data) => {
                let mut settings = Settings::read(&file)?;
                if let Some(data) = data {
                    settings.data.clone_from(data);
                }
                settings
            }
            (None, Some(data)) => {
                let zone = zone_of_the_machine().unwrap_or(Tz::UTC);
                Settings::without_file(data, zone)
            }
            (None, None) => {
                return Err(Failure::new("there is no settings file")
                    .because(format!(
                        "neither {FILE_HERE} in this folder nor \
                         {FILE_OF_THE_MACHINE}"
                    ))
                    .hint(
                        "`vernalog init` writes one; --settings FILE names \
                         another",
                    ));
            }
        };
        let trial = common.trial.clone();
        Ok(Self { settings, trial, now: clock::host_now() })
    }

    pub(crate) fn zone(&self) -> &ZoneRule {
        &self.settings.zone
    }

    pub(crate) fn store(&self, access: Access) -> Result<Store, Failure> {
        Store::open(&self.settings.data, access).map_err(|error| {
            let newer = matches!(error, StoreError::OtherSchema { .. });
            let failure = Failure::from(error);
            match self.newest_backup().filter(|_| newer) {
                Some(backup) => failure.hint(format!(
                    "the newest backup that this program can read: {}",
                    backup.display()
                )),
                None => failure,
            }
        })
    }

    /// The newest backup that this program can read.
    pub(crate) fn newest_backup(&self) -> Option<PathBuf> {
        let settings = self.settings.backup.as_ref();
        let folder = settings.map(|backup| backup.folder.as_path());
        newest_readable(&self.settings.data, folder)
    }

    /// The ledger and what it adds up to.
    pub(crate) fn ledger(&self) -> Result<(Vec<Entry>, Book), Failure> {
        let ledger = self.store(Access::ReadOnly)?.ledger()?;
        let (book, _) = Book::build(&ledger);
        Ok((ledger, book))
    }

    /// The named trial, or the only one.
    pub(crate) fn trial<'a>(
        &self,
        book: &'a Book,
    ) -> Result<&'a Trial, Failure> {
        book.trial(self.trial.as_ref()).map_err(|error| {
            let failure = Failure::new(error);
            if let Some(wanted) = &self.trial
                && let Some(near) = near(wanted, book.trials.keys())
            {
                failure.hint(format!("did you mean \"{near}\"?"))
            } else if book.trials.is_empty() {
                failure.hint(
                    "`vernalog record trial NAME` begins one; `vernalog \
                     import trial FOLDER` takes one in",
                )
            } else if self.trial.is_none() {
                failure.hint("name it with --trial ID")
            } else {
                failure
            }
        })
    }

    /// A time as typed; a remark about it is given to `say`.
    pub(crate) fn when(
        &self,
        text: &str,
        say: impl FnOnce(&str),
    ) -> Result<When, Failure> {
        let understood = self.zone().read(text).map_err(Failure::new)?;
        if let Some(remark) = &understood.remark {
            say(remark);
        }
        Ok(understood.when)
    }

    /// The beginning of a stretch that ends at `end`: a time, or a length
    /// such as `7d`.
    pub(crate) fn beginning(
        &self,
        text: &str,
        end: Instant,
    ) -> Result<Instant, Failure> {
        if let Some(millis) = length_millis(text) {
            return Ok(end.plus_millis(-millis));
        }
        // A date alone means the whole day here, not its evening.
        self.moment(text, ZoneRule::day_start).map_err(|failure| {
            failure.hint("a length such as 12h or 7d will do, too")
        })
    }

    /// The end of a stretch: a time, or the end of a day.
    pub(crate) fn end(&self, text: Option<&str>) -> Result<Instant, Failure> {
        // The present itself belongs to the stretch.
        let now = self.now.plus_millis(1);
        text.map_or(Ok(now), |text| self.moment(text, ZoneRule::day_end))
    }

    fn moment(
        &self,
        text: &str,
        of_day: fn(&ZoneRule, chrono::NaiveDate) -> Instant,
    ) -> Result<Instant, Failure> {
        let when = self.when(text, |_| {})?;
        Ok(when.date().map_or(when.at, |date| of_day(self.zone(), date)))
    }

    /// How long ago, in words.
    pub(crate) fn ago(&self, at: Instant) -> String {
        let millis = self.now.millis_since(at);
        match millis {
            ..0 => "in the future".to_owned(),
            0..120_000 => format!("{} s ago", millis / 1_000),
            120_000..7_200_000 => format!("{} min ago", millis / 60_000),
            7_200_000..172_800_000 => format!("{} h ago", millis / 3_600_000),
            _ => format!("{} days ago", millis / MILLIS_PER_DAY),
        }
    }
}

/// The known name most like a wanted one.
pub(crate) fn near<'a>(
    wanted: &Name,
    known: impl IntoIterator<Item = &'a Name>,
) -> Option<&'a str> {
    nearest(wanted.as_str(), known.into_iter().map(Name::as_str))
}

/// A unit as typed: its name, or the letters of its label. A unit that the
/// trial does not know is given by name, so that the ledger refuses it.
pub(crate) fn unit_name(trial: &Trial, text: &str) -> Result<Name, Failure> {
    let text = text.trim();
    if !trial.units.contains_key(text)
        && let Ok(label) = Label::parse(text)
        && let Some(unit) =
            trial.units.values().find(|unit| unit.label == Some(label))
    {
        return Ok(unit.name.clone());
    }
    Name::new(text).map_err(|error| {
        let failure = Failure::new(error.to_string());
        let known = trial.units.keys().map(Name::as_str);
        match nearest(text, known) {
            Some(near) => failure.hint(format!("did you mean \"{near}\"?")),
            None => failure,
        }
    })
}

/// A place that must be known.
pub(crate) fn known_place<'a>(
    book: &'a Book,
    place: &Name,
) -> Result<&'a crate::trial::house::Place, Failure> {
    book.house.places.get(place).ok_or_else(|| {
        let failure = Failure::new(format!(
            "there is no place \"{}\"",
            shown(place.as_str())
        ));
        match near(place, book.house.places.keys()) {
            Some(near) => failure.hint(format!("did you mean \"{near}\"?")),
            None => failure.hint(format!(
                "`vernalog record place {place} --kind KIND` records it"
            )),
        }
    })
}

/// The time zone that the machine is set to.
pub(crate) fn zone_of_the_machine() -> Option<Tz> {
    let link = fs::read_link("/etc/localtime").ok()?;
    let path = link.to_string_lossy().into_owned();
    let (_, name) = path.split_once("zoneinfo/")?;
    name.trim_start_matches("posix/").parse().ok()
}
